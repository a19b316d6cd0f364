"""What an alarm of a changed level of `level` suspects, as its detail says.

Alarms are stored with their detail alone, so its phrases are the record of the kind; `level` writes
them, and `suspicion_of` reads them, also those of a store.
"""

from __future__ import annotations

from enum import Enum


class Suspicion(Enum):
    """What has changed, by the phrase that each description has."""

    FORWARD = "the gain of the forward reading has changed:"
    LOAD = "or the load has suddenly improved"  # or else the gain of the reflected reading
    REFLECTED = "at the same incident power"
    POWER = "incident power reads"


def suspicion_of(detail: str) -> Suspicion | None:
    """Return what an alarm suspects, None if it is another alarm; the first that fits counts."""
    return next((item for item in Suspicion if item.value in detail), None)
