"""Rule `sudden-change` and its charts, against stations of the model and a reference chart."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.calibration.coupler import Coupler
from logger.pipeline import Pipeline
from logger.rows import AlarmChange
from logger.stages.quarters import QUARTER_NS, Quarters
from logger.watchdog.cusum import KS, Bank, limit
from logger.watchdog.sudden_change import Memory, Normal, rule
from tests.cusum_reference import first_alarm, two_sided_arl
from tests.cusum_reference import limit as exact_limit
from tests.station_model import Open, Over, Record, exact, random_station
from tests.station_model.pipeline import Settings
from tests.station_model.station import EPOCH_NS
from tests.test_excursions import blocks_of
from tests.test_store import T0, transmission


@pytest.mark.parametrize("k", KS)
@pytest.mark.parametrize("run_length", [1e4, 1e6, 4e7])
def test_limits_meet_the_integral_equation(k: float, run_length: float) -> None:
    assert limit(k, 2 * run_length) == pytest.approx(exact_limit(k, run_length), abs=0.03)


@pytest.mark.parametrize(
    ("k", "run_length", "expected"),
    [(0.25, 1e4, 14.492), (0.5, 1e6, 12.657), (1.0, 1e4, 4.160), (1.0, 1e6, 6.463),
     (2.0, 1e4, 1.948), (2.0, 1e6, 3.086)],
)  # fmt: skip
def test_limits_by_the_integral_equation(k: float, run_length: float, expected: float) -> None:
    """Solved once by `cusum_reference`."""
    assert limit(k, 2 * run_length) == pytest.approx(expected, abs=0.016)


def test_a_published_run_length() -> None:
    # k = 0.5, h = 4: ARL 168 in control (tests/references/arl.csv); two sides make one run of 168.
    assert two_sided_arl(0.5, 4.0, 0.0) == pytest.approx(168, abs=1)
    assert limit(0.5, 2 * 168) == pytest.approx(4.0, abs=0.03)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    step=st.sampled_from([0.0, -0.5, 1.0, 2.0, -4.0]),
    cuts=st.lists(st.integers(1, 399), max_size=8),
)
def test_the_charts_are_those_of_one_number_at_a_time(
    seed: int, step: float, cuts: list[int]
) -> None:
    values = np.random.default_rng(seed).standard_normal(400)
    values[200:] += step
    run_length = 5000.0
    alarms = [first_alarm(values.tolist(), k, limit(k, 2 * len(KS) * run_length)) for k in KS]
    expected = min((at for at in alarms if at is not None), default=None)
    bank = Bank(run_length)
    begin, found, since = 0, None, 0
    for end in sorted({*cuts, 400}):
        change = bank.update(values[begin:end])
        if change is not None:
            found, since = begin + change.at, begin + change.since
            break
        begin = end
    assert found == expected
    whole = Bank(run_length).update(values)
    if whole is not None:
        assert since == whole.since


def played(mode: str, ohm: float | None, until_s: float | None = None) -> tuple[Record, Coupler]:
    """Overs on one channel, in the last of which a contact gets worse."""
    rng = np.random.default_rng(7)
    station = random_station(rng, sway=0.05)
    overs = [Over(at, at + 18.0, mode, 20, 4.0, seed=int(at)) for at in range(10, 170, 25)]
    end_s = overs[-1].end_s + 1.0 if until_s is None else until_s
    # In the middle of the last.
    opens = [] if ohm is None else [Open(overs[-1].start_s + 9.0, end_s, ohm)]
    record = station.record(rng, overs, opens, since_s=1.0, until_s=185.0)
    return record, Coupler(exact(station.coupler))


def changes_of(played_: tuple[Record, Coupler], size: int = 4000) -> list[AlarmChange]:
    record, coupler = played_
    pipeline = Pipeline(Settings(), coupler)
    rows = []
    for block in blocks_of(record, range(0, len(record), size)):
        rows += pipeline.process(block)
    rows += pipeline.finish()
    return [row for row in rows if isinstance(row, AlarmChange) and row.kind == "sudden-change"]


def seconds_of(changes: Sequence[AlarmChange]) -> list[tuple[str, float]]:
    return [(row.change, (row.time_ns - EPOCH_NS) / 1e9) for row in changes]


@pytest.mark.parametrize(("mode", "ohm"), [("fm", 40.0), ("am", 40.0), ("ssb", 60.0)])
def test_worsening_contact_is_detected_and_cleared_with_the_transmission(
    mode: str, ohm: float
) -> None:
    raised, cleared = changes_of(played(mode, ohm))
    step_s = 160.0 + 9.0
    assert seconds_of([raised])[0][0] == "raised"
    assert step_s < seconds_of([raised])[0][1] <= step_s + 2.0
    assert "within one transmission" in raised.detail
    assert seconds_of([cleared])[0] == ("cleared", pytest.approx(178.0, abs=1.0))


def test_return_of_the_level_clears_the_alarm() -> None:
    raised, cleared = changes_of(played("fm", 40.0, until_s=173.0))
    assert seconds_of([raised])[0][1] <= 170.0
    assert cleared.detail == "the level is back to what it was"
    assert seconds_of([cleared])[0][1] == pytest.approx(175.0, abs=0.6)


@pytest.mark.parametrize("mode", ["fm", "am", "ssb"])
def test_sound_station_raises_nothing(mode: str) -> None:
    assert changes_of(played(mode, None)) == []


@pytest.mark.parametrize("size", [19, 97, 100_000])
def test_size_of_the_blocks_does_not_matter(size: int) -> None:
    whole = played("fm", 40.0)
    assert changes_of(whole) != []
    assert changes_of(whole, size) == changes_of(whole)


def quarters_of(
    start_ns: np.ndarray, place: np.ndarray, ratio: np.ndarray, variance: float
) -> Quarters:
    """Consecutive quarters without pairs, from the first start."""
    count = len(ratio)
    return Quarters(
        number=start_ns[0] // QUARTER_NS + np.arange(count),
        start_ns=start_ns,
        place=place,
        ratio=ratio,
        variance=np.full(count, variance),
        doubt=np.zeros(count),
        usual=np.full(count, np.nan),
        restless=np.zeros(count),
        forward_w=np.ones(count),
        first=np.zeros(count + 1, dtype=np.int64),
        pairs=None,  # type: ignore[arg-type]
    )


def test_a_converter_that_reads_nothing_without_noise_blinds_no_chart() -> None:
    count = 80
    ratio = np.where(np.arange(count) < count // 2, 0.0, 0.1)
    quarters = quarters_of(np.zeros(count, dtype=np.int64), np.full(count, ""), ratio, 0.0)
    watch = rule(Settings().watchdog, Memory(), active=False)
    (found,) = watch.quarters(quarters)
    assert found.change == "raised"


def test_with_several_channels_the_alarm_is_cleared_after_the_last() -> None:
    """In one transmission the station changes its channel, and then the reflection grows."""
    count, changed, grown = 120, 40, 80
    index = np.arange(count)
    start_ns = np.where(index < changed, T0, T0 + changed * QUARTER_NS)
    place = np.where(index < changed, "19", "20")
    quarters = quarters_of(start_ns, place, np.where(index < grown, 0.01, 0.1), 1e-8)
    watch = rule(Settings().watchdog, Memory(), active=False)
    (raised,) = watch.quarters(quarters)
    (cleared,) = watch.row(transmission(T0, end_ns=T0 + count * QUARTER_NS), 0)
    assert raised.time_ns >= T0 + grown * QUARTER_NS
    assert (cleared.change, cleared.time_ns) == ("cleared", (T0 // QUARTER_NS + count) * QUARTER_NS)


def test_levels_from_before_a_repair_are_forgotten() -> None:
    memory = Memory({"5": Normal(levels=9.0, level=0.2, scatter=1e-4)})
    watch = rule(Settings().watchdog, memory, active=False)
    for work_ns, levels in ((0, 9.0), (T0 - 1, 0.0)):
        watch.row(transmission(T0), work_ns)
        assert memory.channels["5"].levels == levels


@pytest.mark.parametrize("rate", [1.0, 50.0])
def test_false_alarms_are_shared_over_a_year_of_eight_hours_a_day(rate: float) -> None:
    """A shift of which each quarter says half a deviation: Page's sum of k = 0.25 on either side,
    one of four charts, takes as long as its limit says. Nothing has been learned."""
    count, before, level = 13_000, 12_000, 0.2
    # A quarter scatters by 0.01 and a tenth of the level, and is correlated by a half to the next;
    # a drift of three times 0.01 is none.
    white = 0.5
    size = 0.03 + 0.03 * white * np.sqrt(1 - 0.5**2) / (1 - 0.5)
    rho = level + size * (np.arange(count) >= before)
    quarters = quarters_of(np.full(count, 10**18), np.full(count, "20"), rho**2, 0.0)
    options = msgspec.convert(
        {"sudden_change": {"false_alarms_per_year": rate}}, type(Settings().watchdog)
    )
    raised = rule(options, Memory(), active=False).quarters(quarters)[0]
    taken = raised.time_ns // 250_000_000 - 4_000_000_000 - before
    run_length = 365.25 * 8 * 3600 * 4 / rate
    assert taken == pytest.approx(limit(0.25, 2 * 4 * run_length) / (white - 0.25), rel=0.06)
