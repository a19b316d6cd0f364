"""Which pairs are archived: all that rows are derived from, whatever the cut of the blocks."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import SampleBlock, join
from drivers.simulated.driver import SimulatedOptions
from logger.calibration.coupler import Coupler
from logger.calibration.simulated import calibration
from logger.config.load import (
    AntennaOptions,
    FaultsOptions,
    StationOptions,
    TransmissionOptions,
    WatchdogOptions,
    WeatherOptions,
)
from logger.physics import reflection
from logger.pipeline import Pipeline
from logger.rows import Memory, Row, Samples, SecondRows, Transmission
from logger.stages.selection import AFTER_NS, BEFORE_NS, BURST, EVERY_NS, Selection, ThinSample
from logger.stages.thinning import LEAST_PAIRS, Thinning
from logger.store.archive import same
from tests.examples import examples

SIMULATED = SimulatedOptions()
COUPLER = Coupler(calibration(SIMULATED.coupler, SIMULATED.adc))
STEP_V = SIMULATED.adc.step_v
START_NS = 1_767_225_600_000_000_000  # a whole minute
MINUTE_S = EVERY_NS // 10**9


class Settings(msgspec.Struct):
    """What the pipeline reads of a configuration."""

    station: StationOptions = StationOptions()
    transmission: TransmissionOptions = TransmissionOptions()
    watchdog: WatchdogOptions = WatchdogOptions()
    faults: FaultsOptions = FaultsOptions()
    weather: WeatherOptions = WeatherOptions()
    antennas: tuple[AntennaOptions, ...] = ()


def with_hang(hang_ms: float) -> Settings:
    return Settings(transmission=TransmissionOptions(hang_ms=hang_ms))


@st.composite
def streams(draw: st.DrawFn) -> SampleBlock:
    """Minutes of a station: keyed and unkeyed stretches at all powers, among them such as lie
    between the two thresholds of keying, with gaps and a converter's steps and noise."""
    rate_hz = draw(st.sampled_from([20.0, 50.0, 200.0, 1000.0]))
    longest_s = min(70.0, 6000 / rate_hz)
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    parts = draw(
        st.lists(
            st.tuples(
                st.one_of(
                    st.sampled_from([0.001, 0.05, 0.5, 1.0, 1.5, 2.0]), st.floats(0.01, longest_s)
                ),
                st.sampled_from([0.0, 0.0, 0.0, 0.15, 0.19, 0.21, 0.5, 4.0]),
                st.sampled_from([1.0, 1.5, 3.5, 8.0]),
                st.sampled_from([0.0, 0.0, 0.0, 0.3, 1.7, 2.3, 90.0]),  # gap after it
            ),
            min_size=1,
            max_size=9,
        )
    )
    times, watts, rho = [], [], []
    now_s = draw(st.floats(0, 120))
    for seconds, power_w, swr, gap_s in parts:
        count = max(1, round(seconds * rate_hz))
        times.append(now_s + np.arange(count) / rate_hz)
        watts.append(np.full(count, power_w))
        rho.append(np.full(count, float(reflection.rho_of_swr(np.array([swr]))[0])))
        now_s += count / rate_hz + gap_s
    forward_w, reflected_w = np.concatenate(watts), np.concatenate(watts) * np.concatenate(rho) ** 2
    noise = rng.normal(0.0, draw(st.sampled_from([0.0, 0.4, 1.0, 4.0])), (2, len(forward_w)))
    return SampleBlock(
        START_NS + np.rint(np.concatenate(times) * 1e6).astype(np.int64) * 1000,
        np.rint(COUPLER.forward.volts(forward_w) / STEP_V + noise[0]) * STEP_V,
        np.rint(COUPLER.reflected.volts(reflected_w) / STEP_V + noise[1]) * STEP_V,
        {"channel": np.floor(np.concatenate(times) / 7)},
        (STEP_V, STEP_V),
        SIMULATED.adc.full_scale_v,
    )


def cut(whole: SampleBlock, places: Sequence[int]) -> list[SampleBlock]:
    edges = sorted({0, len(whole), *(place % len(whole) for place in places)})
    return [whole[a:b] for a, b in itertools.pairwise(edges)]


def run_apart(
    blocks: Sequence[SampleBlock], config: Settings
) -> tuple[list[SampleBlock], list[Row]]:
    """What is archived, in the blocks it comes in, and the other rows."""
    pipeline = Pipeline(config, COUPLER)
    rows = [row for block in blocks for row in pipeline.process(block)] + pipeline.finish()
    archived = [row for row in rows if isinstance(row, Samples)]
    assert [row.begins for row in archived] == [True] + [False] * (len(archived) - 1)
    return [row.block for row in archived], [
        r for r in rows if not isinstance(r, (Samples, Memory))
    ]


