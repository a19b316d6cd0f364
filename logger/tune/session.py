"""A tuning session: a sequence of positions with their readings. No clocks, no threads."""

from __future__ import annotations

import msgspec

from logger.tune.advice import TuningAdvice, advise
from logger.tune.estimate import Posterior, estimate
from logger.tune.positions import Adjustment, ChannelReading, Position, span_khz

KIND = "tune"  # in the store
TEST_W = 5.0  # above this, a test transmission is not at low power
LEAST, USUAL = 2, 3  # frequencies per position: minimum for advice; low, middle and high


class TuningState(msgspec.Struct):
    """Stored state of a session; positions in the order in which they were set.

    target_khz  wanted resonance; None for the middle of the frequencies keyed
    loss_db     of the line, None if unknown
    """

    adjustment: Adjustment
    target_khz: float | None = None
    loss_db: float | None = None
    positions: list[Position] = msgspec.field(default_factory=list)

    @property
    def read(self) -> list[Position]:
        """Positions with enough readings for advice."""
        return [p for p in self.positions if len(frequencies(p)) >= LEAST]

    @property
    def has_moved(self) -> bool:
        """True if readings were taken at several settings."""
        return len({position.setting for position in self.read}) > 1

    @property
    def target(self) -> float:
        """Wanted resonance, kHz; needs a reading."""
        if self.target_khz is not None:
            return self.target_khz
        low, high = span_khz(self.read)
        return float((low * high) ** 0.5)

    def posterior(self) -> Posterior:
        """Return the estimate of the antenna; needs a position in `read`."""
        return estimate(self.adjustment, self.read, self.loss_db)


class TuningSession:
    """A tuning session; readings are appended to the last position."""

    def __init__(self, state: TuningState) -> None:
        self.state = state

    @property
    def present(self) -> Position:
        """The present position."""
        return self.state.positions[-1]

    @property
    def ready(self) -> bool:
        """True if the present position has enough readings for advice."""
        return len(frequencies(self.present)) >= LEAST

    @property
    def complete(self) -> bool:
        """True if USUAL frequencies are keyed, or later as many as at the first position."""
        first = frequencies(self.state.positions[0])
        wanted = USUAL if len(self.state.positions) == 1 else min(USUAL, max(LEAST, len(first)))
        return len(frequencies(self.present)) >= wanted

    @property
    def next_reading(self) -> ChannelReading | None:
        """Reading at the position before whose frequency is probably keyed next."""
        done = frequencies(self.present)
        before = self.state.positions[-2].readings if len(self.state.positions) > 1 else []
        return next((reading for reading in before if reading.frequency_khz not in done), None)

    def set(self, setting: float, advised: float | None = None) -> None:
        """Record the present setting, and the one that was advised."""
        if self.state.positions and not self.present.readings:
            self.present.setting = setting
        else:
            self.state.positions.append(Position(setting, advised=advised))

    def take(self, reading: ChannelReading) -> None:
        """Append a reading to the present position."""
        self.present.readings.append(reading)

    def forget(self) -> ChannelReading | None:
        """Remove and return the last reading at this position, None if there is none."""
        return self.present.readings.pop() if self.present.readings else None

    def advice(self) -> TuningAdvice:
        """Return the next step; needs `ready`."""
        state = self.state
        return advise(state.adjustment, state.read, state.posterior(), state.target)


def frequencies(position: Position) -> set[float]:
    """Return the frequencies keyed at a position, kHz."""
    return {reading.frequency_khz for reading in position.readings}


def decode_state(content: bytes) -> TuningState:
    """Return a state from JSON. Raises msgspec.DecodeError."""
    return msgspec.json.decode(content, type=TuningState)


def restore(content: bytes) -> TuningSession:
    """Return a session from its state as JSON. Raises msgspec.DecodeError."""
    return TuningSession(decode_state(content))
