"""A session: hands off, first joint, hands off, second joint and so on; one word goes on.

A pure state machine over readings of the feed, which it dates by their own times.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from logger.live.reading import LiveReading
from logger.utc import parse_time
from logger.wiggle.movement import Movement
from logger.wiggle.ranking import Ranked, Tally, ranking

KEY_DOWN_S, LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S = 30, 5, 120  # that the key may be down at a time
MOMENT_NS = 1_000_000_000
REST_NS = 1_000_000_000  # key up for so long begins a new key-down


class Counted(msgspec.Struct):
    """What has been counted for one joint, or with hands off (name "")."""

    name: str
    excursions: int = 0
    seconds: float = 0.0
    seen: set[int] = msgspec.field(default_factory=set)  # numbers of moments
    departed: dict[int, float] = msgspec.field(default_factory=dict)  # of these, by how much

    def tally(self) -> Tally:
        """The figures for a ranking."""
        return Tally(
            self.name,
            len(self.seen),
            len(self.departed),
            self.excursions,
            sum(self.departed.values()),
            self.seconds,
        )


class WiggleState(msgspec.Struct):
    """All that is worth keeping when a session is interrupted."""

    hands_off: Counted
    joints: list[Counted]
    at: int = 0  # which joint is moved, or will be next
    moving: bool = False


class Heard(msgspec.Struct, frozen=True):
    """What one reading told."""

    departs: bool = False
    began: bool = False  # an excursion
    readable: bool = False
    too_long: bool = False  # the key has been down for longer than allowed: not counted


def fresh(names: Sequence[str]) -> WiggleState:
    """The state before anything was counted."""
    return WiggleState(Counted(""), [Counted(name) for name in names])


class WiggleSession:
    """`key_down_s` is the longest that the key may be down at a time."""

    def __init__(self, state: WiggleState, key_down_s: float) -> None:
        self.state = state
        self._most_ns = round(key_down_s * 1e9)
        self._movement = Movement()
        self._departing = False
        self._last_ns = 0
        self._down_since_ns: int | None = None
        self._keyed_ns = 0

    @property
    def over(self) -> bool:
        """Whether all joints have been moved."""
        return self.state.at >= len(self.state.joints)

    @property
    def present(self) -> Counted:
        """What is being counted for."""
        state = self.state
        return state.joints[state.at] if state.moving and not self.over else state.hands_off

    def go_on(self) -> None:
        """From hands off to the joint, from the joint to hands off before the next."""
        if self.state.moving:
            self.state.at += 1
        self.state.moving = not self.state.moving and not self.over
        self._departing = False

    def again(self) -> None:
        """Count the joint that was moved last, or is being moved, afresh."""
        state = self.state
        if not state.moving and state.at > 0:
            state.at -= 1
        if not self.over:
            state.joints[state.at] = Counted(state.joints[state.at].name)
        state.moving = False

    def key_down_s(self) -> float:
        """How long the key has been down by now."""
        return 0.0 if self._down_since_ns is None else (self._keyed_ns - self._down_since_ns) / 1e9

    def take(self, reading: LiveReading) -> Heard:
        """Count a reading."""
        if reading.time is None:
            return Heard()
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
            return Heard()
        if self.key_down_s() * 1e9 > self._most_ns:
            return Heard(readable=True, too_long=True)
        departs = off > 0
        began = departs and not self._departing
        self._departing = departs
        moment = now_ns // MOMENT_NS
        present.seen.add(moment)
        present.seconds += min(max(0, now_ns - since_ns), REST_NS) / 1e9
        if departs:
            present.departed[moment] = max(off, present.departed.get(moment, 0.0))
            present.excursions += began
        return Heard(departs, began, readable=True)

    def ranking(self) -> list[Ranked]:
        """The joints moved so far, the most suspicious first."""
        moved = [each.tally() for each in self.state.joints if each.seen]
        return ranking(moved, self.state.hands_off.tally())


def kept(state: WiggleState) -> bytes:
    """A state as JSON."""
    return msgspec.json.encode(state)


def found(content: bytes) -> WiggleState:
    """The state that was kept; a joint that was half done is to be done again. Raises
    msgspec.DecodeError."""
    state = msgspec.json.decode(content, type=WiggleState)
    if state.moving:
        state.joints[state.at] = Counted(state.joints[state.at].name)
        state.moving = False
    return state
