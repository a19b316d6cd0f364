"""Rule `no-data`: no pair has arrived for a time.

The rule follows the clock, not the pairs, so a file that ends or has gaps raises no alarm.
"""

from __future__ import annotations

from logger.rows import AlarmKind, ChangeKind, Severity
from logger.watchdog.rule import Finding

KIND = AlarmKind.NO_DATA
SEVERITY = Severity.WARNING


class NoData:
    """State machine of the rule; `active` if its alarm is open from before."""

    def __init__(self, after_ns: int, *, active: bool) -> None:
        self._after_ns = after_ns
        self._last_ns: int | None = None
        self.active = active

    def sample(self, first_ns: int, last_ns: int) -> list[Finding]:
        """Report the arrival of pairs from `first_ns` to `last_ns`; return the changes of state."""
        self._last_ns = last_ns
        if not self.active:
            return []
        self.active = False
        return [Finding(first_ns, ChangeKind.CLEARED, None, None, "pairs arrive again")]

    def tick(self, now_ns: int) -> list[Finding]:
        """Advance the time to `now_ns` without a pair; return the changes of state."""
        if self._last_ns is None:
            self._last_ns = now_ns
        if self.active or now_ns - self._last_ns < self._after_ns:
            return []
        self.active = True
        seconds = self._after_ns / 1e9
        detail = f"no pairs for {seconds:g} s; check the microcontroller bridge, its cable and port"
        return [Finding(self._last_ns + self._after_ns, ChangeKind.RAISED, None, seconds, detail)]
