"""The simulated station against outside models, published values and the driver contract."""

from __future__ import annotations

import csv
import itertools
import math
from pathlib import Path

import msgspec
import numpy as np
import pytest
import scipy.special
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.channels import CHANNEL_MHZ
from drivers.contract import EndOfInput, LinkError, SampleBlock
from drivers.simulated.coupler import (
    Adc,
    Port,
    SimulatedCoupler,
    convert,
    detector_law,
    detector_volts,
    hold,
    ln_i0,
    peak_volts,
    wave_ratios,
)
from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from drivers.simulated.faults import Fault
from drivers.simulated.operator import (
    AM_DEPTH,
    Operator,
    PlannedTransmission,
    RandomSchedule,
    Schedule,
)
from drivers.simulated.simulation import Simulation
from drivers.simulated.station import (
    Antenna,
    Contact,
    Line,
    Station,
    antenna_impedance,
    line_loss_db,
    reflection_at_coupler,
    swr_of,
)

REFERENCES = Path(__file__).parent / "references"
CB = np.array([26.965, 27.185, 27.405])
START = "2025-06-01T00:00:00Z"


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def options(**keys: object) -> SimulatedOptions:
    return msgspec.convert({"pace": "fast", "start_utc": START, **keys}, SimulatedOptions)


def drain(driver: SimulatedDriver, linger_s: float = 0.0) -> list[SampleBlock]:
    driver.open()
    blocks = []
    try:
        while True:
            block = driver.read(1.0, linger_s)
            assert block is not None
            blocks.append(block)
    except EndOfInput:
        driver.close()
    return blocks


def joined(blocks: list[SampleBlock]) -> list[np.ndarray]:
    columns = [(b.time_ns, b.forward_v, b.reflected_v, *b.aux.values()) for b in blocks]
    return [np.concatenate(parts) for parts in zip(*columns, strict=True)]


def one_key_down(mode: str, power_w: float = 4.0, seconds: float = 20.0) -> Operator:
    planned = PlannedTransmission(at_s=1.0, duration_s=seconds, mode=mode, power_w=power_w)  # type: ignore[arg-type]
    return Operator(transmissions=(planned,))


# Antenna, line and plugs


@pytest.mark.parametrize("plug", ["shack", "antenna"])
@pytest.mark.parametrize(
    "contact",
    [Contact(), Contact(series_ohm=12.0), Contact(shunt_ohm=80.0), Contact(7.0, 200.0)],
)
def test_reflection_matches_scikit_rf(plug: str, contact: Contact) -> None:
    station = Station(antenna=Antenna(r_ohm=38.0, q=11.0), line=Line(length_m=23.7, cable="RG-213"))
    frequency = skrf.Frequency.from_f(CB, unit="MHz")
    neper_per_m = line_loss_db(station.line, CB) / station.line.length_m / (20 / math.log(10))
    radian_per_m = 2 * np.pi * CB * 1e6 / (0.66 * 299_792_458.0)
    line = skrf.media.DefinedGammaZ0(
        frequency=frequency, z0=50, gamma=neper_per_m + 1j * radian_per_m
    )
    impedance = antenna_impedance(station.antenna, CB)
    load = line.load((impedance - 50) / (impedance + 50))
    bad = (
        line.shunt(line.resistor(contact.shunt_ohm) ** line.short())
        if (np.isfinite(contact.shunt_ohm))
        else line.thru()
    )
    bad = bad ** line.resistor(contact.series_ohm)
    feedline = line.line(station.line.length_m, "m")
    expected = bad**feedline**load if plug == "shack" else feedline**bad**load
    ours = reflection_at_coupler(station, CB, **{f"{plug}_plug": contact})
    np.testing.assert_allclose(ours, expected.s[:, 0, 0], atol=1e-9)


@pytest.mark.parametrize("row", rows("rlc_swr_bandwidth.csv"))
def test_antenna_bandwidth(row: dict[str, str]) -> None:
    antenna = Antenna(r_ohm=float(row["r_ohm"]), q=float(row["q"]), f0_mhz=float(row["f0_mhz"]))
    station = Station(antenna=antenna, line=Line(length_m=0.0))
    edges = [float(row["f1_mhz"]), float(row["f2_mhz"])]
    swr = swr_of(reflection_at_coupler(station, edges))
    np.testing.assert_allclose(swr, float(row["swr_s"]), rtol=1e-4)
    at_resonance = swr_of(reflection_at_coupler(station, antenna.f0_mhz))
    assert float(at_resonance) == pytest.approx(float(row["swr_min"]), abs=5e-5)


