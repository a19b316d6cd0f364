"""When the silence of a link means that it hangs. Pure: times in seconds of any even clock."""

from __future__ import annotations

FIRST_S = 2.0  # a silence this long, of a link that flowed, is not waited for any longer
FLOW_S = 5.0  # a link flows once it has gone so long without such a silence
STEADY_S = 60.0  # flowing so long again, it is forgiven that it hung
HEALED_S = 5.0  # what comes within this of opening it again came because of that
LONGEST_S = 600.0


class SilenceDetector:
    """Told of data and of openings, says when to close a link and open it again.

    Each attempt that does not bring lasting flow doubles the wait for the next, so that a bridge
    that has nothing to say is not reset for ever. One that speaks up by itself after a silence is
    quiet by nature, and is given twice that silence from then on.
    """

    def __init__(self) -> None:
        self._limit_s = FIRST_S
        self._attempts = 0
        self._flowed = False  # has ever flowed: else silence says nothing
        self._flow_s: float | None = None  # since when it flows
        self._last_s: float | None = None  # the last data
        self._opened_s: float | None = None  # opened again because of silence

    def data(self, now_s: float) -> None:
        """Something has come."""
        gap_s = 0.0 if self._last_s is None else now_s - self._last_s
        self._last_s = now_s
        if self._flow_s is None or gap_s > self._limit_s:
            self._flow_s = now_s
        if gap_s > self._limit_s and self._flowed:
            healed = self._opened_s is not None and now_s - self._opened_s <= HEALED_S
            if not healed:
                self._limit_s = min(2 * gap_s, LONGEST_S)
        flows_s = now_s - self._flow_s
        self._flowed = self._flowed or flows_s >= FLOW_S
        if flows_s >= STEADY_S:
            self._attempts = 0

    def opened(self, now_s: float) -> None:
        """The link is open again, for whatever reason."""
        self._opened_s = now_s

    def silence_s(self, now_s: float) -> float | None:
        """How long nothing has come, if that is too long; else None."""
        if not self._flowed or self._last_s is None:
            return None
        since_s = max(self._last_s, self._opened_s or self._last_s)
        if now_s - since_s < min(self._limit_s * 2.0**self._attempts, LONGEST_S):
            return None
        return now_s - self._last_s

    def given_up(self) -> None:
        """The link is being closed because of its silence."""
        self._attempts = min(self._attempts + 1, 20)
