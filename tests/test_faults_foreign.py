"""The tracker of faults on histories by a second author, with the alarms of the package's rules.

`tests/bench/foreign_faults.py` measures shares over many; here are some that must always be right.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from logger.rows import AlarmKind, Excursion, FaultChangeKind, FaultFamily, Transmission
from tests.bench.foreign_fault_rows import play, work_times
from tests.bench.foreign_faults import Outcome, group, judge_repair
from tests.bench.ideal_grouping import ln_odds
from tests.foreign_faults import History, one_cause, repaired
from tests.foreign_faults.causes import DetectorLoss

AFTER = 40  # transmissions after the work


@cache
def outcome_of(seed: int, sound_days: float) -> Outcome:
    history = one_cause(seed)
    return group(history, play(history, sound_days))


@cache
def repair_of(seed: int, sound_days: float) -> Outcome:
    history = repaired(seed)
    (work_ns,) = work_times(history)
    past = sum(over.start_ns < work_ns for over in history.overs)
    history = replace(history, overs=history.overs[: past + AFTER])
    return group(history, play(history, sound_days))


def test_rows_state_what_the_history_states() -> None:
    history: History = one_cause(6)
    batches = play(history, 0.0)
    rows = [row for batch in batches for row in batch.rows]
    overs = {over.start_ns: over for over in history.overs}
    transmissions = [row for row in rows if isinstance(row, Transmission)]
    assert transmissions
    for row in transmissions:
        over = overs[row.start_ns]
        assert row.swr == pytest.approx((1 + over.rho) / (1 - over.rho))
        assert row.end_ns == over.end_ns
    excursions = [row.time_ns for row in rows if isinstance(row, Excursion)]
    first_ns = transmissions[0].start_ns
    stated = [e.time_ns for over in history.overs for e in over.excursions if e.time_ns > first_ns]
    assert sorted(excursions) == stated


@pytest.mark.parametrize(
    ("seed", "sound_days", "kind"), [(3, 20.0, "hot-joint"), (5, 18.0, "detector")]
)
def test_signs_of_one_cause_are_one_fault(seed: int, sound_days: float, kind: str) -> None:
    outcome = outcome_of(seed, sound_days)
    assert outcome.kinds == kind
    assert len(outcome.own) == 1
    (story,) = outcome.own
    first, later = story.messages(outcome.history.overs[-1].end_ns)
    assert first <= 3
    assert later <= 1


def test_a_lost_gain_is_told_with_the_shift_that_it_makes() -> None:
    (story,) = outcome_of(5, 18.0).own
    kinds = {alarm.kind for alarm in story.alarms}
    assert {AlarmKind.DETECTOR_FAULT, AlarmKind.BASELINE_SHIFT} <= kinds


def test_a_bridge_unplugged_twice_is_one_fault() -> None:
    outcome = outcome_of(6, 5.0)
    (story,) = outcome.own
    assert story.family == FaultFamily.NO_DATA
    assert [change.change for change in story.changes] == [
        FaultChangeKind.OPENED,
        FaultChangeKind.QUIET,
        FaultChangeKind.RETURNED,
        FaultChangeKind.QUIET,
        FaultChangeKind.CLOSED,
    ]


def test_a_repaired_shift_is_recognised_although_its_level_moves_back() -> None:
    verdict = judge_repair(repair_of(4, 10.0))
    assert verdict is not None
    assert verdict.is_fixed
    assert not verdict.returned
    assert verdict.closed_after is not None
    assert verdict.closed_after < AFTER


def test_a_detector_that_still_reads_low_is_not_called_fixed() -> None:
    verdict = judge_repair(repair_of(17, 17.0))
    assert verdict is not None
    assert not verdict.is_fixed
    assert verdict.closed_after is None
    assert verdict.returned


def test_an_ideal_observer_knows_a_cause_that_shows_and_none_within_the_noise() -> None:
    history = one_cause(3)
    faint = DetectorLoss(history.causes[0].onset_s, change_db=-1e-3)
    history = replace(history, causes=(*history.causes, faint))
    assert ln_odds(history, 0) > 50
    assert abs(ln_odds(history, 1)) < 3
