"""Diagnosis of one alarm."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from logger.cautions import AT_PLACE
from logger.diagnosis import words
from logger.diagnosis.evidence import gather
from logger.diagnosis.history import read
from logger.diagnosis.rules import NOTHING, PASSING, SILENT, SILENT_PATTERN
from logger.diagnosis.scoring import LIKELY, CautionedCheck, Diagnosis, diagnose
from logger.errors import StoreError
from logger.store.reader import Store
from logger.utc import parse_time

NO_DATA = "no-data"


def diagnosis_of(store: Store, alarm: Mapping[str, Any], now_ns: int | None = None) -> Diagnosis:
    """Diagnose an alarm from the rows of the store around it. Raise StoreError.

    The alarm is given as its exported columns; rows after `now_ns`, if given, are ignored.
    """
    if alarm["kind"] == NO_DATA:
        silent = tuple(
            CautionedCheck(check.text, AT_PLACE[check.place].full, AT_PLACE[check.place].short)
            for check in SILENT
        )
        return Diagnosis(SILENT_PATTERN, False, (), silent, (), {})
    raised_ns = parse_time(alarm["raised_utc"], 0)
    found = diagnose(gather(read(store, raised_ns, now_ns), raised_ns))
    if found.odds[NOTHING] < LIKELY:
        return found
    return msgspec.structs.replace(found, pattern=PASSING)


def advice(path: Path, alarm: Mapping[str, Any]) -> list[str]:
    """Return the diagnosis as a few sentences for a message.

    The list is empty if the store at `path` cannot be read.
    """
    try:
        with Store.reader(path) as store:
            return words.sentences(diagnosis_of(store, alarm))
    except StoreError:
        return []
