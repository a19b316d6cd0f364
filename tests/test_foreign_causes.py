"""Power and gain changes of foreign histories, as `tests/bench/foreign_causes.py` judges them.

Four weeks of a station, three of them played once for all faults: about 10 s.
"""

from __future__ import annotations

from pathlib import Path

from tests.bench.foreign_causes import LEVEL_FAULTS, describe, outcomes

FM_ON_THREE_CHANNELS = 18


def test_power_and_gain_changes_are_told_within_two_days_and_named(tmp_path: Path) -> None:
    for one in outcomes(LEVEL_FAULTS, FM_ON_THREE_CHANNELS, 1.5, tmp_path):
        assert one.is_right, describe(one)
        assert one.days is not None, describe(one)
        assert one.days <= 2.0, describe(one)
        assert all(days >= 0 for _, days in one.alarms), describe(one)
