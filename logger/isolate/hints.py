"""Faults made more likely by the diagnosis of the newest alarm."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from logger.diagnosis.alarms import diagnose_first
from logger.isolate.chain import Mode
from logger.store.reader import Store

SHAPE = 2.0  # weight that a certain diagnosis adds to the modes it names
MODES = {
    "open-or-short": (Mode.OPEN, Mode.SHORT),
    "intermittent-contact": (Mode.OPEN, Mode.POOR),
    "hot-joint": (Mode.POOR,),
    "wet-line": (Mode.LOSSY,),
    "antenna-moved": (Mode.DETUNED,),
    "transmitter-change": (Mode.DEAD,),
    "coupler-fault": (Mode.FALSE, Mode.DEAD),
    "shack-temperature": (Mode.DETECTOR, Mode.FALSE),
}


class Hint(NamedTuple):
    """Diagnosis of an alarm: its likeliest cause as text, and the weights of modes."""

    alarm: int | None
    title: str
    weights: dict[str, float]


def weights(odds: Mapping[str, float]) -> dict[str, float]:
    """Return the factor by which the odds of causes raise each mode; factors of 1 are omitted."""
    factors: dict[str, float] = {}
    for cause, modes in MODES.items():
        if odds.get(cause):
            for mode in modes:
                factors[mode.value] = factors.get(mode.value, 1.0) + SHAPE * odds[cause]
    return factors


def newest(store: Store) -> Hint | None:
    """Return the hint of the newest open alarm that has a likely cause. Raises StoreError."""
    diagnosed = diagnose_first(store, reversed(store.open_alarms()))
    if diagnosed is None or diagnosed[1].likely_cause is None:
        return None
    alarm, diagnosis = diagnosed
    factors = weights(diagnosis.odds)
    return Hint(alarm.id, diagnosis.causes[0].title, factors) if factors else None