def test_cable_constants_and_loss() -> None:
    fitted = [row for row in rows("coax_k1_k2.csv") if row["fit_range_mhz"] == "1-100"]
    assert len(fitted) == 3
    for row in fitted:
        line = Line(length_m=100.0, cable=row["cable"])  # type: ignore[arg-type]
        expected = float(row["loss_27185_db_100m"])
        assert float(line_loss_db(line, 27.185)) == pytest.approx(expected, abs=2e-3)
    own = Line(length_m=50.0, k1_db_100m=1.0, k2_db_100m=0.1)
    assert float(line_loss_db(own, 25.0)) == pytest.approx((5 + 2.5) / 2)


def test_an_open_or_short_behind_a_lossy_line_shows_twice_its_loss() -> None:
    station = Station(line=Line(length_m=30.0))
    loss = float(line_loss_db(station.line, 27.185))
    for contact in (Contact(series_ohm=np.inf), Contact(shunt_ohm=0.0)):
        far = abs(complex(reflection_at_coupler(station, 27.185, antenna_plug=contact)))
        assert -20 * math.log10(far) == pytest.approx(2 * loss, abs=2e-3)
        near = reflection_at_coupler(station, 27.185, shack_plug=contact)
        assert abs(complex(near)) == pytest.approx(1.0, abs=1e-4)
        assert float(swr_of(near)) > 1e4


@given(
    st.floats(0, 1e12), st.floats(0, 1e12), st.floats(5, 500), st.floats(0, 50), st.floats(0, 300)
)
def test_reflection_never_exceeds_the_incident_wave(
    series: float, shunt: float, r_ohm: float, q: float, length_m: float
) -> None:
    station = Station(antenna=Antenna(r_ohm=r_ohm, q=q), line=Line(length_m=length_m))
    contact = Contact(series, shunt)
    rho = np.abs(reflection_at_coupler(station, CB, contact, contact))
    assert np.all(rho <= 1 + 1e-9)


def test_channels() -> None:
    published = {int(row["channel"]): float(row["freq_mhz"]) for row in rows("cb_channels.csv")}
    assert published == CHANNEL_MHZ


# Coupler, detector and converter


def test_ln_i0_matches_scipy() -> None:
    x = np.concatenate(([1e-8], np.geomspace(1e-5, 1e4, 5000)))
    expected = np.where(x > 1e-3, np.log(scipy.special.i0e(x)) + x, x**2 / 4 - x**4 / 64)
    np.testing.assert_allclose(ln_i0(x), expected, rtol=2e-9)


@pytest.mark.parametrize("row", rows("diode_detector_vectors.csv"), ids=lambda r: r["case"])
def test_detector_law(row: dict[str, str]) -> None:
    n_vt_v = float(row["n"]) * 0.025692579121
    r_is_v = float(row["rl_ohm"]) * float(row["is_a"] or 1)
    peak, expected = float(row["vp_v"]), float(row["vdc_v"])
    assert float(detector_law(peak, n_vt_v, r_is_v)) == pytest.approx(expected, rel=2e-8)


def test_detector_table_is_as_good_as_the_law() -> None:
    peak = np.random.default_rng(1).uniform(np.log(1e-5), np.log(40), 4000)
    for port in (SimulatedCoupler().forward, SimulatedCoupler().reflected):
        exact = detector_law(np.exp(peak), port.n_vt_v, port.r_is_v)
        np.testing.assert_allclose(detector_volts(port, np.exp(peak)), exact, rtol=1e-5)


def test_a_matched_load_reads_the_directivity_and_forward_hears_the_reflection() -> None:
    coupler = SimulatedCoupler(
        forward=Port(directivity_db=20.0, leak_deg=180.0), reflected=Port(directivity_db=30.0)
    )
    forward, reflected = wave_ratios(coupler, [0.0, 0.5])
    np.testing.assert_allclose(forward, [1.0, 0.95])
    np.testing.assert_allclose(reflected, [10**-1.5, 0.5 + 10**-1.5])
    assert float(peak_volts(Port(coupling_db=24.0), 12.0, 1.0)) == pytest.approx(2.186, abs=1e-3)


