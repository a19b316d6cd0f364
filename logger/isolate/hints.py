"""Faults made more likely by the diagnosis of the newest alarm."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from logger.diagnosis import diagnosis_of
from logger.diagnosis.rules import NOTHING
from logger.diagnosis.scoring import LIKELY
from logger.isolate.chain import Mode
from logger.store.reader import Store
from logger.store.tables import ALARMS

SHAPE = 2.0  # weight that a certain diagnosis adds to the modes it names
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
    """Diagnosis of an alarm: its likeliest cause as text, and the weights of modes."""

    alarm: int
    title: str
    weights: dict[str, float]


def weights(odds: Mapping[str, float]) -> dict[str, float]:
    """Return the factor by which the odds of causes raise each mode; factors of 1 are omitted."""
    found: dict[str, float] = {}
    for cause, modes in MODES.items():
        for mode in modes:
            more = SHAPE * odds.get(cause, 0.0)
            if more:
                found[mode.value] = found.get(mode.value, 1.0) + more
    return found


def newest(store: Store) -> Hint | None:
    """Return the hint of the newest open alarm if one cause is likely. Raises StoreError."""
    rows = store.select(ALARMS, "r.cleared_ns IS NULL ORDER BY r.raised_ns DESC LIMIT 1")
    if not rows:
        return None
    diagnosis = diagnosis_of(store, rows[0].columns)
    cause, odds = next(iter(diagnosis.odds.items()), (NOTHING, 0.0))  # the likeliest is first
    found = weights(diagnosis.odds) if cause != NOTHING and odds >= LIKELY else {}
    if not found:
        return None
    return Hint(rows[0].columns["id"], diagnosis.causes[0].title, found)
