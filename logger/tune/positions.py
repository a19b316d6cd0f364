"""The adjustment of an antenna, and the readings at each of its positions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, get_args

import msgspec

Unit = Literal["mm", "turns", "marks"]
UNITS: tuple[Unit, ...] = get_args(Unit)
LARGEST = 1e6  # settings are smaller

# Standard deviation of a setting made by hand; prior of the relative change of the resonance per
# unit, and standard deviation of its logarithm. For millimetres dL/L = -df/f holds for a plain
# element only: a loaded whip moves half as far, the tip above a coil farther, and a matching
# network or a second resonance changes it either way.
SETTING_ERROR: dict[Unit, float] = {"mm": 2.0, "turns": 0.05, "marks": 0.1}
STEP: dict[Unit, float] = {"mm": 1.0, "turns": 0.25, "marks": 0.5}  # finest step by hand
BY_GUESS = 0.004
SHORTEST_MM = 100.0  # of an element
SHARE = 0.8  # median sensitivity, over that of a plain element
GUESS_SPREAD: dict[Unit, float] = {"mm": 0.5, "turns": 1.0, "marks": 1.0}


class ChannelReading(msgspec.Struct, frozen=True):
    """Transmission at one frequency, with its 95 % interval."""

    frequency_khz: float
    swr: float
    swr_low: float
    swr_high: float
    channel: int | None = None
    transmission_id: int | None = None


class Position(msgspec.Struct):
    """A setting with its readings, in order of time.

    `advised` is the setting that was advised, None without advice.
    """

    setting: float
    readings: list[ChannelReading] = msgspec.field(default_factory=list)
    advised: float | None = None

    @property
    def by_frequency(self) -> list[ChannelReading]:
        """Readings in order of frequency."""
        return sorted(self.readings, key=lambda reading: reading.frequency_khz)

    @property
    def lowest_swr(self) -> float:
        """Lowest SWR; needs a reading."""
        return min(reading.swr for reading in self.readings)

    @property
    def highest_swr(self) -> float:
        """Highest SWR; needs a reading."""
        return max(reading.swr for reading in self.readings)


class Adjustment(msgspec.Struct, frozen=True):
    """Kind and limits of an adjustment.

    longer       True if larger numbers make the antenna longer, so that its resonance falls
    length_mm    length of the whole element; None if the setting is the whole length
    least, most  ends of the travel, None if unknown
    cut          it can be made shorter but not longer
    """

    unit: Unit
    longer: bool = True
    length_mm: float | None = None
    least: float | None = None
    most: float | None = None
    cut: bool = False

    @property
    def sign(self) -> float:
        """Sign of the change of length for a larger number."""
        return 1.0 if self.longer else -1.0

    def relative_change(self, setting: float) -> float:
        """Return the prior median of the relative change of the resonance per unit."""
        if self.unit != "mm":
            return BY_GUESS
        return SHARE / max(self.length_mm or setting, SHORTEST_MM)

    def allows(self, setting: float) -> bool:
        """True if the setting is within the travel."""
        is_possible = self.unit != "mm" or setting > 0
        above = self.least is None or setting >= self.least
        return is_possible and above and (self.most is None or setting <= self.most)


def parse_unit(text: str | None) -> Unit | None:
    """Return a unit by its name, None for anything else."""
    return next((unit for unit in UNITS if unit == text), None)


def parse_setting(text: str) -> float | None:
    """Return a setting typed with point or comma; None for anything else."""
    try:
        value = float(text.lower().removesuffix("mm").strip().replace(",", "."))
    except ValueError:
        return None
    return value if abs(value) < LARGEST else None


def span_khz(positions: Sequence[Position]) -> tuple[float, float]:
    """Return the lowest and the highest frequency keyed."""
    khz = [reading.frequency_khz for position in positions for reading in position.readings]
    return min(khz), max(khz)
