"""A halved power of a foreign history, as `tests/bench/foreign_causes.py` judges it (10 s).

Four weeks of a station; `test_level_changes.py` has the other changes of power and gain.
"""

from __future__ import annotations

from pathlib import Path

from tests.bench.foreign_causes import describe, outcomes

FM_ON_THREE_CHANNELS = 18


def test_a_halved_power_is_told_within_two_days_and_named(tmp_path: Path) -> None:
    (one,) = outcomes(["power-halved"], FM_ON_THREE_CHANNELS, 1.0, tmp_path)
    assert one.is_right, describe(one)
    assert one.days is not None, describe(one)
    assert one.days <= 2.0, describe(one)
    assert all(days >= 0 for _, days in one.alarms), describe(one)