def test_the_detector_holds_peaks_and_lets_go_exponentially() -> None:
    port, dt_s = Port(attack_ms=1.0, decay_ms=8.0), 0.00025
    volts = np.where((np.arange(4000) >= 1000) & (np.arange(4000) < 2000), 1.5, 0.0)
    held = hold(port, volts, dt_s)
    assert np.all(held[:1000] < 1e-12)
    rise = held[1000 + round(1e-3 / dt_s)]
    assert 0.5 * 1.5 < rise < 0.8 * 1.5
    np.testing.assert_allclose(held[1500:2000], 1.5, rtol=1e-9)
    later = held[2400:2800]
    np.testing.assert_allclose(later[1:] / later[:-1], math.exp(-dt_s / 0.008), rtol=1e-9)
    # Far too long for a plain exponential.
    assert np.all(np.isfinite(hold(port, np.full(200_000, 1e-300), 0.01)))


def test_converter_quantises_and_clips() -> None:
    adc = Adc(bits=10, reference_v=1.024, noise_lsb=0.0)
    read = convert(adc, np.array([-1.0, 0.0104, 5.0]), np.zeros(3))
    np.testing.assert_allclose(read, [0.0, 0.010, 1.023], atol=1e-12)
    assert adc.full_scale_v == pytest.approx(1.023)
    assert adc.step_v == pytest.approx(0.001)


# Operator


def envelope(mode: str) -> np.ndarray:
    schedule = Schedule(one_key_down(mode), seed=3)
    (key_down,) = schedule.key_downs(0.0, 100.0)
    return schedule.amplitude(key_down, np.arange(1.0, 21.0, 0.00025))


def test_fm_is_a_constant_carrier_between_short_ramps() -> None:
    amplitude = envelope("fm")
    np.testing.assert_allclose(amplitude[40:-40], 1.0)
    assert amplitude[0] == 0
    assert np.all(np.diff(amplitude[:20]) > 0)


def test_am_swings_about_its_carrier() -> None:
    amplitude = envelope("am")[40:-40]
    assert np.mean(amplitude) == pytest.approx(1.0, abs=0.02)
    assert 1 + AM_DEPTH / 2 < amplitude.max() <= 1 + AM_DEPTH
    assert 1 - AM_DEPTH <= amplitude.min() < 1 - AM_DEPTH / 4


def test_ssb_has_pauses_beats_and_a_peak_envelope_power() -> None:
    amplitude = envelope("ssb")
    assert 0.85 < amplitude.max() <= 1.0
    assert 0.05 < np.mean(amplitude**2) < 0.4
    edges = np.flatnonzero(np.diff((amplitude < 1e-3).astype(int), prepend=0, append=0))
    pauses = np.diff(edges)[::2] * 0.00025
    assert 0.3 < pauses.max() <= 1.1
    # Within a syllable the envelope goes up and down with the pitch of the voice.
    turns = np.count_nonzero(np.diff(np.sign(np.diff(amplitude))) < 0)
    assert 50 < turns / 20 < 700


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.floats(0, 400))
def test_random_key_downs_stand_apart_and_stay_in_range(seed: int, per_hour: float) -> None:
    plan = RandomSchedule(
        transmissions_per_hour=per_hour, modes=("fm", "ssb"), channels=(3, 38), power_w=(2.0, 4.0)
    )
    schedule = Schedule(Operator(random=plan), seed)
    found = schedule.key_downs(0.0, 3 * 3600.0)
    assert found == [k for h in range(3) for k in schedule.key_downs(h * 3600.0, (h + 1) * 3600.0)]
    for one, following in itertools.pairwise(found):
        assert following.start_s - one.end_s > 1.99
    for each in found:
        assert 2.99 < each.end_s - each.start_s < 25.01
        assert each.channel in (3, 38)
        assert 2.0 <= each.power_w <= 4.0


def test_overlapping_transmissions_are_refused() -> None:
    plan = [{"at_s": 0, "duration_s": 10}, {"at_s": 9, "duration_s": 1}]
    with pytest.raises(msgspec.ValidationError, match="begins before"):
        options(operator={"transmissions": plan})
    with pytest.raises(msgspec.ValidationError, match="not both"):
        options(operator={"transmissions": plan[:1], "random": {}})
    with pytest.raises(msgspec.ValidationError, match="colour"):
        options(station={"colour": "red"})


# The whole


