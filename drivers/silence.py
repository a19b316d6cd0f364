"""Detection of a hung link from its silence. Pure: times in seconds of any steady clock."""

from __future__ import annotations

FIRST_S = 2.0  # first limit: silence of a flowing link beyond which it is reopened
FLOW_S = 5.0  # a link flows after this long without such a silence
STEADY_S = 60.0  # after flowing this long, earlier hang-ups are forgotten
HEALED_S = 5.0  # data within this time after a reopening is attributed to it
LONGEST_S = 600.0


class SilenceDetector:
    """Decides from data and openings when to close a link and reopen it.

    Each attempt that does not restore lasting flow doubles the wait for the next, so that a bridge
    with nothing to send is not reset repeatedly. A link that resumes unaided after a silence is
    treated as intermittent: its limit becomes twice that silence.
    """

    def __init__(self) -> None:
        self._limit_s = FIRST_S
        self._attempts = 0
        self._flowed = False  # has flowed at least once: before that, silence means nothing
        self._flow_s: float | None = None  # start of the flow
        self._last_s: float | None = None  # time of the last data
        self._opened_s: float | None = None  # time of the last reopening because of silence

    def note_data(self, now_s: float) -> None:
        """Note the arrival of data."""
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

    def note_opened(self, now_s: float) -> None:
        """Note that the link is open again, for any reason."""
        self._opened_s = now_s

    def silence_s(self, now_s: float) -> float | None:
        """Return the length of the silence in seconds if it is too long; else None."""
        if not self._flowed or self._last_s is None:
            return None
        since_s = max(self._last_s, self._opened_s or self._last_s)
        if now_s - since_s < min(self._limit_s * 2.0**self._attempts, LONGEST_S):
            return None
        return now_s - self._last_s

    def note_attempt(self) -> None:
        """Note that the link is being closed because of its silence."""
        self._attempts = min(self._attempts + 1, 20)
