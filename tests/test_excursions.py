"""Short departures of the reflection: found, told rightly, and however the stream is cut.

Signals come from the model of `tests/station_model`, which shares nothing with the package; what is
found of many random opens is measured by `tests/bench/excursions.py`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from logger.calibration.coupler import Coupler
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Excursion, Row
from logger.stages.quarters import QUARTER_NS
from tests.examples import examples
from tests.station_model import Open, Over, Record, Station, exact, random_opens, random_station
from tests.station_model.pipeline import Settings
from tests.station_model.station import EPOCH_NS

OPENS = [
    Open(13.0, 13.012, 500.0, 1.0),
    Open(15.2, 15.4, 2000.0, 1.0),
    Open(17.0, 17.05, 80.0, 1.0),
    Open(17.08, 17.1, 300.0, 1.0),
    Open(18.0, 19.8, 2000.0, 1.0),
]


def station(seed: int = 3) -> Station:
    return random_station(np.random.default_rng(seed))


def record(mode: str = "fm", opens: Sequence[Open] = OPENS, watts: float = 4.0) -> Record:
    over = Over(10.0, 22.0, mode, 20, watts, seed=4)
    return station().record(np.random.default_rng(1), [over], opens, since_s=1.0, until_s=26.0)


def blocks_of(whole: Record, cuts: Sequence[int]) -> list[SampleBlock]:
    step_v = station().converter.step_v
    edges = sorted({0, *(cut for cut in cuts if cut < len(whole)), len(whole)})
    return [
        SampleBlock(
            whole.time_ns[begin:end],
            whole.forward_v[begin:end],
            whole.reflected_v[begin:end],
            {"channel": whole.channel[begin:end]},
            (step_v, step_v),
            3.3,
        )
        for begin, end in itertools.pairwise(edges)
    ]


def rows_of(whole: Record, cuts: Sequence[int]) -> list[Row]:
    pipeline = Pipeline(Settings(), Coupler(exact(station().coupler)))
    rows = [row for block in blocks_of(whole, cuts) for row in pipeline.process(block)]
    return rows + pipeline.finish()


def excursions(rows: Sequence[Row]) -> list[Excursion]:
    return [row for row in rows if isinstance(row, Excursion)]


def seconds(row: Excursion) -> tuple[float, float]:
    begin = (row.time_ns - EPOCH_NS) / 1e9
    return begin, begin + row.duration_ms / 1e3


def test_opens_on_a_carrier_are_told_within_a_sample() -> None:
    found = excursions(rows_of(record(), []))
    # The last is no short departure; the two before it are near enough to be one or two.
    assert 3 <= len(found) <= 4
    for row, open_ in zip(found[:2], OPENS, strict=False):
        begin, end = seconds(row)
        assert begin == pytest.approx(open_.start_s, abs=0.0051)
        assert end == pytest.approx(open_.end_s, abs=0.0051)
        assert row.swr_peak > 5 > 2 > row.swr_beside
    assert seconds(found[2])[0] == pytest.approx(17.0, abs=0.0051)
    assert seconds(found[-1])[1] == pytest.approx(17.1, abs=0.0051)


@pytest.mark.parametrize("mode", ["fm", "am", "ssb"])
def test_a_sound_plug_has_none(mode: str) -> None:
    assert excursions(rows_of(record(mode, []), [])) == []


@examples(5)
@given(
    mode=st.sampled_from(["fm", "am", "ssb"]),
    cuts=st.lists(st.integers(1, 4900), max_size=60),
    seed=st.integers(0, 50),
)
def test_the_cut_of_the_blocks_is_no_matter(mode: str, cuts: list[int], seed: int) -> None:
    over = Over(10.0, 22.0, mode, 20, 4.0, seed=seed)
    rng = np.random.default_rng(seed)
    # Close together and long, so that they run into one another and over the edges of quarters.
    opens = random_opens(rng, [over], per_minute=90.0, lengths_s=(0.005, 0.6), apart_s=0.01)
    whole = station().record(rng, [over], opens, since_s=1.0, until_s=26.0)
    at_once, cut = rows_of(whole, []), rows_of(whole, cuts)
    assert excursions(cut) == excursions(at_once)
    alarms = [
        sorted(
            ((row.kind, row.change, row.time_ns, row.detail) for row in rows if is_alarm(row)),
            key=lambda alarm: (alarm[2], alarm[0]),
        )
        for rows in (at_once, cut)
    ]
    assert alarms[0] == alarms[1]


def is_alarm(row: Row) -> bool:
    return isinstance(row, AlarmChange)


def test_blocks_of_a_few_pairs_tell_each_before_the_transmission_has_ended() -> None:
    whole = record(opens=OPENS[:2])
    pipeline = Pipeline(Settings(), Coupler(exact(station().coupler)))
    late: list[int] = []
    for block in blocks_of(whole, range(0, len(whole), 8)):
        late += [
            int(block.time_ns[-1]) - row.time_ns - round(row.duration_ms * 1e6)
            for row in excursions(pipeline.process(block))
        ]
    assert len(late) == 2
    assert max(late) <= 6 * QUARTER_NS


def test_reflection_that_falls_is_an_excursion_too() -> None:
    whole = record(opens=[])
    volts = whole.reflected_v.copy()
    at = slice(*np.searchsorted(whole.t, [15.0, 15.03]))
    zero = np.median(volts[whole.t < 9.0])
    volts[at] = zero + 0.2 * (volts[at] - zero)
    fallen = Record(**{**whole.__dict__, "reflected_v": volts})
    (row,) = excursions(rows_of(fallen, []))
    assert seconds(row) == pytest.approx((15.0, 15.03), abs=0.0051)
    assert row.swr_peak < row.swr_beside