def test_a_steady_carrier_reads_what_the_law_says() -> None:
    simulation = Simulation(seed=5, rate_hz=200.0, operator=one_key_down("fm"))
    t_s = np.arange(1000, 2000) / 200.0
    np.testing.assert_allclose(simulation.forward_w(t_s), 4.0)
    gamma = simulation.reflection(t_s)
    assert np.ptp(np.abs(gamma)) == 0
    np.testing.assert_allclose(gamma, reflection_at_coupler(simulation.station, 27.205))
    chunk = simulation.chunk(1)
    coupler = simulation.coupler
    ratios = wave_ratios(coupler, gamma[0])
    for port, read, ratio in (
        (coupler.forward, chunk.forward_v, ratios[0]),
        (coupler.reflected, chunk.reflected_v, ratios[1]),
    ):
        law = detector_law(peak_volts(port, 4.0, ratio), port.n_vt_v, port.r_is_v)
        noise_of_mean = simulation.adc.step_v * math.hypot(0.7, 0.29) / math.sqrt(1000)
        assert np.mean(read) == pytest.approx(float(law) + port.zero_v, abs=5 * noise_of_mean)
    quiet = Simulation(seed=5, rate_hz=200.0, operator=Operator(transmissions=())).chunk(0)
    assert np.mean(quiet.forward_v) == pytest.approx(coupler.forward.zero_v, abs=2e-4)
    assert np.std(quiet.forward_v) == pytest.approx(0.75 * simulation.adc.step_v, rel=0.15)


def test_twelve_watts_peak_stay_below_full_scale() -> None:
    simulation = Simulation(seed=1, rate_hz=200.0, operator=one_key_down("ssb", power_w=12.0))
    highest = max(simulation.chunk(number).forward_v.max() for number in range(4))
    assert 1.5 < highest < 2.4 < simulation.adc.full_scale_v


def faulty(**fault: object) -> Simulation:
    return Simulation(
        seed=2,
        rate_hz=200.0,
        operator=one_key_down("fm", seconds=60.0),
        faults=[msgspec.convert({"at_s": 5.0, "duration_s": 30.0, **fault}, Fault)],
    )


@pytest.mark.parametrize("where", ["shack-plug", "antenna-plug"])
@pytest.mark.parametrize("kind", ["open", "short", "resistance"])
def test_a_lasting_fault_shows_in_truth_and_volts(kind: str, where: str) -> None:
    simulation = faulty(kind=kind, where=where)
    before, during, after = simulation.swr(np.array([4.99, 20.0, 35.01]))
    assert before == after < 1.5 < during
    assert np.isnan(simulation.swr(np.array([70.0]))[0])
    sound, broken = simulation.chunk(0).reflected_v[-20:], simulation.chunk(1).reflected_v[-20:]
    assert np.mean(broken) > 2 * np.mean(sound)


def test_a_heating_joint_creeps_up_and_cools() -> None:
    plan = tuple(PlannedTransmission(at_s=at, duration_s=40.0) for at in (0.0, 45.0, 400.0))
    fault = Fault(kind="heating", ohm=50.0, heat_s=10.0)
    simulation = Simulation(
        seed=2, rate_hz=200.0, operator=Operator(transmissions=plan), faults=[fault]
    )
    cold, warm, hot, rested, again = simulation.swr(np.array([0.02, 10.0, 39.9, 45.02, 400.02]))
    assert cold < warm < hot
    assert cold < rested < hot
    assert again == pytest.approx(cold, rel=1e-6)
    # The same whether or not the past is asked for with it.
    assert simulation.swr(np.array([39.9]))[0] == pytest.approx(hot, rel=1e-12)


def test_intermittent_breaks_are_short_listed_and_where_the_truth_is_bad() -> None:
    simulation = faulty(kind="intermittent", rate_per_s=2.0, length_ms=40.0)
    breaks = simulation.bad_contacts(0.0, 60.0)
    assert 25 < len(breaks) < 110
    assert all(5.0 <= each.start_s < each.end_s <= 35.0 for each in breaks)
    assert all(each.end_s - each.start_s < 0.0601 for each in breaks)
    t_s = np.arange(1.1, 40.0, 0.001)
    inside = np.zeros(len(t_s), dtype=bool)
    for each in breaks:
        inside |= (t_s >= each.start_s) & (t_s < each.end_s)
    np.testing.assert_array_equal(simulation.swr(t_s) > 100, inside)
    parts = [simulation.bad_contacts(at, at + 7.0) for at in range(0, 63, 7)]
    assert {each for part in parts for each in part} == set(breaks)


# The driver

