"""Residuals of bench points from the calibration fitted to them, as stored in its file."""

from __future__ import annotations

from typing import NamedTuple

from logger.calibration.bench_points import CONDITIONS
from logger.calibration.coupler import Coupler
from logger.calibration.problem import FULL_WAVE


class Residual(NamedTuple):
    """One full-wave reading of a port.

    point        index into the file's bench points
    watts        incident on the reference
    volts        the reading less the zero
    residual_db  measured power over that of the reference
    error_db     expected standard deviation: reference scatter and converter
    left_out     the reading was not used in the fit
    """

    point: int
    condition: str
    watts: float
    volts: float
    residual_db: float
    error_db: float
    left_out: bool


def residuals(coupler: Coupler) -> tuple[list[Residual], list[Residual]]:
    """Return those of the forward and of the reflected port; empty without a fit."""
    return _of(coupler, 0), _of(coupler, 1)


def _of(coupler: Coupler, port: int) -> list[Residual]:
    side = ("forward", "reflected")[port]
    zero_v = getattr(coupler.content, side).zero_v
    heard = [CONDITIONS[number] for number in FULL_WAVE[port]]
    return [
        Residual(
            index,
            str(point["condition"]),
            float(point["power_w"]),
            float(point[f"{side}_v"]) - zero_v,
            float(point[f"{side}_miss_db"]),
            float(point[f"{side}_error_db"]),
            side in str(point.get("left_out", "")).split(),
        )
        for index, point in enumerate(coupler.content.bench_points)
        if point["condition"] in heard and f"{side}_miss_db" in point
    ]
