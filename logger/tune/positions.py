"""What is adjusted, and what was read at each position of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

Unit = Literal["mm", "turns", "marks"]

# Standard deviation with which a person sets it, and by how much it moves the resonance until that
# has been learned: relative change a unit, and the standard deviation of its logarithm. Millimetres
# follow dL/L = -df/f with the length of the element; coils and hats make that less true.
SETTING_ERROR: dict[Unit, float] = {"mm": 2.0, "turns": 0.05, "marks": 0.1}
STEP: dict[Unit, float] = {"mm": 1.0, "turns": 0.25, "marks": 0.5}  # as fine as a person sets it
BY_GUESS = 0.004
GUESS_SPREAD: dict[Unit, float] = {"mm": 0.25, "turns": 1.0, "marks": 1.0}
LIGHT_KHZ_MM = 299_792_458.0
SHORTENED = 0.95  # a quarter wave of tube, against one of light
LONG_ENOUGH = 0.15  # of a wavelength: a setting of more is the length of the element itself


class Reading(msgspec.Struct, frozen=True):
    """A transmission at one frequency; the interval is of 95 %."""

    frequency_khz: float
    swr: float
    swr_low: float
    swr_high: float
    channel: int | None = None
    transmission_id: int | None = None


class Position(msgspec.Struct):
    """A setting with its readings, in the order in which they came."""

    setting: float
    readings: list[Reading] = msgspec.field(default_factory=list)


class Adjustment(msgspec.Struct, frozen=True):
    """What is adjusted.

    longer     whether larger numbers make the antenna longer, so that its resonance falls
    length_mm  the whole element, where the setting in millimetres is only a part of it
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

    def relative_change(self, setting: float, frequency_khz: float) -> float:
        """By how much a unit moves the resonance, relatively, before anything was learned."""
        if self.unit != "mm":
            return BY_GUESS
        wave_mm = LIGHT_KHZ_MM / frequency_khz
        if self.length_mm is not None:
            return 1 / self.length_mm
        return 1 / (setting if setting > LONG_ENOUGH * wave_mm else SHORTENED * wave_mm / 4)


def span_khz(positions: Sequence[Position]) -> tuple[float, float]:
    """The lowest and the highest frequency that was keyed."""
    keyed = [reading.frequency_khz for one in positions for reading in one.readings]
    return min(keyed), max(keyed)
