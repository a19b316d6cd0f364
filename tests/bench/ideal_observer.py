"""How soon an observer who knows the law of `tests/foreign_faults` could recognise a repair.

The observer knows the cause with all its parameters, the weather and the traffic, and that work
which fails leaves a contact open 0.6 to 1.3 times as often. All that is left to chance is whether
the trouble would have shown itself. No instrument can be quicker at the same error rate. Of causes
that change a level, the observer counts plain signs, on all channels alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tests.foreign_faults import History, MeasuredOver
from tests.foreign_faults.causes import LoosePlug, WindContact
from tests.foreign_faults.habits import Traffic

DRAWS = 60
REWORKS = np.linspace(0.6, 1.3, 15)
RECENT = 60  # transmissions before the work
ALMOST = 1e-3  # least probability of silence of a trouble that shows in each transmission


def ln_odds(history: History, number: int) -> float:
    """Return ln of the odds that so many clean transmissions after the work give a true repair."""
    work_ns = next(entry.time_ns for entry in history.journal if entry.outcome)
    after = [over for over in history.overs if over.start_ns >= work_ns][:number]
    if isinstance(history.causes[0], LoosePlug | WindContact):
        shares = _shares_with_opening(history, after)
        silence = float(np.exp(REWORKS * np.log1p(-shares).sum()).mean())
        return -math.log(max(silence, 1e-300))
    before = [bool(over.plain) for over in history.overs if over.start_ns < work_ns][-RECENT:]
    return -len(after) * math.log(max(1 - sum(before) / len(before), ALMOST))


def traffic_of(history: History, overs: Sequence[MeasuredOver]) -> Traffic:
    """Return the traffic of key-downs."""
    return Traffic(
        start_s=np.array([(over.start_ns - history.start_ns) / 1e9 for over in overs]),
        duration_s=np.array([over.duration_s for over in overs]),
        channel=np.array([over.channel for over in overs]),
        mode=np.array([over.mode for over in overs]),
        power_w=np.array([over.power_w for over in overs]),
        is_cut=np.array([over.is_cut for over in overs]),
    )


def _shares_with_opening(history: History, overs: Sequence[MeasuredOver]) -> np.ndarray:
    """Return how probable an opening in each transmission is if the work failed, (n,)."""
    rng = np.random.default_rng([6, history.seed])
    cause = replace(history.causes[0], end_s=np.inf)
    traffic = traffic_of(history, overs)
    counts = np.zeros(len(overs))
    for _ in range(DRAWS):
        openings = cause.openings(traffic, history.weather, rng)
        pair_s = 1 / history.station.pair_hz
        counts[list({item.over for item in openings if item.duration_s >= pair_s})] += 1
    return np.minimum(counts / DRAWS, 1 - ALMOST)
