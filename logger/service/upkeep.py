"""What is due at the station: the check of the coupler against its dummy load."""

from __future__ import annotations

import contextlib
import time

from logger.calibration.file import load
from logger.config.load import Sections
from logger.errors import CalibrationError, StoreError
from logger.store.verifications import Verifications
from logger.verification.schedule import CalibrationDue, Schedule, reminder


def calibration_due(config: Sections) -> CalibrationDue:
    """Return the date of the configured calibration file, None if it cannot be read."""
    options, date = config.calibration, None
    if options.file is not None:
        with contextlib.suppress(CalibrationError):
            date = load(options.file).date
    return CalibrationDue(date, options.verify_every_days)


def due(config: Sections) -> list[str]:
    """Return what is due, one line each; nothing if the store cannot be read."""
    try:
        with Verifications.reader(config.store.path) as store:
            schedule = Schedule.of(calibration_due(config), store.last_ns())
    except StoreError:
        return []
    due_ns = schedule.due_ns
    return [reminder(due_ns)] if due_ns is not None and due_ns < time.time_ns() else []
