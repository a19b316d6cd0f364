"""When the coupler was calibrated and verified, and when the next verification is due."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from logger.errors import UsageError
from logger.utc import DAY_NS, format_ns, format_optional, parse_time
from logger.wording import count


class CalibrationDue(NamedTuple):
    """Date as in the calibration file, None without a file, and days until a check is due."""

    date: str | None
    every_days: int


class Schedule(msgspec.Struct, frozen=True, kw_only=True):
    """Times in UTC ns, None where unknown; a new calibration counts as a verification."""

    calibrated_ns: int | None
    verified_ns: int | None
    every_days: int

    @classmethod
    def of(cls, calibration: CalibrationDue, verified_ns: int | None) -> Schedule:
        """Create it from the present calibration and the time of the last verification."""
        date = calibration.date
        return cls(
            calibrated_ns=None if date is None else date_ns(date),
            verified_ns=verified_ns,
            every_days=calibration.every_days,
        )

    @property
    def due_ns(self) -> int | None:
        """Time of the next verification; None if neither date is known."""
        known = [at for at in (self.calibrated_ns, self.verified_ns) if at is not None]
        return max(known) + self.every_days * DAY_NS if known else None

    def is_overdue(self, now_ns: int) -> bool:
        """True if the time of the next verification has passed."""
        return self.due_ns is not None and self.due_ns < now_ns

    def columns(self) -> dict[str, str | None]:
        """Return the times for `status --json`."""
        return {
            "made_utc": format_optional(self.calibrated_ns),
            "verified_utc": format_optional(self.verified_ns),
            "due_utc": format_optional(self.due_ns),
        }

    def describe(self, now_ns: int) -> str:
        """Return age, last verification and due date as text."""
        parts = []
        if self.calibrated_ns is not None:
            age = max(0, now_ns - self.calibrated_ns) // DAY_NS
            parts.append(f"made {_day(self.calibrated_ns)}, {count(age, 'day')} ago")
        if self.verified_ns is not None:
            parts.append(f"verified {_day(self.verified_ns)}")
        if self.due_ns is not None:
            is_late = self.is_overdue(now_ns)
            parts.append(
                f"verification {'overdue since' if is_late else 'due'} {_day(self.due_ns)}"
            )
        return "; ".join(parts) or "date unknown"


def date_ns(date: str) -> int | None:
    """Return the date of a calibration file as UTC ns; None if it cannot be read."""
    try:
        return parse_time(date, 0)
    except UsageError:
        return None


def reminder(due_ns: int) -> str:
    """Return the reminder of a verification that was due."""
    return f"check of the coupler overdue since {_day(due_ns)}: `mismatchd verify`"


def _day(time_ns: int) -> str:
    return format_ns(time_ns)[:10]
