"""What the diagnosis of the newest alarm makes likelier."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from logger.diagnosis import diagnosis_of
from logger.isolate.chain import Mode
from logger.store.database import Store
from logger.store.tables import ALARMS

SHAPE = 2.0  # how much a sure diagnosis adds to the weight of what it names
MODES = {
    "open-or-short": (Mode.OPEN, Mode.SHORT),
    "intermittent-contact": (Mode.OPEN, Mode.POOR),
    "hot-joint": (Mode.POOR,),
    "wet-line": (Mode.LOSSY,),
    "antenna-moved": (Mode.DETUNED,),
    "transmitter-change": (Mode.DEAD,),
    "coupler-fault": (Mode.FALSE, Mode.DEAD),
}


class Hint(NamedTuple):
    """An alarm's diagnosis: its likeliest cause in words and the weights of modes."""

    alarm: int
    title: str
    weights: dict[str, float]


def weights(odds: Mapping[str, float]) -> dict[str, float]:
    """How many times likelier each mode is by the odds of causes; those of 1 are left out."""
    found: dict[str, float] = {}
    for cause, modes in MODES.items():
        for mode in modes:
            more = SHAPE * odds.get(cause, 0.0)
            if more:
                found[mode.value] = found.get(mode.value, 1.0) + more
    return found


def newest(store: Store) -> Hint | None:
    """Of the newest alarm that has not cleared, if its diagnosis is sure. Raises StoreError."""
    rows = store.select(ALARMS, "r.cleared_ns IS NULL ORDER BY r.raised_ns DESC LIMIT 1")
    if not rows:
        return None
    diagnosis = diagnosis_of(store, rows[0].columns)
    found = weights(diagnosis.odds) if diagnosis.sure else {}
    if not found:
        return None
    return Hint(rows[0].columns["id"], diagnosis.causes[0].title, found)
