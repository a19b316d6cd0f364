"""Diagnosis of one alarm."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import msgspec

from logger.cautions import AT_PLACE
from logger.diagnosis import words
from logger.diagnosis.evidence import gather
from logger.diagnosis.history import read
from logger.diagnosis.rules import NOTHING, PASSING, SILENT, SILENT_PATTERN
from logger.diagnosis.scoring import LIKELY, CautionedCheck, Diagnosis, diagnose
from logger.errors import StoreError
from logger.rows import Alarm, AlarmKind
from logger.store.reader import Store


def diagnosis_of(store: Store, alarm: Alarm, now_ns: int | None = None) -> Diagnosis:
    """Diagnose an alarm from the rows of the store around it. Raise StoreError.

    Rows after `now_ns`, if given, are ignored.
    """
    if alarm.kind == AlarmKind.NO_DATA:
        silent = tuple(
            CautionedCheck(check.text, AT_PLACE[check.place].full, AT_PLACE[check.place].short)
            for check in SILENT
        )
        return Diagnosis(SILENT_PATTERN, False, (), silent, (), {})
    diagnosis = diagnose(gather(read(store, alarm.raised_ns, now_ns), alarm.raised_ns))
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


def advice(path: Path, alarm: Alarm) -> list[str]:
    """Return the diagnosis as a few sentences for a message.

    The list is empty if the store at `path` cannot be read.
    """
    try:
        with Store.reader(path) as store:
            return words.sentences(diagnosis_of(store, alarm))
    except StoreError:
        return []
