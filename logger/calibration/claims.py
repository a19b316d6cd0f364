"""Claims of a calibrated coupler: the readable floor and the smallest SWR."""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats, Noise
from logger.calibration.coupler import Coupler
from logger.physics.reflection import estimate


def bench_noise(coupler: Coupler) -> Noise:
    """Return the noise of single readings at the bench, with the uncertainty of the zeros."""
    content = coupler.content
    least = content.converter.step_v / np.sqrt(12)
    zero_u = {"forward.zero_v": 0.0, "reflected.zero_v": 0.0}
    if content.covariance is not None:
        variances = np.diag(np.array(content.covariance.matrix))
        zero_u |= dict(zip(content.covariance.parameters, np.sqrt(variances), strict=True))
    return Noise(
        (max(content.noise.forward_v, least), max(content.noise.reflected_v, least)),
        (float(zero_u["forward.zero_v"]), float(zero_u["reflected.zero_v"])),
    )


def smallest_swr(coupler: Coupler, incident_w: Floats, pairs: int) -> Floats:
    """Return the smallest SWR that can be claimed at each incident power, (n,) -> (n,).

    That is the upper end of the 95 % interval when the reflected port receives nothing, for the
    mean of `pairs` readings; NaN below the readable floor of a single pair.
    """
    noise = bench_noise(coupler)
    slope = float(coupler.reflected.slope(coupler.reflected.zero_v))
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
    ).high
