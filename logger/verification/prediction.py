"""Reflected over forward power that a calibration predicts for a dummy load and an open end.

The bench points of the same condition predict it, through the laws of the calibration. Without such
points an open end is predicted to reflect everything, within directivity and fit, and nothing is
known of the load.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import numpy as np

from logger.blocks import Floats, Noise
from logger.calibration.coupler import Coupler
from logger.calibration.file import SIDES

Condition = Literal["matched", "open"]

DB = 10 / math.log(10)  # dB of power per neper
# Points within this factor of the present power predict best. The weight of others falls steadily,
# to nothing at a factor of 8, so that the prediction does not jump.
NEAR_POWER = 4.0
NEAR_KHZ = 1.05  # points of another band show another directivity
MOST_DB = 1.0  # error of a point that predicts something
LAW_DB = 0.1  # error that the points share with their neighbours: the fit of the detectors' law
NO_NOISE = Noise((0.0, 0.0), (0.0, 0.0))


class Prediction(NamedTuple):
    """Reflected over forward power, dB, and its standard uncertainty; None if it is not known."""

    db: float
    u_db: float | None


def predict(
    coupler: Coupler, condition: Condition, forward_w: float, frequency_khz: float | None
) -> Prediction:
    """Return the prediction for a load at a forward power."""
    points = [
        point
        for point in coupler.content.bench_points
        if _is_usable(point, condition) and _is_near(point.get("frequency_khz"), frequency_khz)
    ]
    if points:
        return _of_points(coupler, points, forward_w)
    if condition == "matched":
        return Prediction(0.0, None)
    volts = [law.volts(np.array([forward_w])) for law in (coupler.forward, coupler.reflected)]
    of_fit = float(coupler.ratio_variance(volts[0], volts[1], NO_NOISE)[0])
    of_leaks = (coupler.leak + coupler.forward_leak) ** 2 / 2 + sum(coupler.stray)
    return Prediction(0.0, DB * math.sqrt(of_fit + 4 * of_leaks))


def _is_usable(point: Mapping[str, str | float], condition: str) -> bool:
    is_usual_load = not (point.get("load") or point.get("line_deg") or point.get("load_ohm"))
    is_keyed = isinstance(power_w := point["power_w"], float) and power_w > 0
    return (
        point["condition"] == condition and is_usual_load and is_keyed and not point.get("left_out")
    )


def _is_near(khz: str | float | None, frequency_khz: float | None) -> bool:
    if not isinstance(khz, float) or frequency_khz is None:
        return True
    return abs(math.log(khz / frequency_khz)) < math.log(NEAR_KHZ)


def _of_points(
    coupler: Coupler, points: Sequence[Mapping[str, str | float]], forward_w: float
) -> Prediction:
    def column(name: str, default: float) -> np.ndarray:
        return np.array([float(point.get(name, default)) for point in points])

    aux = {"frequency_khz": column("frequency_khz", 0.0)}
    forward, reflected = (
        np.maximum(coupler.watts(side, column(f"{side}_v", 0.0), aux), 1e-9) for side in SIDES
    )
    error_db = np.hypot(
        np.hypot(column("forward_error_db", LAW_DB), column("reflected_error_db", LAW_DB)),
        _reading_error_db(coupler, column("reflected_v", 0.0), reflected, column("readings", 1.0)),
    )
    far = np.abs(np.log(forward / forward_w))
    nearness = np.clip(3 - 2 * far / max(math.log(NEAR_POWER), float(far.min())), 0.0, 1.0)
    weight = np.where(error_db <= MOST_DB, nearness / (error_db**2 + LAW_DB**2), 0.0)
    if not weight.any():
        return Prediction(0.0, None)
    ratio_db = DB * np.log(reflected / forward)
    return Prediction(
        float((weight * ratio_db).sum() / weight.sum()),
        math.hypot(1 / math.sqrt(float(weight.sum())), LAW_DB),
    )


def _reading_error_db(coupler: Coupler, volts: Floats, watts: Floats, readings: Floats) -> Floats:
    """Return the error of reflected watts (n,) from noise and resolution, dB."""
    noise_v, step_v = coupler.content.noise.reflected_v, coupler.content.converter.step_v
    of_step = step_v / math.sqrt(12) if noise_v < step_v / 2 else 0.0  # more noise averages it out
    u_v = np.hypot(noise_v / np.sqrt(np.maximum(readings, 1.0)), of_step)
    return np.asarray(DB * coupler.reflected.slope(volts) * u_v / watts)
