"""Transmissions from key-down to key-up: what the rows must say, whatever the cut of the blocks."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from drivers.simulated.driver import SimulatedOptions
from logger.blocks import Noise, PowerBlock
from logger.calibration.coupler import Coupler
from logger.calibration.simulated import calibration
from logger.config.load import (
    AntennaOptions,
    FaultsOptions,
    HighSwrOptions,
    StationOptions,
    TransmissionOptions,
    WatchdogOptions,
    WeatherOptions,
)
from logger.physics import reflection
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Flag, Memory, Row, Samples, Second, SecondRows, Transmission
from logger.stages import transmissions
from logger.stages.keying import Keying, OwnPower
from logger.stages.transmissions import Transmissions
from tests.examples import examples

SIMULATED = SimulatedOptions()
COUPLER = Coupler(calibration(SIMULATED.coupler, SIMULATED.adc))
START_NS = 1_767_225_600_000_000_000  # a whole second
NO_AUX: Mapping[str, np.ndarray] = {}
NOTHING = Flag(0)
Part = tuple[float, float, float]  # seconds, incident watts, SWR


class Settings(msgspec.Struct):
    """What the pipeline reads of a configuration."""

    station: StationOptions = StationOptions()
    transmission: TransmissionOptions = TransmissionOptions()
    watchdog: WatchdogOptions = WatchdogOptions()
    faults: FaultsOptions = FaultsOptions()
    weather: WeatherOptions = WeatherOptions()
    antennas: tuple[AntennaOptions, ...] = ()


def block(
    parts: Sequence[Part],
    *,
    rate_hz: float = 200.0,
    noise_v: float = 0.0,
    start_ns: int = START_NS,
    aux: Mapping[str, np.ndarray] = NO_AUX,
) -> SampleBlock:
    """Pairs of steady stretches, volts straight from the detector laws."""
    counts = [round(seconds * rate_hz) for seconds, _, _ in parts]
    watts = np.repeat([part[1] for part in parts], counts)
    rho = np.repeat(reflection.rho_of_swr([part[2] for part in parts]), counts)
    times = start_ns + np.rint(np.arange(len(watts)) * 1e6 / rate_hz).astype(np.int64) * 1000
    noise = np.random.default_rng(7).normal(0.0, 1.0, (2, len(watts))) * noise_v
    return SampleBlock(
        times,
        COUPLER.forward.volts(watts) + noise[0],
        COUPLER.reflected.volts(watts * rho**2) + noise[1],
        aux,
    )


def cut(whole: SampleBlock, places: Sequence[int]) -> list[SampleBlock]:
    edges = sorted({0, len(whole), *(place % len(whole) for place in places)})
    return [
        SampleBlock(
            whole.time_ns[a:b],
            whole.forward_v[a:b],
            whole.reflected_v[a:b],
            {name: column[a:b] for name, column in whole.aux.items()},
            whole.step_v,
            whole.full_scale_v,
        )
        for a, b in itertools.pairwise(edges)
    ]


def run(
    blocks: Sequence[SampleBlock], config: Settings | None = None, end: Flag = NOTHING
) -> list[Row]:
    pipeline = Pipeline(config or Settings(), COUPLER)
    rows = [row for each in blocks for row in pipeline.process(each)] + pipeline.finish(end)
    return [row for row in rows if not isinstance(row, (Samples, Memory))]


def ended(rows: Sequence[Row]) -> list[Transmission]:
    return [row for row in rows if isinstance(row, Transmission) and row.ended]


def only(rows: Sequence[Row]) -> Transmission:
    (row,) = ended(rows)
    return row


def seconds_of(rows: Sequence[Row]) -> list[Second]:
    return [second for row in rows if isinstance(row, SecondRows) for second in row.rows()]


def test_a_long_pause_at_a_high_rate_counts_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    parts = [(0.1, 4.0, 1.5), (0.6, 0.0, 1.0), (0.1, 2.0, 2.0)]
    whole = block(parts, rate_hz=100_000, noise_v=0.001)
    in_pieces = run(cut(whole, range(0, len(whole), 3000)))
    monkeypatch.setattr(transmissions, "HELD_PAIRS", len(whole))
    at_once = run(cut(whole, range(0, len(whole), 3000)))
    assert only(in_pieces).samples == len(whole)
    assert len(in_pieces) == len(at_once)
    for row, same in zip(ended(in_pieces), ended(at_once), strict=True):
        figures, wanted = (
            [value or 0.0 for value in msgspec.structs.astuple(each) if not isinstance(value, str)]
            for each in (row, same)
        )
        assert figures == pytest.approx(wanted, rel=1e-9)


def test_start_end_means_peaks_and_energy() -> None:
    whole = block([(1, 0, 1), (2, 4, 1.5), (1, 2, 2.0), (3, 0, 1)], noise_v=5e-4)
    row = only(run(cut(whole, range(0, len(whole), 50))))
    down = slice(200, 800)
    forward_w, reflected_w, _ = COUPLER.power(whole)
    assert row.start_ns == whole.time_ns[200]
    assert row.end_ns == whole.time_ns[799]
    assert row.samples == 600
    assert row.forward_w_mean == pytest.approx(forward_w[down].mean())
    assert row.reflected_w_mean == pytest.approx(reflected_w[down].mean())
    assert row.forward_w_max == forward_w[down].max()
    assert row.reflected_w_max == reflected_w[down].max()
    seconds = (whole.time_ns[down] - whole.time_ns[200]) / 1e9
    assert row.energy_j == pytest.approx(np.trapezoid(forward_w[down], seconds))
    assert row.energy_j == pytest.approx(2 * 4 + 1 * 2, rel=0.005)
    # Powers are averaged, not SWR: 2 s of 4 W at rho 0.2 and 1 s of 2 W at rho 1/3.
    rho = np.sqrt((8 * 0.2**2 + 2 / 9) / 10)
    assert row.swr == pytest.approx((1 + rho) / (1 - rho), rel=0.005)
    assert row.swr_low < row.swr_noise_low < row.swr < row.swr_noise_high < row.swr_high
    assert row.swr_max == pytest.approx(2.0, rel=0.02)
    assert row.flags == 0
    assert row.calibration_id == COUPLER.id


def test_the_temperature_of_the_coupler_is_the_mean_of_what_its_sensor_says() -> None:
    parts = [(1.0, 0.0, 1.0), (4.0, 4.0, 1.5), (3.0, 0.0, 1.0), (2.0, 4.0, 1.5), (3.0, 0.0, 1.0)]
    celsius = np.round((20 + np.arange(13 * 200) / 400) * 16) / 16
    warm = celsius[200:1000].mean()
    celsius[300:310], celsius[350:360], celsius[400:440] = -127.0, 85.0, np.nan  # no answer
    celsius[1600:] = np.nan
    for places in ((), range(0, 2600, 50), range(0, 2600, 7)):
        rows = ended(run(cut(block(parts, aux={"temperature_c": celsius}), places)))
        told = [row.coupler_temperature_c for row in rows]
        assert told == [pytest.approx(warm, abs=0.05), None]
    assert only(run([block(parts[:3])])).coupler_temperature_c is None


def test_the_interval_contains_the_truth_of_the_leak() -> None:
    row = only(run([block([(1, 0, 1), (2, 4, 1.5), (2, 0, 1)])]))
    rho, leak = 0.2, COUPLER.leak
    assert row.swr_low == pytest.approx(float(reflection.swr(rho - leak)), rel=0.01)
    assert row.swr_high == pytest.approx(float(reflection.swr(rho + leak)), rel=0.01)


def test_pauses_shorter_than_the_hang_time_do_not_split() -> None:
    speech = [(1, 0, 1), (0.5, 4, 1.5), (1.4, 0, 1), (0.5, 4, 1.5), (1.6, 0, 1), (0.5, 4, 1.5)]
    whole = block([*speech, (2, 0, 1)])
    rows = ended(run([whole]))
    assert [(row.start_ns - START_NS) / 1e9 for row in rows] == [1.0, 5.0]
    assert [(row.end_ns - START_NS) / 1e9 for row in rows] == [3.395, 5.495]
    assert [row.samples for row in rows] == [480, 100]
    # The pause counts in means and energy, not in SWR.
    assert rows[0].forward_w_mean == pytest.approx(4 / 2.4, rel=0.01)
    assert rows[0].energy_j == pytest.approx(4.0, rel=0.02)
    assert rows[0].swr == pytest.approx(1.5, rel=0.001)


def test_the_hang_time_ends_by_time_alone() -> None:
    pipeline = Pipeline(Settings(), COUPLER)
    rows = pipeline.process(block([(0.5, 0, 1), (1, 4, 1.5)]))
    assert not ended(rows)
    assert pipeline.keyed
    last_ns = START_NS + 1_495_000_000
    assert not ended(pipeline.tick(last_ns + 1_500_000_000))
    row = only(pipeline.tick(last_ns + 1_500_000_001))
    assert row.end_ns == last_ns
    assert not pipeline.keyed


def test_a_block_may_hold_whole_transmissions() -> None:
    whole = block([(1, 0, 1), (0.5, 4, 1.2), (2, 0, 1), (0.5, 4, 1.8), (2, 0, 1), (0.5, 4, 2.5)])
    rows = ended(run([whole]))
    assert [round(row.swr, 2) for row in rows] == [1.2, 1.8, 2.5]


def test_a_transmission_is_announced_before_what_refers_to_it() -> None:
    rows = run(cut(block([(1, 0, 1), (3.2, 4, 1.5), (2, 0, 1)]), range(0, 1240, 37)))
    announced = set()
    for row in rows:
        if isinstance(row, Transmission):
            announced.add(row.start_ns)
        assert row.start_ns in announced
    assert len(ended(rows)) == 1


@pytest.mark.parametrize("rate_hz", [20.0, 200.0, 1000.0])
def test_rows_of_seconds_add_up(rate_hz: float) -> None:
    parts = [(0.7, 0, 1), (3.8, 4, 1.5), (0.6, 0, 1), (2.2, 1, 2.0), (2, 0, 1)]
    whole = block(parts, rate_hz=rate_hz, noise_v=4e-4)
    rows = run(cut(whole, range(0, len(whole), 31)))
    row, seconds = only(rows), seconds_of(rows)
    assert sum(second.samples for second in seconds) == row.samples
    times = [second.time_ns for second in seconds]
    assert times == [row.start_ns, *(START_NS + k * 10**9 for k in range(1, 8))]
    assert {second.start_ns for second in seconds} == {row.start_ns}
    # Seconds are as read; what detectors held at the steps is taken off the transmission only.
    energy = sum(second.forward_w * second.samples for second in seconds)
    assert energy == pytest.approx(row.forward_w_mean * row.samples, rel=2e-5)
    reflected = sum(second.reflected_w * second.samples for second in seconds)
    assert reflected == pytest.approx(row.reflected_w_mean * row.samples, rel=2e-5)
    assert seconds[1].swr == pytest.approx(1.5, rel=0.01)
    assert seconds[-1].swr == pytest.approx(2.0, rel=0.02)
    third = slice(round(2 * rate_hz), round(3 * rate_hz))
    assert seconds[2].forward_v == pytest.approx(whole.forward_v[third].mean())
    assert seconds[2].reflected_v == pytest.approx(whole.reflected_v[third].mean())


def test_a_single_crackle_is_ignored() -> None:
    parts = [(1, 0, 1), (0.005, 4, 1.5), (3, 0, 1), (0.5, 4, 1.5), (2, 0, 1), (0.005, 4, 1.5)]
    rows = run([block([*parts, (2, 0, 1)])])
    assert only(rows).start_ns == START_NS + 4_005_000_000
    assert {row.start_ns for row in rows} == {only(rows).start_ns}
    assert run([block([(1, 0, 1), (0.005, 4, 1.5)])]) == []


def test_a_gap_is_flagged_and_carries_no_energy() -> None:
    whole = block([(1, 0, 1), (3, 4, 1.5), (2, 0, 1)])
    kept = (np.arange(len(whole)) < 400) | (np.arange(len(whole)) >= 500)
    pieces = [
        SampleBlock(whole.time_ns[part], whole.forward_v[part], whole.reflected_v[part])
        for part in (np.flatnonzero(kept)[:400], np.flatnonzero(kept)[400:])
    ]
    for blocks in (pieces, [SampleBlock(*(getattr(whole, n)[kept] for n in FIELDS))]):
        row = only(run(blocks))
        assert row.flags == int(Flag.GAP)
        assert row.samples == 500
        assert row.energy_j == pytest.approx(4 * 2.49, rel=0.005)
    assert only(run([whole])).flags == 0


FIELDS = ("time_ns", "forward_v", "reflected_v")


def test_a_slow_bridge_has_no_gaps() -> None:
    row = only(run(cut(block([(5, 0, 1), (30, 4, 1.5), (5, 0, 1)], rate_hz=2.0), range(80))))
    assert not row.flags & Flag.GAP


def test_below_the_readable_floor_there_is_no_swr() -> None:
    rows = run([block([(40, 0, 1), (0.015, 0.25, 1.5), (2, 0, 1)], noise_v=6e-3)])
    for row in (only(rows), *seconds_of(rows)):
        assert row.swr is None
        assert row.swr_low is None
        assert row.swr_high is None
        assert row.flags & Flag.BELOW_FLOOR
    assert only(rows).swr_max is None


def test_a_long_weak_transmission_can_be_read_after_all() -> None:
    # Noise averages away: at the same power as above a minute is enough.
    parts = [(40, 0, 1), (0.015, 0.25, 1.5), (3, 0, 1), (60, 0.25, 1.5), (2, 0, 1)]
    short, long = ended(run([block(parts, noise_v=6e-3)]))
    assert short.swr is None
    assert long.swr_low < 1.5 < long.swr_high


def test_ramps_do_not_count_for_swr() -> None:
    # Both detectors discharge alike, which their laws read as reflection growing.
    whole = block([(1, 0, 1), (2, 4, 1.5), (2, 0, 1)])
    volts = []
    for readings, zero_v in (
        (whole.forward_v, COUPLER.forward.zero_v),
        (whole.reflected_v, COUPLER.reflected.zero_v),
    ):
        above = readings - zero_v
        above[600:] = above[599] * np.exp(-np.arange(1, len(above) - 599) * 0.005 / 0.05)
        above[200:203] = above[300] * np.array([0.3, 0.6, 0.9])
        volts.append(above + zero_v)
    row = only(run([SampleBlock(whole.time_ns, *volts)]))
    assert row.samples > 410
    assert row.settled_samples <= 410
    assert row.swr == pytest.approx(1.5, rel=0.001)
    assert row.swr_max == pytest.approx(1.5, rel=0.001)


def test_an_unsettled_transmission_is_flagged() -> None:
    # Two pairs on the way up only.
    row = only(run([block([(1, 0, 1), (0.005, 1, 1.5), (0.005, 4, 1.5), (2, 0, 1)])]))
    assert row.flags & Flag.UNSETTLED


def test_channel_and_frequency() -> None:
    parts = [(1, 0, 1), (1, 4, 1.5), (2, 0, 1), (1, 4, 1.5), (2, 0, 1), (1, 4, 1.5), (2, 0, 1)]
    count = len(block(parts))
    channel = np.full(count, 7.0)
    channel[600:] = 23.0
    channel[1200:] = np.nan
    whole = block(parts, aux={"channel": channel, "frequency_khz": 27000 + channel})
    config = Settings(station=StationOptions(channel=40, frequency_mhz=27.405))
    rows = ended(run(cut(whole, range(0, count, 77)), config))
    assert [row.channel for row in rows] == [7, 23, 40]
    assert [row.frequency_khz for row in rows] == [27007.0, 27023.0, 27405.0]
    unknown = only(run([block([(1, 0, 1), (1, 4, 1.5)])]))
    assert unknown.channel is None
    assert unknown.frequency_khz is None


def test_interrupted() -> None:
    rows = run([block([(1, 0, 1), (2.5, 4, 1.5)])], end=Flag.INTERRUPTED)
    assert only(rows).flags == int(Flag.INTERRUPTED)
    assert only(rows).end_ns == START_NS + 3_495_000_000
    assert sum(second.samples for second in seconds_of(rows)) == 500
    quiet = run([block([(1, 0, 1), (1, 4, 1.5), (2, 0, 1)])], end=Flag.INTERRUPTED)
    assert only(quiet).flags == 0


def test_clipped_pairs_are_flagged_and_left_out_of_swr() -> None:
    whole = block([(1, 0, 1), (2, 4, 1.5), (2, 0, 1)])
    forward_v = whole.forward_v.copy()
    forward_v[400:404] = 3.3
    row = only(run([SampleBlock(whole.time_ns, forward_v, whole.reflected_v, full_scale_v=3.3)]))
    assert row.flags & Flag.CLIPPED
    assert row.swr == pytest.approx(1.5, rel=0.001)


# --- the highest window, against a loop over all windows ---


def highest_by_loop(
    times: np.ndarray, settled: np.ndarray, forward: np.ndarray, reflected: np.ndarray, hold_ns: int
) -> float | None:
    floor_w = COUPLER.readable_floor_w(NOISE)
    best = None
    for k, now in enumerate(times):
        step = times[k] - times[k - 1] if k else 0
        if now - times[0] < hold_ns - step // 2:
            continue
        inside = (times > now - hold_ns) & (times <= now) & settled
        total = forward[inside].sum()
        if inside.sum() < 2 or total < floor_w * np.sqrt(inside.sum()):
            continue
        ratio = reflected[inside].sum() / total
        if inside.sum() < ((times > now - hold_ns) & (times <= now)).sum():
            ratio = min(
                ratio, confirmed_by_loop(times, settled, forward, reflected, inside, hold_ns)
            )
        best = ratio if best is None else max(best, ratio)
    return best


def confirmed_by_loop(
    times: np.ndarray,
    settled: np.ndarray,
    forward: np.ndarray,
    reflected: np.ndarray,
    inside: np.ndarray,
    hold_ns: int,
) -> float:
    """Ratio that each settled pair inside and the two before it all show; -1 if none does."""
    trusted = np.flatnonzero(settled).tolist()
    sums = np.zeros(2)
    for two_before, before, pair in zip(trusted, trusted[1:], trusted[2:], strict=False):
        if inside[pair] and times[pair] - times[two_before] <= hold_ns:
            three = [two_before, before, pair]
            sums += forward[pair] * np.array([(reflected[three] / forward[three]).min(), 1.0])
    return float(sums[0] / sums[1]) if sums[1] else -1.0


NOISE = Noise((6e-4, 6e-4), (0.0, 0.0))


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    hold_ms=st.sampled_from([5, 20, 50, 300]),
    places=st.lists(st.integers(1, 300), max_size=8),
    unsettled=st.floats(0.0, 0.9),
)
def test_highest_window_against_a_loop(
    seed: int, hold_ms: int, places: list[int], unsettled: float
) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 300))
    times = START_NS + np.cumsum(rng.choice([1, 5, 5, 5, 12], count)).astype(np.int64) * 1_000_000
    forward = rng.choice([0.05, 0.4, 4.0], count) * rng.uniform(0.8, 1.2, count)
    reflected = forward * rng.uniform(0.0, 0.3, count) ** 2
    settled = rng.uniform(size=count) > unsettled
    power = PowerBlock(
        times,
        COUPLER.forward.volts(forward),
        COUPLER.reflected.volts(reflected),
        forward,
        reflected,
        np.zeros(count, dtype=np.uint8),
        settled,
        {},
    )
    stage = Transmissions(COUPLER, 10**9, hold_ms * 10**6, None, None)
    rows: list[Row] = []
    edges = sorted({0, count, *(place for place in places if place < count)})
    for a, b in itertools.pairwise(edges):
        rows += stage.update(power[a:b], np.ones(b - a, dtype=bool), NOISE)
    row = only(rows + stage.finish())
    best = highest_by_loop(times, settled, forward, reflected, hold_ms * 10**6)
    if row.swr is None:
        assert row.swr_max is None
    elif best is None:
        assert row.swr_max == row.swr
    else:
        want = max(row.swr, float(reflection.swr(np.sqrt(max(best, 0.0)))))
        assert row.swr_max == pytest.approx(want, rel=1e-9)


def test_swr_max_sees_a_break_of_one_hold_time() -> None:
    config = Settings(watchdog=WatchdogOptions(high_swr=HighSwrOptions(limit=100, hold_ms=20)))
    parts = [(1, 0, 1), (2, 4, 1.5), (0.02, 4, 5.0), (2, 4, 1.5), (2, 0, 1)]
    assert only(run([block(parts)], config)).swr_max == pytest.approx(5.0, rel=0.01)


# --- properties ---


@given(
    watts=st.lists(st.sampled_from([0.0, 0.1, 0.15, 0.19, 0.2, 0.3]), min_size=1, max_size=40),
    places=st.lists(st.integers(0, 39), max_size=5),
)
def test_keying_has_hysteresis_whatever_the_blocks(watts: list[float], places: list[int]) -> None:
    want, down = [], False
    for power in watts:
        down = power >= 0.2 or (down and power >= 0.7 * 0.2)
        want.append(down)
    keying = Keying(0.2, 1.3)
    edges = sorted({0, len(watts), *(place % len(watts) for place in places)})
    got = [
        each
        for a, b in itertools.pairwise(edges)
        for each in keying.update(np.array(watts[a:b]), np.zeros(b - a), OwnPower())[0].tolist()
    ]
    assert got == want


def same(one: Sequence[Row], two: Sequence[Row]) -> None:
    """Compare rows that are complete, floats to 1e-9."""
    for kind in (ended, seconds_of):
        left, right = kind(one), kind(two)
        assert len(left) == len(right)
        for a, b in zip(left, right, strict=True):
            for name in a.__struct_fields__:
                x, y = getattr(a, name), getattr(b, name)
                if isinstance(x, float) and y is not None:
                    assert y == pytest.approx(x, rel=1e-9, abs=1e-12), name
                else:
                    assert x == y, name


PARTS = st.lists(
    st.tuples(
        st.sampled_from([0.005, 0.05, 0.4, 1.0, 1.495, 1.5, 1.505, 2.5]),
        st.sampled_from([0.0, 0.0, 0.16, 0.25, 4.0]),
        st.sampled_from([1.0, 1.5, 4.0]),
    ),
    min_size=1,
    max_size=10,
)


@examples(7)
@given(
    parts=PARTS,
    places=st.lists(st.integers(0, 100_000), max_size=30),
    missing=st.lists(st.integers(0, 100_000), max_size=4),
    offset_ms=st.integers(0, 999),
)
def test_the_cut_of_the_blocks_does_not_matter(
    parts: list[Part], places: list[int], missing: list[int], offset_ms: int
) -> None:
    whole = block([(0.5, 0, 1), *parts], noise_v=5e-4, start_ns=START_NS + offset_ms * 1_000_000)
    kept = np.ones(len(whole), dtype=bool)
    for place in missing:
        kept[place % len(whole) :][:61] = False
    if not kept.any():
        return
    whole = SampleBlock(*(getattr(whole, name)[kept] for name in FIELDS))
    once = run([whole])
    same(once, run(cut(whole, places)))
    same(once, run(cut(whole, range(0, len(whole), 23))))


def test_pair_by_pair_gives_the_same_rows() -> None:
    parts = [(0.3, 0, 1), (1.2, 4, 1.5), (1.0, 0, 1), (0.5, 0.25, 4.0), (1.6, 0, 1)]
    whole = block(parts, noise_v=5e-4)
    same(run([whole]), run(cut(whole, range(len(whole)))))


@pytest.mark.parametrize(
    ("watts", "swr", "pairs"), [(4.0, 1.5, 20), (1.0, 1.2, 20), (4.0, 1.5, 8), (4.0, 9.0, 8)]
)
def test_the_interval_of_noise_is_as_wide_as_the_swr_scatters(
    watts: float, swr: float, pairs: int
) -> None:
    """Transmissions of equal length, each with noise of its own: the SWR of 95 % of them lies in
    the interval that each says of itself, centred on the truth."""
    noise_v, count = 2e-3, 300
    rng = np.random.default_rng(3)
    rho = float(reflection.rho_of_swr(swr))
    levels = [
        float(port.volts(np.array([power_w]))[0])
        for port, power_w in ((COUPLER.forward, watts), (COUPLER.reflected, watts * rho**2))
    ]
    keyed = np.tile(np.repeat([0.0, 1.0, 0.0], [400, pairs, 400 - pairs]), count)
    volts = [
        np.where(keyed > 0, level, port.zero_v) + noise_v * rng.standard_normal(len(keyed))
        for level, port in zip(levels, (COUPLER.forward, COUPLER.reflected), strict=True)
    ]
    times = START_NS + 5_000_000 * np.arange(len(keyed))
    rows = ended(run([SampleBlock(times, *volts)]))
    assert len(rows) == count
    assert (max(row.settled_samples for row in rows) < 8) == (pairs == 8)
    found = np.array([(row.swr, row.swr_noise_low, row.swr_noise_high) for row in rows], float)
    measured, low, high = reflection.rho_of_swr(found).T
    scatter = float(np.std(measured))
    assert np.mean(high - low) / (2 * 1.96) == pytest.approx(scatter, rel=0.12)
    assert np.mean((low <= rho) & (rho <= high)) == pytest.approx(0.95, abs=0.05)


def test_pairs_that_scatter_beyond_noise_widen_the_interval() -> None:
    """Hum on the reflected reading: what the pairs show counts if it is more than their noise."""
    widths = []
    for hum_v in (0.0, 0.02):
        whole = block([(2, 0, 1), (2, 4, 1.5), (2, 0, 1)], noise_v=5e-4)
        wave = hum_v * np.sqrt(2) * np.sin(np.arange(len(whole)) * 1.7)
        reflected_v = whole.reflected_v + np.where(whole.forward_v > 0.5, wave, 0.0)
        row = only(run([SampleBlock(whole.time_ns, whole.forward_v, reflected_v)]))
        assert row.swr_noise_high is not None
        assert row.swr_noise_low is not None
        widths.append(row.swr_noise_high - row.swr_noise_low)
    assert widths[1] / widths[0] == pytest.approx(0.02 / 5e-4, rel=0.3)


@pytest.mark.parametrize("hold_ms", [20, 50])
@pytest.mark.parametrize("high", [3, 4, 5, 9, 10, 11])
def test_a_window_must_lie_in_the_transmission(hold_ms: int, high: int) -> None:
    """Reflection that is high for the first pairs only, whose windows begin before key-down."""
    times = START_NS + 5_000_000 * np.arange(60)
    forward = np.full(60, 4.0)
    reflected = forward * np.where(np.arange(60) < high, 0.6, 0.2) ** 2
    volts = COUPLER.forward.volts(forward), COUPLER.reflected.volts(reflected)
    settled = np.ones(60, dtype=bool)
    power = PowerBlock(times, *volts, forward, reflected, np.zeros(60, dtype=np.uint8), settled, {})
    stage = Transmissions(COUPLER, 10**9, hold_ms * 10**6, None, None)
    row = only(stage.update(power, settled, NOISE) + stage.finish())
    best = highest_by_loop(times, settled, forward, reflected, hold_ms * 10**6)
    assert best is not None
    assert row.swr_max == pytest.approx(float(reflection.swr(np.sqrt(best))), rel=1e-9)


def test_an_alarm_in_a_block_that_ends_the_transmission_names_it() -> None:
    whole = block([(1, 0, 1), (4, 4, 1.5), (0.4, 4, 10.0), (4, 0, 1)], noise_v=5e-4)
    rows = run([whole])
    (raised,) = [row for row in rows if isinstance(row, AlarmChange) and row.kind == "high-swr"]
    assert raised.start_ns == only(rows).start_ns


@pytest.mark.parametrize(
    ("apart_s", "rate_hz", "gap"),
    [(0.24, 200.0, False), (0.26, 200.0, True), (0.35, 10.0, False), (0.45, 10.0, True)],
)
def test_a_gap_is_a_quarter_second_and_four_steps(
    apart_s: float, rate_hz: float, gap: bool
) -> None:
    whole = block([(1, 0, 1), (6, 4, 1.5), (3, 0, 1)], rate_hz=rate_hz)
    first = round(4 * rate_hz)
    missing = round(apart_s * rate_hz) - 1
    keep = np.r_[:first, first + missing : len(whole)]
    times = whole.time_ns.copy()
    times[first + missing :] += round(apart_s * 1e9) - (missing + 1) * round(1e9 / rate_hz)
    row = only(run([SampleBlock(times[keep], whole.forward_v[keep], whole.reflected_v[keep])]))
    assert bool(row.flags & Flag.GAP) == gap
    seconds = (row.end_ns - row.start_ns) / 1e9 - (apart_s if gap else 0.0)
    assert row.energy_j == pytest.approx(4 * seconds, rel=1e-3)


def test_the_highest_window_is_that_of_its_own_transmission() -> None:
    """Several in one block: an open in the second or third is no matter of the others."""
    parts = [(2, 4, 1.5), (2, 0, 1), (2, 4, 5.0), (2, 0, 1), (2, 4, 2.0), (2, 0, 1)]
    rows = ended(run([block([(1, 0, 1), *parts], noise_v=2e-4)]))
    assert [row.swr_max for row in rows] == pytest.approx([1.5, 5.0, 2.0], rel=0.02)
