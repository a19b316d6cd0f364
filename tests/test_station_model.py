"""The model that judges detection: is it physics? (about 3 s)"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.calibration.coupler import Coupler as Calibrated
from tests.coupler_model import Port
from tests.examples import examples
from tests.station_model import (
    Antenna,
    Line,
    Open,
    Over,
    Station,
    exact,
    fitted,
    parallel,
    random_opens,
    random_station,
    random_traffic,
    series,
)
from tests.station_model.detectors import Converter, Table, follow
from tests.station_model.faults import DAY_S, NAMES, HotJoint, WetLine
from tests.station_model.line import CABLES, IMPEDANCE_OHM
from tests.station_model.station import KHZ

REFERENCES = Path(__file__).parent / "references"
Z0 = IMPEDANCE_OHM

passive = st.builds(
    lambda size, turn: size * np.exp(1j * turn), st.floats(0, 0.999), st.floats(0, 2 * math.pi)
)


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def swr(rho: float) -> float:
    return (1 + rho) / (1 - rho)


def quiet(seed: int = 1, **more: float) -> Station:
    """A random station in still air, at bench temperature."""
    rng = np.random.default_rng(seed)
    station = random_station(rng, sway=0.0, shack_c=0.0, air_c=0.0)
    return Station(**{**vars(station), **more})


def test_antenna_has_the_published_bandwidth() -> None:
    for row in rows("rlc_swr_bandwidth.csv"):
        antenna = Antenna(float(row["r_ohm"]), float(row["q"]), float(row["f0_mhz"]) * 1e3)
        for edge in ("f1_mhz", "f2_mhz"):
            rho = abs(antenna.gamma(float(row[edge]) * 1e3))
            assert swr(rho) == pytest.approx(float(row["swr_s"]), abs=1e-5)


def test_line_has_the_published_loss() -> None:
    seen = set()
    for row in rows("coax_k1_k2.csv"):
        if row["cable"] in CABLES and row["fit_range_mhz"] == "1-1000":
            line = Line(row["cable"], 100.0)
            published = float(row["loss_27185_db_100m"])
            assert line.loss_db(27185) == pytest.approx(published, rel=1e-3)
            seen.add(row["cable"])
    assert seen == set(CABLES)


def test_reflection_through_a_line() -> None:
    line = Line("RG-58", 40.0)
    loss = line.loss_db(27205)
    far = 0.5 * np.exp(0.3j)
    near = far * line.there_and_back(27205)
    assert abs(near) == pytest.approx(0.5 * 10 ** (-2 * loss / 20))
    # Half a wavelength in the cable turns once round, there and back.
    half = 0.5 * 299_792_458 / 27.205e6 * CABLES["RG-58"][2]
    assert np.angle(Line("RG-58", half).there_and_back(27205)) == pytest.approx(0, abs=1e-9)
    # As printed for the ham examinations: return loss grows by twice the loss of the feeder.
    published = [row for row in rows("swr_through_line.csv") if row["quantity"] == "rl_tx_db"]
    assert float(published[0]["published"]) == 3 + 2 * 6


@given(passive, st.floats(0, 1e5), st.floats(-1e4, 1e4))
def test_plug_by_impedances(gamma: complex, ohm: float, reactance: float) -> None:
    z = Z0 * (1 + gamma) / (1 - gamma)
    with_plug = z + complex(ohm, reactance)
    expected = (with_plug - Z0) / (with_plug + Z0)
    assert complex(series(gamma, complex(ohm, reactance))) == pytest.approx(expected, abs=1e-9)
    with_strand = 1 / (1 / z + 1 / (ohm + 0.1)) if abs(z) > 1e-6 else z
    expected = (with_strand - Z0) / (with_strand + Z0)
    assert complex(parallel(gamma, 1 / (ohm + 0.1))) == pytest.approx(expected, abs=1e-9)


@given(passive, st.floats(0, 1e5))
def test_a_plug_gives_no_energy(gamma: complex, ohm: float) -> None:
    after = complex(series(gamma, ohm))
    assert abs(after) <= 1 + 1e-12
    # Voltage and current waves at the plug: what goes in is what the resistance and the load take.
    current = (1 - after) / Z0
    load = Z0 * (1 + gamma) / (1 - gamma)
    taken = abs(current) ** 2 * (ohm + load.real) * Z0
    assert 1 - abs(after) ** 2 == pytest.approx(taken, abs=1e-9)


def test_open_and_short_reflect_everything() -> None:
    gamma = 0.2 + 0.1j
    assert complex(series(gamma, 1e12)) == pytest.approx(1, abs=1e-9)
    assert complex(parallel(gamma, 1e12)) == pytest.approx(-1, abs=1e-9)
    assert complex(series(0, 50)) == pytest.approx(1 / 3)
    assert complex(parallel(0, 1 / 50)) == pytest.approx(-1 / 3)


def test_table_is_the_law() -> None:
    port = Port(25.0, 0.0j, 0.0277, 0.0015, 0.004)
    roots = np.sqrt(np.geomspace(1e-5, 15, 500))
    assert Table(port).volts(roots) == pytest.approx(port.volts(roots**2), abs=2e-7)


def test_capacitors_follow_a_step() -> None:
    def target(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.where(t >= 0, 1.0, 0.0), np.where(t >= 0, 0.0, 1.0)

    t = np.array([-1e-3, 0.3e-3, 0.6e-3, 3e-3])
    up, down = follow(target, t, 0.3e-3, 0.6e-3)
    assert up == pytest.approx([0, 1 - math.exp(-1), 1 - math.exp(-2), 1], abs=0.2)
    assert down == pytest.approx([1, math.exp(-0.5), math.exp(-1), 0], abs=0.2)
    assert (up[:2] < up[1:3]).all()
    up, down = follow(target, t, 0.0, 0.0)
    assert up.tolist() == [0, 1, 1, 1]


def test_converter_noise_and_hum() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(40_000) / 200
    for converter in (Converter(), Converter(hum_lsb=5.0)):
        volts = converter.read(rng, t, np.full(len(t), 1.0), 1.0)
        assert volts.std() == pytest.approx(converter.noise_v, rel=0.03)
        assert volts.mean() == pytest.approx(1.0, abs=2e-5)
    assert Converter().read(rng, t[:2], np.array([-1.0, 9.0]), 1.0) == pytest.approx(
        [0, 3.3 * 4095 / 4096]
    )


@examples(10)
@given(st.integers(0, 10_000))
def test_a_record_tells_what_the_coupler_hears(seed: int) -> None:
    station = quiet(seed)
    station = Station(**{**vars(station), "converter": Converter(noise_lsb=0.0), "source": 0.1j})
    rng = np.random.default_rng(seed)
    opened = Open(3.0, 3.2, 400.0)
    record = station.record(rng, [Over(1.0, 6.0, "fm", 20, 4.0)], [opened])
    t = record.t
    assert (np.diff(record.time_ns) > 0).all()
    assert np.isnan(record.gamma[~record.keyed]).all()
    assert (np.abs(record.gamma[record.keyed]) <= 1).all()
    calm = record.keyed & (t > 1.1) & (t < 2.9)
    inside = (t > 3.002) & (t < 3.198)
    # The exact calibration finds the waves, leaks and source included.
    calibrated = Calibrated(exact(station.coupler))
    for part, ohm in ((calm, 0.0), (inside, 400.0)):
        gamma = series(station.gamma(KHZ[20]), station.contact_ohm + ohm) * station.lead
        assert record.gamma[part] == pytest.approx(complex(gamma))
        forward_w = calibrated.forward.watts(record.forward_v[part])
        reflected_w = calibrated.reflected.watts(record.reflected_v[part])
        heard = station.coupler.hears(gamma)
        incident = record.incident_w[part]
        step_w = station.converter.step_v * calibrated.forward.slope(record.forward_v[part])
        assert (np.abs(forward_w - incident * heard[0]) <= step_w + 1e-4 * forward_w).all()
        step_w = station.converter.step_v * calibrated.reflected.slope(record.reflected_v[part])
        assert (np.abs(reflected_w - incident * heard[1]) <= step_w + 1e-4 * reflected_w).all()
    assert record.incident_w[calm] == pytest.approx(4.0)
    assert record.calm_rho[inside] == pytest.approx(float(record.calm_rho[calm][0]))


def test_speech_and_carriers() -> None:
    station = quiet(attack_s=0.0003, decay_s=0.0003)
    rng = np.random.default_rng(2)
    overs = [
        Over(10.0, 70.0, "ssb", 1, 12.0, seed=4),
        Over(80.0, 140.0, "am", 10, 4.0, seed=5),
        Over(150.0, 210.0, "fm", 40, 1.0, seed=6),
    ]
    record = station.record(rng, overs, since_s=0.0, until_s=300.0)
    assert record.t[0] < 5
    assert record.t[-1] > 290
    watts = {
        over.mode: record.incident_w[
            (record.t > over.start_s + 0.1) & (record.t < over.end_s - 0.1)
        ]
        for over in overs
    }
    assert 0.02 < watts["ssb"].mean() / 12 < 0.2
    assert 4 < watts["ssb"].max() <= 12.001
    assert 0.1 < (watts["ssb"] < 0.01).mean() < 0.6  # pauses between words and phrases
    assert watts["am"].mean() == pytest.approx(4.0, rel=0.15)
    assert 8 < watts["am"].max() <= 4 * 1.8**2 + 1e-9
    assert watts["fm"] == pytest.approx(1.0)
    assert set(record.channel[record.keyed]) == {1.0, 10.0, 40.0}


def test_sway_temperature_and_stations() -> None:
    for seed in range(8):
        rng = np.random.default_rng(seed)
        station = random_station(rng, hum_lsb=5.0)
        assert all(swr(abs(station.gamma(khz, 0.3 * DAY_S))) < 2.1 for khz in KHZ.values())
        assert 0 < station.floor_w < 0.41
        record = station.record(rng, [Over(5.0, 65.0, "fm", 20, 4.0)])
        rho = record.calm_rho[record.keyed]
        assert np.ptp(rho) / rho.mean() < 0.25
        # Slower than 2 Hz: half a radian and more takes a dozen pairs.
        assert np.abs(np.diff(rho)).max() <= 0.11 * rho.mean() * 2 * math.pi * 2.0 / 200 + 1e-9


def test_fitted_calibration_is_near_the_exact_one() -> None:
    rng = np.random.default_rng(3)
    station = quiet(3)
    own, true = Calibrated(fitted(station.coupler, rng)), Calibrated(exact(station.coupler))
    volts = station.coupler.reflected.volts([0.1, 1.0, 4.0])
    assert own.reflected.watts(volts) == pytest.approx(true.reflected.watts(volts), rel=0.12)


def test_traffic_fills_the_day() -> None:
    rng = np.random.default_rng(4)
    overs = random_traffic(rng, 0.0, DAY_S, 7200.0, list(KHZ))
    ends, starts = np.array([o.end_s for o in overs]), np.array([o.start_s for o in overs])
    assert (starts[1:] > ends[:-1]).all()
    assert 7200 <= (ends - starts).sum() < 9500
    assert ends[-1] < DAY_S
    assert {over.mode for over in overs} == {"fm", "am", "ssb"}
    assert {over.channel for over in overs} == set(KHZ)
    opens = random_opens(rng, overs)
    assert len(opens) / ((ends - starts).sum() / 60) == pytest.approx(3, rel=0.25)
    for one in opens:
        assert any(o.start_s < one.start_s and one.end_s < o.end_s for o in overs)


def test_each_fault_shows() -> None:
    """What each does to mean power and reflection, day after day at 4 W on two channels."""
    overs = [
        Over(day * DAY_S + minute * 60.0, day * DAY_S + minute * 60.0 + 30, "fm", channel, 4.0)
        for day in (0, 2, 9)
        for minute, channel in ((10, 1), (12, 40))
    ]
    at_s = 1.0 * DAY_S
    for name, make in NAMES.items():
        rng = np.random.default_rng(5)
        station = quiet(6)
        sound = station.record(np.random.default_rng(1), overs)
        fault = make(rng, at_s, [1, 40])
        ill = Station(**{**vars(station), "faults": (fault,)}).record(
            np.random.default_rng(1), overs
        )
        late = sound.t >= at_s
        for before, after in (
            (sound.forward_v, ill.forward_v),
            (sound.reflected_v, ill.reflected_v),
        ):
            assert before[~late] == pytest.approx(after[~late], abs=1e-12), name
        changed = np.abs(sound.reflected_v - ill.reflected_v) + np.abs(
            sound.forward_v - ill.forward_v
        )
        assert changed[late].max() > 0.005, name


def test_hot_joint_heats_and_rests() -> None:
    joint = HotJoint(ohm=60.0, heats_s=15.0, cools_s=40.0)
    first, soon, late = (Over(s, s + 60.0, "fm", 1, 4.0) for s in (0.0, 70.0, 1000.0))
    joint.key_down(first)
    assert np.asarray(joint.series_ohm(np.array([0.0, 15.0, 60.0]))) == pytest.approx(
        [0, 60 * (1 - math.exp(-1)), 60 * (1 - math.exp(-4))]
    )
    joint.key_down(soon)
    assert np.asarray(joint.series_ohm(np.array([70.0]))) == pytest.approx(
        [60 * (1 - math.exp(-4)) * math.exp(-10 / 40)]
    )
    joint.key_down(late)
    assert np.asarray(joint.series_ohm(np.array([1000.0])))[0] < 1e-6


def test_wet_line_hides_reflection() -> None:
    station = quiet(7)
    wet = Station(**{**vars(station), "faults": (WetLine(0.0, 0.1),)})
    dry, soaked = abs(station.gamma(KHZ[1])), abs(wet.gamma(KHZ[1], 10 * DAY_S))
    assert soaked == pytest.approx(dry * 10 ** (-2 * 1.0 / 20))
