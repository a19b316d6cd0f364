"""Killed again and again at random moments under load, nothing committed is lost or doubled.

200 times and the figures: python -m tests.bench.torture
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.deadlines import in_time
from tests.torture import LOSS_S, torture

pytestmark = pytest.mark.realtime

KILLS = 10  # in a round
ROUNDS = 3
# Each must have been seen; on a busy machine many lives are too short for some.
SEEN = {"whole", "alarms_due", "merged", "points"}


@pytest.mark.nightly
@pytest.mark.timeout(900)  # the lives are longer on a slow machine
def test_kills_lose_nothing_committed_and_double_nothing(tmp_path: Path) -> None:
    seen: set[str] = set()
    for seed in range(20, 20 + ROUNDS):
        folder = tmp_path / str(seed)
        folder.mkdir()
        result = torture(folder, KILLS, seed)
        assert result.wrong == []
        assert in_time(result.longest_loss_s, LOSS_S)
        seen |= {name for name in SEEN if getattr(result, name) > 0}
        if seen == SEEN:
            break
    assert seen == SEEN
