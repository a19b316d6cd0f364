"""Rule `no-data`: no pair has come for a while. Told by the passing of time, not by pairs, so a
file that ends or has holes raises nothing."""

from __future__ import annotations

from logger.watchdog.finding import Finding

KIND = "no-data"
SEVERITY = "warning"


class NoData:
    """The rule's state machine; `active` if an alarm of it is open from before."""

    def __init__(self, after_ns: int, *, active: bool) -> None:
        self._after_ns = after_ns
        self._last_ns: int | None = None
        self.active = active

    def sample(self, first_ns: int, last_ns: int) -> list[Finding]:
        """Pairs came, from `first_ns` to `last_ns`."""
        self._last_ns = last_ns
        if not self.active:
            return []
        self.active = False
        return [Finding(first_ns, "cleared", None, None, "pairs are coming again")]

    def tick(self, now_ns: int) -> list[Finding]:
        """Time has reached `now_ns` without a pair."""
        if self._last_ns is None:
            self._last_ns = now_ns
        if self.active or now_ns - self._last_ns < self._after_ns:
            return []
        self.active = True
        seconds = self._after_ns / 1e9
        detail = f"no pair for {seconds:g} s: microcontroller bridge, cable or port"
        return [Finding(self._last_ns + self._after_ns, "raised", None, seconds, detail)]
