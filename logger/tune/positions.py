"""What is adjusted, and what was read at each position of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

Unit = Literal["mm", "turns", "marks"]

# Standard deviation with which a person sets it, and by how much it moves the resonance until that
# has been learned: relative change a unit, and the standard deviation of its logarithm. For
# millimetres dL/L = -df/f holds for a plain element only: a loaded whip moves half as far, the tip
# above a coil farther, and a matching network or a second resonance changes it either way.
SETTING_ERROR: dict[Unit, float] = {"mm": 2.0, "turns": 0.05, "marks": 0.1}
STEP: dict[Unit, float] = {"mm": 1.0, "turns": 0.25, "marks": 0.5}  # as fine as a person sets it
BY_GUESS = 0.004
SHORTEST_MM = 100.0  # of an element
SHARE = 0.8  # median sensitivity, over that of a plain element
GUESS_SPREAD: dict[Unit, float] = {"mm": 0.5, "turns": 1.0, "marks": 1.0}


class ChannelReading(msgspec.Struct, frozen=True):
    """A transmission at one frequency; the interval is of 95 %."""

    frequency_khz: float
    swr: float
    swr_low: float
    swr_high: float
    channel: int | None = None
    transmission_id: int | None = None


class Position(msgspec.Struct):
    """A setting with its readings, in the order in which they came.

    advised  the setting that was advised before it was set, None without advice
    """

    setting: float
    readings: list[ChannelReading] = msgspec.field(default_factory=list)
    advised: float | None = None


class Adjustment(msgspec.Struct, frozen=True):
    """What is adjusted.

    longer     whether larger numbers make the antenna longer, so that its resonance falls
    length_mm  the whole element; None: the setting is the whole length
    least, most  the ends of its travel, as far as they are known
    cut        it can be made shorter, never longer again
    """

    unit: Unit
    longer: bool = True
    length_mm: float | None = None
    least: float | None = None
    most: float | None = None
    cut: bool = False

    @property
    def sign(self) -> float:
        """Of what a larger number does to the length."""
        return 1.0 if self.longer else -1.0

    def relative_change(self, setting: float) -> float:
        """Median of the relative change of the resonance by a unit, before anything is learned."""
        if self.unit != "mm":
            return BY_GUESS
        return SHARE / max(self.length_mm or setting, SHORTEST_MM)


def span_khz(positions: Sequence[Position]) -> tuple[float, float]:
    """The lowest and the highest frequency that was keyed."""
    keyed = [reading.frequency_khz for one in positions for reading in one.readings]
    return min(keyed), max(keyed)
