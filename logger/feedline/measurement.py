"""Loss of an installed line, from the reflection with its far end open or shorted."""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec

from logger.feedline.loss import loss_of_rho
from logger.physics.reflection import HIGHEST_SWR, rho_of_swr

FAR_ENDS = ("open", "short")
TOGETHER_NS = 3_600_000_000_000  # an open and a short measured within this time are averaged
NEAR = 0.1  # relative difference of frequency above which readings are not compared


class Bounds(NamedTuple):
    """A loss in dB with its 95 % interval; None where there is no upper bound."""

    loss_db: float | None
    low_db: float
    high_db: float | None


class LineLoss(msgspec.Struct, frozen=True, kw_only=True):
    """One reading of the installed line: one-way matched loss.

    `antenna` is the one that it belongs to, if there are several. The nominal loss of its cable and
    length, with the extremes of the sources, is None if unknown.
    """

    time_ns: int
    far_end: str
    loss_db: float | None
    loss_low_db: float
    loss_high_db: float | None
    swr: float
    forward_w: float | None
    channel: int | None
    frequency_khz: float | None
    cable: str | None = None
    length_m: float | None = None
    nominal_db: float | None = None
    nominal_low_db: float | None = None
    nominal_high_db: float | None = None
    calibration_id: str
    transmission_id: int | None = None
    antenna: str | None = None

    @property
    def bounds(self) -> Bounds:
        """Loss and its interval."""
        return Bounds(self.loss_db, self.loss_low_db, self.loss_high_db)


def loss_of_swr(swr: float, swr_low: float, swr_high: float) -> Bounds:
    """Return the loss of a line whose far end reflects everything, from the SWR at its near end.

    The interval of the SWR includes directivity. If it includes SWR 1 the loss has no upper bound.
    """
    high = 0.0 if swr_high >= HIGHEST_SWR else _loss(swr_high)
    return Bounds(_finite(_loss(swr)), high, _finite(_loss(swr_low)))


def mean_of(first: Bounds, second: Bounds) -> Bounds | None:
    """Return the mean of a reading with the far end open and one with it shorted.

    A line impedance that differs from that of the coupler shifts the two in opposite directions;
    neither interval includes what remains of this error. The uncertainty is that of one reading,
    since directivity is common to both.
    """
    if first.loss_db is None or second.loss_db is None:
        return None
    highs = (first.high_db, second.high_db)
    return Bounds(
        (first.loss_db + second.loss_db) / 2,
        (first.low_db + second.low_db) / 2,
        None if None in highs else sum(high for high in highs if high is not None) / 2,
    )


def is_comparable(first: LineLoss, second: LineLoss) -> bool:
    """True if two readings are of one line and frequency."""
    if first.antenna != second.antenna:
        return False
    if first.frequency_khz is None or second.frequency_khz is None:
        return first.frequency_khz == second.frequency_khz
    return abs(math.log(first.frequency_khz / second.frequency_khz)) < NEAR


def verdict(reading: LineLoss) -> str:
    """Compare a reading with the nominal loss: `more`, `less`, `fits`, or `unknown` without one."""
    if reading.nominal_low_db is None or reading.nominal_high_db is None:
        return "unknown"
    if reading.loss_low_db > reading.nominal_high_db:
        return "more"
    if reading.loss_high_db is not None and reading.loss_high_db < reading.nominal_low_db:
        return "less"
    return "fits"


def _loss(swr: float) -> float:
    return float(loss_of_rho(rho_of_swr(swr)))


def _finite(loss_db: float) -> float | None:
    return loss_db if math.isfinite(loss_db) else None
