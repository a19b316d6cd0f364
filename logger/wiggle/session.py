"""A wiggle session: hands off, first joint, hands off, second joint and so on.

A pure state machine over readings of the feed, timed by their own times.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from logger.live.reading import LiveReading
from logger.utc import parse_time
from logger.wiggle.movement import Movement
from logger.wiggle.ranking import Ranked, Tally, ranking

KIND = "wiggle"  # in the store
KEY_DOWN_S, LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S = 30, 5, 120  # longest key-down: default and range
MOMENT_NS = 1_000_000_000
REST_NS = 1_000_000_000  # a longer key-up starts a new key-down


class Counted(msgspec.Struct):
    """Counts for one joint, or for hands off (name "")."""

    name: str
    excursions: int = 0
    seconds: float = 0.0
    moments: set[int] = msgspec.field(default_factory=set, name="seen")  # their numbers
    departed: dict[int, float] = msgspec.field(default_factory=dict)  # largest departure by moment

    def tally(self) -> Tally:
        """Return the counts for a ranking."""
        return Tally(
            self.name,
            len(self.moments),
            len(self.departed),
            self.excursions,
            sum(self.departed.values()),
            self.seconds,
        )


class WiggleState(msgspec.Struct):
    """Stored state of a session."""

    hands_off: Counted
    joints: list[Counted]
    index: int = msgspec.field(default=0, name="at")  # of the joint that is moved, or is next
    moving: bool = False


class ReadingOutcome(msgspec.Struct, frozen=True):
    """Result of one reading."""

    departs: bool = False
    began: bool = False  # start of an excursion
    readable: bool = False
    too_long: bool = False  # key down longer than allowed: not counted


def new_state(names: Sequence[str]) -> WiggleState:
    """Return the state before anything was counted."""
    return WiggleState(Counted(""), [Counted(name) for name in names])


class WiggleSession:
    """A wiggle session; a key-down may last `limit_s`."""

    def __init__(self, state: WiggleState, limit_s: float = KEY_DOWN_S) -> None:
        self.state = state
        self.limit_s = limit_s
        self._movement = Movement()
        self._departing = False
        self._last_ns = 0
        self._down_since_ns: int | None = None
        self._keyed_ns = 0

    @property
    def is_over(self) -> bool:
        """True if all joints have been moved."""
        return self.state.index >= len(self.state.joints)

    @property
    def present(self) -> Counted:
        """The counts that readings are added to."""
        state = self.state
        return state.joints[state.index] if state.moving and not self.is_over else state.hands_off

    def go_on(self) -> None:
        """Go from hands off to the joint, or from the joint to hands off before the next."""
        if self.state.moving:
            self.state.index += 1
        self.state.moving = not self.state.moving and not self.is_over
        self._departing = False

    def again(self) -> None:
        """Restart the count of the joint moved last or being moved."""
        state = self.state
        if not state.moving and state.index > 0:
            state.index -= 1
        if not self.is_over:
            state.joints[state.index] = Counted(state.joints[state.index].name)
        state.moving = False

    def key_down_s(self) -> float:
        """Return the duration of the present key-down so far, seconds."""
        return 0.0 if self._down_since_ns is None else (self._keyed_ns - self._down_since_ns) / 1e9

    def take(self, reading: LiveReading) -> ReadingOutcome:
        """Process a reading."""
        if reading.time is None:
            return ReadingOutcome()
        now_ns = parse_time(reading.time, 0)
        since_ns, self._last_ns = self._last_ns, now_ns
        if reading.keyed:
            if self._down_since_ns is None or now_ns - self._keyed_ns > REST_NS:
                self._down_since_ns = now_ns
            self._keyed_ns = now_ns
        elif now_ns - self._keyed_ns > REST_NS:
            self._down_since_ns = None
        present = self.present
        off = self._movement.take(reading)
        if off is None:
            self._departing = False
            return ReadingOutcome()
        if self.key_down_s() > self.limit_s:
            return ReadingOutcome(readable=True, too_long=True)
        departs = off > 0
        began = departs and not self._departing
        self._departing = departs
        moment = now_ns // MOMENT_NS
        present.moments.add(moment)
        present.seconds += min(max(0, now_ns - since_ns), REST_NS) / 1e9
        if departs:
            present.departed[moment] = max(off, present.departed.get(moment, 0.0))
            present.excursions += began
        return ReadingOutcome(departs, began, readable=True)

    def ranking(self) -> list[Ranked]:
        """Return the joints moved so far, the most suspect first."""
        tallies = [joint.tally() for joint in self.state.joints if joint.moments]
        return ranking(tallies, self.state.hands_off.tally())


def restore(content: bytes) -> WiggleSession:
    """Return a session from its state as JSON; a joint in progress must be repeated.

    Raises msgspec.DecodeError.
    """
    session = WiggleSession(msgspec.json.decode(content, type=WiggleState))
    if session.state.moving:
        session.again()
    return session