def run(blocks: Sequence[SampleBlock], config: Settings) -> tuple[SampleBlock, list[Row]]:
    """What is archived in one, and the other rows."""
    archived, rows = run_apart(blocks, config)
    return join(archived), rows


def final(rows: Sequence[Row]) -> list[tuple[object, ...]]:
    """The rows that remain, in an order of their own."""
    memories = {row.rule: row for row in rows if isinstance(row, Memory)}
    remaining = [
        each
        for row in rows
        for each in (row.rows() if isinstance(row, SecondRows) else [row])
        if not isinstance(row, Memory) and (not isinstance(row, Transmission) or row.ended)
    ]
    return sorted(
        (
            (type(row).__name__, *msgspec.structs.astuple(row))
            for row in (*remaining, *memories.values())
        ),
        key=lambda row: str(row[:3]),
    )


PLACES = st.lists(st.integers(0, 100_000), max_size=15)
HANGS_MS = st.sampled_from([60, 300, 1500, 4000])


@examples(10)
@given(whole=streams(), places=PLACES, hang_ms=HANGS_MS)
def test_the_cut_of_the_blocks_does_not_matter(
    whole: SampleBlock, places: list[int], hang_ms: float
) -> None:
    config = with_hang(hang_ms)
    once, _ = run([whole], config)
    for blocks in (cut(whole, places), cut(whole, range(0, len(whole), 211))):
        assert same(run(blocks, config)[0], once)


