"""A session of adjusting: positions in turn, each with its readings. No clocks, no threads."""

from __future__ import annotations

import msgspec

from logger.tune.advice import TuningAdvice, advise
from logger.tune.estimate import Posterior, estimate
from logger.tune.positions import Adjustment, ChannelReading, Position, span_khz

LEAST, USUAL = 2, 3  # frequencies at a position: without which nothing is said; low, middle, high


class TuningState(msgspec.Struct):
    """All that is kept; positions in the order in which they were set.

    target_khz  where it is to be resonant; None: in the middle of what is keyed
    loss_db     of the line, where it is known
    """

    adjustment: Adjustment
    target_khz: float | None = None
    loss_db: float | None = None
    positions: list[Position] = msgspec.field(default_factory=list)

    @property
    def read(self) -> list[Position]:
        """The positions with enough readings to say something."""
        return [one for one in self.positions if len(frequencies(one)) >= LEAST]

    @property
    def target(self) -> float:
        """Where it is to be resonant, kHz; needs a reading."""
        if self.target_khz is not None:
            return self.target_khz
        low, high = span_khz(self.read)
        return float((low * high) ** 0.5)

    def posterior(self) -> Posterior:
        """What is known of the antenna; needs a position in `read`."""
        return estimate(self.adjustment, self.read, self.loss_db)


class TuningSession:
    """Readings go into the last position."""

    def __init__(self, state: TuningState) -> None:
        self.state = state

    @property
    def here(self) -> Position:
        """The position it is set to."""
        return self.state.positions[-1]

    @property
    def ready(self) -> bool:
        """Whether something can be said of this position."""
        return len(frequencies(self.here)) >= LEAST

    @property
    def complete(self) -> bool:
        """Whether all is keyed that was keyed at the first position, or low, middle and high."""
        first = frequencies(self.state.positions[0])
        wanted = USUAL if len(self.state.positions) == 1 else min(USUAL, max(LEAST, len(first)))
        return len(frequencies(self.here)) >= wanted

    @property
    def next_khz(self) -> float | None:
        """What is probably keyed next: as at the position before."""
        done = frequencies(self.here)
        if len(self.state.positions) > 1:
            before = self.state.positions[-2].readings
            return next((r.frequency_khz for r in before if r.frequency_khz not in done), None)
        return None

    def set(self, setting: float, advised: float | None = None) -> None:
        """Note where it is set now, and where it was advised to be set."""
        if self.state.positions and not self.here.readings:
            self.here.setting = setting
        else:
            self.state.positions.append(Position(setting, advised=advised))

    def take(self, reading: ChannelReading) -> None:
        """A transmission was caught."""
        self.here.readings.append(reading)

    def forget(self) -> ChannelReading | None:
        """The last reading at this position does not count; what it was, if there is one."""
        return self.here.readings.pop() if self.here.readings else None

    def advice(self) -> TuningAdvice:
        """What to do next; needs `ready`."""
        state = self.state
        return advise(state.adjustment, state.read, state.posterior(), state.target)


def frequencies(position: Position) -> set[float]:
    """What was keyed there."""
    return {each.frequency_khz for each in position.readings}


def kept(state: TuningState) -> bytes:
    """A state as JSON."""
    return msgspec.json.encode(state)


def found(content: bytes) -> TuningState:
    """The state that was kept. Raises msgspec.DecodeError."""
    return msgspec.json.decode(content, type=TuningState)
