"""Exact calibration of the simulated coupler.

This module is responsible for a bench session without errors. Input: the simulated coupler and its
converter. Output: the content of a calibration file, with points read from the model.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.simulated.coupler import Adc, Port, SimulatedCoupler, detector_volts, peak_volts
from logger.calibration import file

BENCH_W = tuple(np.geomspace(0.05, 16.0, 8).round(3).tolist())
DATE = "2026-01-15T18:00:00Z"


def calibration(coupler: SimulatedCoupler, adc: Adc) -> file.CalibrationFile:
    """Return the result of a perfect bench session with this coupler and converter."""
    points: list[dict[str, str | float]] = [
        {
            "condition": condition,
            "power_w": power_w,
            "forward_v": _reading(coupler.forward, adc, power_w, forward),
            "reflected_v": _reading(coupler.reflected, adc, power_w, reflected),
        }
        for condition, forward, reflected in (
            ("matched", 1.0, _leak(coupler.reflected)),
            ("reversed", _leak(coupler.forward), 1.0),
        )
        for power_w in (0.0, *BENCH_W)
    ]
    noise_v = adc.noise_lsb * adc.step_v
    highest = (BENCH_W[0], BENCH_W[-1])
    return file.CalibrationFile(
        mismatchd_calibration=1,
        date=DATE,
        instrument={
            "coupler": file.SIMULATED,
            "converter": f"simulated, {adc.bits} bit",
            "reference": "the simulation's own truth",
            "reference_class_percent": 0.0,
        },
        forward=_port(coupler.forward),
        reflected=_port(coupler.reflected),
        directivity=file.Directivity(
            reflected_db=coupler.reflected.directivity_db,
            forward_db=coupler.forward.directivity_db,
        ),
        noise=file.PortVolts(forward_v=noise_v, reflected_v=noise_v),
        converter=file.Converter(step_v=adc.step_v, full_scale_v=adc.full_scale_v),
        valid=file.Valid(
            forward_v=_range(coupler.forward),
            reflected_v=_range(coupler.reflected),
            forward_w=highest,
            reflected_w=highest,
        ),
        bench_points=points,
    )


def _port(port: Port) -> file.Port:
    return file.Port(
        coupling_db=port.coupling_db, n_vt_v=port.n_vt_v, r_is_v=port.r_is_v, zero_v=port.zero_v
    )


def _leak(port: Port) -> float:
    return float(10 ** (-port.directivity_db / 20))


def _volts(port: Port, power_w: float, ratio: float) -> float:
    peak_v = peak_volts(port, np.array([power_w]), np.array([ratio]))
    return float(detector_volts(port, peak_v)[0]) + port.zero_v


def _range(port: Port) -> tuple[float, float]:
    return _volts(port, BENCH_W[0], 1.0), _volts(port, BENCH_W[-1], 1.0)


def _reading(port: Port, adc: Adc, power_w: float, ratio: float) -> float:
    """Return a mean of many readings, to a tenth of a step."""
    volts = min(_volts(port, power_w, ratio), adc.full_scale_v)
    return round(volts, 1 - math.floor(math.log10(adc.step_v)))
