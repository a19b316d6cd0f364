"""How far bench points lie from the calibration they led to, as its file tells."""

from __future__ import annotations

from typing import NamedTuple

from logger.calibration.bench_points import CONDITIONS
from logger.calibration.coupler import Coupler
from logger.calibration.problem import FULL_WAVE


class Residual(NamedTuple):
    """One reading of a port that hears the full wave.

    point        index into the file's bench points
    watts        incident on the reference
    volts        the reading less the zero
    residual_db  power that the reading stands for over that of the reference
    error_db     standard deviation to be expected of it: reference scatter and converter
    left_out     the fit went without it
    """

    point: int
    condition: str
    watts: float
    volts: float
    residual_db: float
    error_db: float
    left_out: bool


def residuals(coupler: Coupler) -> tuple[list[Residual], list[Residual]]:
    """Of the forward and of the reflected port; empty if the file was not made by a fit."""
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
