"""Killed 10 times at random moments under load, nothing that was committed is lost or doubled.

200 times and the figures: python -m tests.bench.torture
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.deadlines import in_time
from tests.torture import LOSS_S, torture

KILLS = 10


@pytest.mark.timeout(900)  # the lives are longer on a slow machine
def test_kills_lose_nothing_committed_and_double_nothing(tmp_path: Path) -> None:
    result = torture(tmp_path, KILLS, seed=20)
    assert result.wrong == []
    assert in_time(result.longest_loss_s, LOSS_S)
    assert result.whole > 0
    assert result.alarms_due > 0
    assert result.merged > 0
    assert result.points > 0
