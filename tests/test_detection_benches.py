"""What the benches of detection count, on cases made by hand (under 1 s)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.bench.delay import charts, tuned
from tests.bench.excursions import Case, by_hindsight, cases, in_time, match
from tests.coupler_model import FULL_SCALE_V
from tests.station_model import Open, Over, exact, random_station
from tests.station_model.pipeline import blocks

SAMPLE_S = 0.005


def case(start_s: float, end_s: float, readable: tuple[float, float] | None = None) -> Case:
    return Case(start_s, end_s, 500.0, 0.8, readable, readable is not None)


def test_matches_pieces_and_false_ones() -> None:
    opens = [case(10.0, 10.1), case(20.0, 20.02)]
    found = [(10.0, 0.04), (10.07, 0.03), (15.0, 0.1), (20.024, 0.0), (30.0, 0.01)]
    whose, pieces, false = match(opens, found, SAMPLE_S)
    assert whose == [(10.0, 0.04), (20.024, 0.0)]
    assert (pieces, false) == (1, 2)
    assert match(opens, [(20.03, 0.1)], SAMPLE_S) == ([None, None], 0, 1)
    # One that covers both stands for both.
    assert match(opens, [(9.0, 12.0)], SAMPLE_S)[0] == [(9.0, 12.0)] * 2


@pytest.mark.parametrize(
    ("found", "right"),
    [
        ((10.002, 0.095), True),  # first and last pair inside
        ((10.002, 0.1), True),  # with the time to the next pair
        ((9.994, 0.1), False),
        ((10.009, 0.09), False),
        ((10.002, 0.085), False),
        ((10.002, 0.105), False),
    ],
)
def test_in_time_under_a_carrier(found: tuple[float, float], right: bool) -> None:
    assert in_time(case(10.0, 10.1, (10.002, 10.097)), found, SAMPLE_S) == right


def test_in_time_under_speech() -> None:
    # Readable only in the middle: both the open and what could be read of it are right.
    one = case(10.0, 10.1, (10.04, 10.06))
    assert in_time(one, (10.04, 0.02), SAMPLE_S)
    assert in_time(one, (10.0, 0.1), SAMPLE_S)
    assert not in_time(one, (10.05, 0.01), SAMPLE_S)
    assert not in_time(one, (10.0, 0.12), SAMPLE_S)


def test_truth_of_a_record_and_a_look_in_hindsight() -> None:
    rng = np.random.default_rng(1)
    station = random_station(rng)
    opens = [Open(4.0, 4.05, 800.0), Open(7.0, 7.01, 3000.0), Open(9.0011, 9.0013, 500.0)]
    record = station.record(rng, [Over(2.0, 12.0, "fm", 20, 4.0)], opens, since_s=-60.0)
    told = cases(station, record, 0.05)
    assert [one.ohm for one in told] == [800.0, 3000.0]  # the last fell between two pairs
    assert all(one.keyed and one.change > 0.5 for one in told)
    found = by_hindsight(record.t, record.forward_v, record.reflected_v, exact(station.coupler))
    whose, pieces, false = match(told, found, SAMPLE_S)
    assert (pieces, false) == (0, 0)
    assert all(
        own is not None and in_time(one, own, SAMPLE_S)
        for one, own in zip(told, whose, strict=True)
    )


def test_blocks_are_the_record() -> None:
    rng = np.random.default_rng(2)
    station = random_station(rng)
    record = station.record(rng, [Over(2.0, 8.0, "ssb", 10, 12.0, seed=1)])
    cut = list(blocks(station, record, 333))
    assert np.concatenate([block.time_ns for block in cut]).tolist() == record.time_ns.tolist()
    volts = np.concatenate([block.reflected_v for block in cut])
    assert volts.tolist() == record.reflected_v.tolist()
    assert volts.max() < FULL_SCALE_V
    assert {*np.concatenate([block.aux["channel"] for block in cut])} == {10.0}


@given(
    st.lists(st.floats(-3, 3), min_size=1, max_size=60),
    st.floats(0.1, 2.0),
    st.floats(0.5, 6.0),
)
def test_chart_in_one_sweep(numbers: list[float], k: float, h: float) -> None:
    # Away from sums that rounding would put on either side of the limit.
    by_sweep = charts({k: h})(np.array(numbers))
    assert by_sweep in {tuned(k, limit)(np.array(numbers)) for limit in (h - 1e-9, h, h + 1e-9)}
