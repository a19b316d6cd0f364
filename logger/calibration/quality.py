"""Quality of a calibration: readable floor, smallest SWR, residuals of the bench points.

This module is responsible for what a calibration file states of its own accuracy. Input: a
calibrated coupler. Output: the noise at the bench, the smallest SWR that can be claimed, and the
residual of each full-wave reading.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Noise
from logger.calibration.coupler import Coupler
from logger.calibration.file import CONDITIONS, SIDES
from logger.calibration.problem import FULL_WAVE
from logger.physics.reflection import estimate


def bench_noise(coupler: Coupler) -> Noise:
    """Return the noise of single readings at the bench, with the uncertainty of the zeros."""
    content = coupler.content
    least_v = content.converter.step_v / np.sqrt(12)
    zero_u_v: dict[str, float] = {}
    if content.covariance is not None:
        variances = np.diag(np.array(content.covariance.matrix))
        zero_u_v = dict(
            zip(content.covariance.parameters, np.sqrt(variances).tolist(), strict=True)
        )
    return Noise(
        (max(content.noise.forward_v, least_v), max(content.noise.reflected_v, least_v)),
        (zero_u_v.get("forward.zero_v", 0.0), zero_u_v.get("reflected.zero_v", 0.0)),
    )


def smallest_swr(coupler: Coupler, incident_w: Floats, pairs: int) -> Floats:
    """Return the smallest SWR that can be claimed at each incident power, (n,) -> (n,).

    That is the upper end of the 95 % interval when the reflected port receives nothing, for the
    mean of `pairs` readings; NaN below the readable floor of a single pair.
    """
    noise = bench_noise(coupler)
    slope = coupler.least_slope
    variance = (slope * noise.sd_v[1]) ** 2 / pairs + (slope * noise.zero_u_v[1]) ** 2
    nothing = np.zeros_like(incident_w)
    return estimate(
        incident_w,
        nothing,
        variance / incident_w**2,
        nothing,
        coupler.leak,
        coupler.forward_leak,
        incident_w >= coupler.readable_floor_w(noise),
        coupler.stray,
    ).high


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
    return _port_residuals(coupler, 0), _port_residuals(coupler, 1)


def _port_residuals(coupler: Coupler, port: int) -> list[Residual]:
    side = SIDES[port]
    zero_v = getattr(coupler.content, side).zero_v
    conditions = [CONDITIONS[number] for number in FULL_WAVE[port]]
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
        if point["condition"] in conditions and f"{side}_miss_db" in point
    ]