@examples(7)
@given(whole=streams(), hang_ms=HANGS_MS)
def test_omitting_quiet_pairs_changes_no_row(whole: SampleBlock, hang_ms: float) -> None:
    """Signals of others included: power at one port only, or at the wrong one."""
    config = with_hang(hang_ms)
    rng = np.random.default_rng(len(whole))
    for swapped in (False, True):
        if swapped:
            part = rng.integers(0, 3, len(whole) // 300 + 1).repeat(300)[: len(whole)]
            forward_v = np.where(part == 1, whole.reflected_v, whole.forward_v)
            reflected_v = np.where(part == 1, whole.forward_v, whole.reflected_v)
            whole = replace(whole, forward_v=forward_v, reflected_v=reflected_v)
        _, rows = run_apart([whole], config)
        _, all_rows = run_apart(cut(whole, range(0, len(whole), LEAST_PAIRS - 1)), config)
        assert_alike(rows, all_rows)


def test_most_quiet_pairs_are_omitted() -> None:
    count = 200 * 120
    times = START_NS + np.arange(count) * 5_000_000
    noise = np.random.default_rng(1).normal(0, 1e-3, (2, count))
    forward_v = noise[0] + np.where((times - START_NS) // 10**10 == 3, 1.0, 0.0)
    needed = Thinning((0.1, 0.1), 1_500_000_000).update(SampleBlock(times, forward_v, noise[1]))
    assert needed is not None
    assert {0, count - 1, 6000 - 20, *range(6000, 8000 + 1200)} <= set(needed.tolist())
    assert len(needed) < 2000 + 1200 + 3 * 120
    for second in range(120):  # the range of the reflected reading remains
        own = slice(200 * second, 200 * second + 200)
        kept = noise[1][needed[(needed >= own.start) & (needed < own.stop)]]
        assert (kept.min(), kept.max()) == (noise[1][own].min(), noise[1][own].max())


@examples(7)
@given(whole=streams(), places=PLACES, hang_ms=HANGS_MS)
def test_the_archive_gives_the_same_archive_and_the_same_rows(
    whole: SampleBlock, places: list[int], hang_ms: float
) -> None:
    config = with_hang(hang_ms)
    archived, rows = run(cut(whole, places), config)
    again, rows_again = run([archived], config)
    assert same(again, archived)
    assert_alike(rows_again, rows)


@examples(7)
@given(
    whole=streams(),
    places=PLACES,
    marks=st.lists(st.sampled_from([(False, False), (True, False), (False, True)]), min_size=1),
    hang_ms=HANGS_MS,
)
def test_gaps_and_doubtful_times_are_archived_where_they_are(
    whole: SampleBlock, places: list[int], marks: list[tuple[bool, bool]], hang_ms: float
) -> None:
    config = with_hang(hang_ms)
    blocks = [
        replace(block, gap=gap, clock_step=doubt)
        for block, (gap, doubt) in zip(cut(whole, places), itertools.cycle(marks), strict=False)
    ]
    archived, rows = run_apart(blocks, config)
    _, rows_again = run_apart(archived, config)
    assert_alike(rows_again, rows)
    doubtful = {ns for block in blocks if block.clock_step for ns in block.time_ns.tolist()}
    for block in archived:
        assert {ns in doubtful for ns in block.time_ns.tolist()} == {block.clock_step}


def assert_alike(rows_again: Sequence[Row], rows: Sequence[Row]) -> None:
    for one, other in zip(final(rows_again), final(rows), strict=True):
        for got, want in zip(one, other, strict=True):
            # The last bits of sums depend on the cut of the blocks.
            assert got == (pytest.approx(want, rel=1e-9) if isinstance(want, float) else want)


def wanted_of(times: np.ndarray, keyed: np.ndarray, hang_ns: int) -> np.ndarray:
    """The pairs about keyed ones, by a loop over them."""
    wanted = np.zeros(len(times), dtype=bool)
    for at in np.flatnonzero(keyed):
        wanted[max(at - 1, 0) : at + 2] = True
        wanted |= (times >= times[at] - BEFORE_NS) & (times <= times[at] + hang_ns + AFTER_NS)
    return wanted


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    rate_hz=st.sampled_from([20, 100, 1000]),
    hang_ms=HANGS_MS,
    places=PLACES,
)
def test_all_pairs_about_keyed_ones_are_there(
    seed: int, rate_hz: int, hang_ms: int, places: list[int]
) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 3000))
    steps = np.full(count, 1_000_000 // rate_hz)
    steps[rng.uniform(size=count) < 0.002] = rng.integers(10_000, 5_000_000)
    times = START_NS + np.cumsum(steps) * 1000
    keyed = rng.integers(0, 2, count // 100 + 1).repeat(100)[:count].astype(bool)
    keyed &= rng.uniform(size=count) < rng.choice([0.01, 0.5, 1.0])
    whole = SampleBlock(times, np.arange(count) * 1.0, np.zeros(count))
    sample, selection = ThinSample(), Selection(hang_ms * 1_000_000)
    got, quiet = [], []
    for block in cut(whole, places):
        part = np.searchsorted(times, block.time_ns)
        down = np.flatnonzero(keyed[part])
        sampled = sample.update(block.time_ns, down)
        quiet.append(part[sampled])
        got += selection.update(block, down, sampled)
    found = np.isin(times, join(got).time_ns) if got else np.zeros(count, dtype=bool)
    if got:
        assert same(join(got), whole[found])  # in order, nothing twice
    wanted = wanted_of(times, keyed, hang_ms * 1_000_000)
    tells_noise = np.isin(np.arange(count), np.concatenate(quiet))
    assert not (wanted & ~found).any()
    assert not (tells_noise & keyed).any()
    held_back = times > times[-1] - BEFORE_NS  # what follows may still want them
    assert np.array_equal(found | held_back, wanted | tells_noise | held_back)


@pytest.mark.parametrize("rate_hz", [1, 20, 200, 1000])
def test_unkeyed_there_is_a_thin_sample(rate_hz: int) -> None:
    minutes = 10
    count = minutes * MINUTE_S * rate_hz
    times = START_NS + 17 * 10**9 + np.arange(count) * (10**9 // rate_hz)
    whole = SampleBlock(times, np.zeros(count), np.zeros(count))
    archived, rows = run(cut(whole, range(0, count, rate_hz)), Settings())
    assert rows == []
    numbers, found = np.unique(archived.time_ns // EVERY_NS, return_counts=True)
    if rate_hz == 1:  # as many as there are
        assert len(archived) >= count - 1
        return
    assert found.tolist() == [BURST] * (minutes + 1)
    for number in numbers[1:]:
        burst = archived.time_ns[archived.time_ns // EVERY_NS == number]
        assert burst[0] == number * EVERY_NS
        assert burst[-1] - burst[0] == (BURST - 1) * (10**9 // rate_hz)


def test_a_burst_waits_for_the_key_to_be_up() -> None:
    """While somebody talks over the full minute its pairs are archived anyway; the noise is that
    of the pairs that follow once the detectors have discharged."""
    count = 200 * 90
    times = START_NS + np.arange(count) * 5_000_000
    keyed = (np.arange(count) >= 200 * 55) & (np.arange(count) < 200 * 65)
    whole = SampleBlock(times, np.zeros(count), np.zeros(count))
    down = np.flatnonzero(keyed)
    chosen = ThinSample().update(times, down)
    (archived,) = Selection(1_500_000_000).update(whole, down, chosen)
    assert chosen.tolist() == [*range(BURST), *range(200 * 65 + 100, 200 * 65 + 100 + BURST)]
    assert len(archived) == BURST + 200 * (2 + 10 + 5)
