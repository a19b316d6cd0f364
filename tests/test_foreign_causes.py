"""A fast part of `tests/bench/foreign_causes.py`, judged by the same bars (20 s).

Weeks of two stations by formulas that the product does not share: faults of every kind on one that
uses three channels, and sound use of one with a single channel, where less can be compared.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.foreign_causes import (
    LEVEL_FAULTS,
    MOST_BLAME,
    MOST_DAYS,
    Outcome,
    blame,
    describe,
    outcomes,
)

FM_ON_THREE_CHANNELS = 18
FM_ON_ONE_CHANNEL = 1004
MINUTES_A_DAY = 1.0
FAULTS = (*LEVEL_FAULTS, "element-slipped", "hot-joint", "line-open", "loose-plug")
SOUND = ("sound-wet-days",)
Outcomes = dict[str, Outcome]


@pytest.fixture(scope="module")
def faults(tmp_path_factory: pytest.TempPathFactory) -> Outcomes:
    folder = tmp_path_factory.mktemp("faults")
    found = outcomes(FAULTS, FM_ON_THREE_CHANNELS, MINUTES_A_DAY, folder)
    return {one.planted: one for one in found}


@pytest.mark.nightly
@pytest.mark.parametrize("cause", FAULTS)
def test_the_planted_cause_is_named_first(cause: str, faults: Outcomes) -> None:
    assert faults[cause].is_right, describe(faults[cause])


@pytest.mark.parametrize("cause", LEVEL_FAULTS)
def test_power_and_gain_changes_are_told_within_two_days(cause: str, faults: Outcomes) -> None:
    one = faults[cause]
    assert one.days is not None, describe(one)
    assert one.days <= MOST_DAYS, describe(one)


def test_nothing_is_told_before_the_fault(faults: Outcomes) -> None:
    for one in faults.values():
        assert all(days >= 0 for _, days in one.alarms), describe(one)


@pytest.mark.nightly
@pytest.mark.parametrize("kind", SOUND)
def test_nothing_is_blamed_on_a_sound_station(kind: str, tmp_path: Path) -> None:
    (one,) = outcomes([kind], FM_ON_ONE_CHANNEL, MINUTES_A_DAY, tmp_path)
    assert blame(one.diagnosis.odds) <= MOST_BLAME, describe(one)
    assert not one.alarms, describe(one)
