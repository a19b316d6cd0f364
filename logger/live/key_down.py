"""What is said to the person at the key during a test: enough, too long, too much power. Pure."""

from __future__ import annotations

from logger.live.reading import LiveReading

ENOUGH_S = 3.0  # sufficient duration of a key-down
TOO_LONG_S = 10.0
FIT_S = 0.5  # shorter carriers are too inaccurate
USUAL_W = 10.0  # above this, the user is warned that it is too much for a test
REST_S = 1.0  # a longer key-up begins a new key-down

TOO_MUCH = "Too much power for this test: release the key."


class KeyDown:
    """A test key-down of `enough_s` with up to `most_w` watts; times of a monotonic clock."""

    def __init__(self, most_w: float = USUAL_W, enough_s: float = ENOUGH_S) -> None:
        self._most_w, self._enough_s = most_w, enough_s
        self._since_s: float | None = None
        self._keyed_s = 0.0

    def take(self, reading: LiveReading, now_s: float) -> list[str]:
        """Process a reading; return what is to be said now."""
        if not reading.keyed:
            if now_s - self._keyed_s > REST_S:
                self.restart()
            return []
        self._keyed_s = now_s
        self._since_s = now_s if self._since_s is None else self._since_s
        warnings = [TOO_MUCH] if (reading.forward_w or 0) > self._most_w else []
        if now_s - self._since_s > max(TOO_LONG_S, self._enough_s + ENOUGH_S):
            warnings.append("Long enough: release the key now.")
        elif now_s - self._since_s > self._enough_s:
            warnings.append("Enough: release the key.")
        return warnings

    def restart(self) -> None:
        """Forget the present key-down."""
        self._since_s = None
