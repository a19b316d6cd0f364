"""Diagnosis of one alarm."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from logger.diagnosis.checks import checks_without_data
from logger.diagnosis.evidence import gather
from logger.diagnosis.history import read
from logger.diagnosis.rules import NOTHING, PASSING, SILENT_PATTERN
from logger.diagnosis.scoring import LIKELY, Diagnosis, diagnose
from logger.rows import Alarm, AlarmKind
from logger.store.reader import Store


def diagnosis_of(store: Store, alarm: Alarm, now_ns: int | None = None) -> Diagnosis:
    """Diagnose an alarm from the rows of the store around it. Raise StoreError.

    Rows after `now_ns`, if given, are ignored.
    """
    if alarm.kind == AlarmKind.NO_DATA:
        return Diagnosis(SILENT_PATTERN, False, (), checks_without_data(), (), {})
    return diagnosis_at(store, alarm.raised_ns, now_ns)


def diagnosis_at(store: Store, time_ns: int, now_ns: int | None = None) -> Diagnosis:
    """Diagnose a change noticed at a time, likewise. Raise StoreError."""
    diagnosis = diagnose(gather(read(store, time_ns, now_ns), time_ns))
    if diagnosis.odds[NOTHING] < LIKELY:
        return diagnosis
    return msgspec.structs.replace(diagnosis, pattern=PASSING)


def diagnose_first(
    store: Store, alarms: Iterable[Alarm], now_ns: int | None = None
) -> tuple[Alarm, Diagnosis] | None:
    """Diagnose alarms in turn up to one with a likely cause; return it, else the first.

    None without alarms. Raise StoreError.
    """
    first = None
    for alarm in alarms:
        diagnosis = diagnosis_of(store, alarm, now_ns)
        if diagnosis.likely_cause is not None:
            return alarm, diagnosis
        first = first or (alarm, diagnosis)
    return first