BUSY = {
    "operator": {
        "random": {
            "transmissions_per_hour": 200,
            "seconds": [3, 8],
            "modes": ["fm", "am", "ssb"],
            "channels": [3, 38],
        }
    },
    "faults": [{"kind": "intermittent", "rate_per_s": 3}, {"kind": "heating", "at_s": 20}],
}


def test_same_seed_same_samples_whatever_the_blocks() -> None:
    one = joined(drain(SimulatedDriver(options(duration_s=97.3, block_s=1.0, **BUSY))))
    other = joined(drain(SimulatedDriver(options(duration_s=97.3, block_s=7.77, **BUSY))))
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a, b)
    assert one[1].max() > 0.5
    different = joined(drain(SimulatedDriver(options(duration_s=97.3, seed=2, **BUSY))))
    assert not np.array_equal(one[1], different[1])


@pytest.mark.parametrize("rate_hz", [1.0, 33.3, 200.0, 1000.0])
def test_blocks_keep_the_contract(rate_hz: float) -> None:
    driver = SimulatedDriver(options(duration_s=23.0, rate_hz=rate_hz, block_s=0.7, **BUSY))
    assert driver.finite
    driver.close()
    blocks = drain(driver)
    time_ns, forward, reflected, channel, frequency = joined(blocks)
    assert len(time_ns) == int(23.0 * rate_hz)
    assert all(len(block) > 0 for block in blocks)
    assert time_ns.dtype == np.int64
    assert np.all(np.diff(time_ns) > 0)
    assert np.all(time_ns % 1000 == 0)
    assert time_ns[0] == 1_748_736_000 * 10**9
    np.testing.assert_allclose(np.diff(time_ns) / 1e9, 1 / rate_hz, atol=1.1e-6)
    for volts in (forward, reflected):
        assert np.all(np.isfinite(volts))
        assert volts.min() >= 0
        assert volts.max() <= blocks[0].full_scale_v
        steps = volts / blocks[0].step_v[0]
        np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)
    assert set(frequency[channel == 3]) <= {26985.0}
    assert set(channel) <= {3.0, 38.0}
    driver.close()
    with pytest.raises(LinkError):
        driver.read(0.1, 0.0)


class Clock:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now = 100.0
        self.longest = 0.0

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.longest = max(self.longest, seconds)
        self.now += seconds


def realtime(clock: Clock, **keys: object) -> SimulatedDriver:
    return SimulatedDriver(
        msgspec.convert({"pace": "realtime", **keys}, SimulatedOptions),
        monotonic=lambda: clock.now,
        wall_ns=lambda: 1_700_000_000_123_456_789,
        sleep=clock.sleep,
    )


def test_realtime_delivers_what_is_due_and_lingers() -> None:
    clock = Clock()
    driver = realtime(clock, rate_hz=10.0)
    assert not driver.finite
    driver.open()
    first = driver.read(0.05, 0.0)
    assert first is not None
    assert list(first.time_ns) == [1_700_000_000_123_456_000]
    assert driver.read(0.05, 0.0) is None
    assert clock.now == pytest.approx(100.05)
    lingered = driver.read(1.0, 0.45)
    assert lingered is not None
    assert len(lingered) == 5
    assert clock.now == pytest.approx(100.55, abs=1e-3)
    clock.now += 3.0  # nobody read for a while: nothing is lost, and blocks stay small
    late = [driver.read(0.0, 0.0) for _ in range(4)]
    assert [len(block) for block in late if block is not None] == [10, 10, 10]
    driver.close()
    clock.now += 2.0
    driver.open()
    assert driver.counters == {"missed_while_closed": 20}
    resumed = driver.read(0.1, 0.0)
    assert resumed is not None
    assert resumed.time_ns[0] == pytest.approx(1_700_000_005_623_456_000, abs=100_000_000)
    assert clock.longest < 0.4501


def test_realtime_at_speed_equals_fast() -> None:
    clock = Clock()
    keys = {"duration_s": 12.0, "start_utc": START, **BUSY}
    driver = realtime(clock, speed=20.0, **keys)
    assert driver.finite
    blocks = drain(driver, linger_s=0.013)
    assert clock.now - 100.0 == pytest.approx(12.0 / 20, abs=0.02)
    fast = joined(drain(SimulatedDriver(options(duration_s=12.0, **BUSY))))
    for a, b in zip(joined(blocks), fast, strict=True):
        np.testing.assert_array_equal(a, b)
