"""Faults: one trouble of feedline, instrument or data, from its first sign until verified gone.

Alarms and excursions are the signs of a fault. The tracker is the last of the stages: it is fed
with rows in order of time and knows no clock, no thread and no store.
"""

from logger.faults.memory import KIND, redate
from logger.faults.tracker import FaultTracker

__all__ = ["KIND", "FaultTracker", "redate"]
