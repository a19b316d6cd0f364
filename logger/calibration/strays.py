"""Waves besides the reflection that the reflected port hears, from a calibration file.

This module is responsible for their sizes: leaks of both ports, the match of the test port,
harmonics. Input: the content of a calibration file. Output: magnitudes where the size is known, and
variances where it is not.
"""

from __future__ import annotations

import math

import numpy as np

from logger.calibration.file import Assumptions, CalibrationFile
from logger.physics.reflection import COVERAGE, blend

NEPER_PER_DB = math.log(10) / 20
RETURNED_HARMONICS = 0.58  # mean square reflection of an antenna beside its band, 0.5 to 1
ORDERS = 2, 3  # harmonics that a transmitter's filter leaves


def find_leaks(content: CalibrationFile) -> tuple[float, float, dict[str, tuple[float, float]]]:
    """Return the known leaks of both ports, and by cause the variances of `Stray`."""
    directivity, assumptions = content.directivity, content.assumptions
    strays = {"directivity": (0.0, 0.0)}
    if directivity is None:
        return 0.0, 0.0, strays
    if directivity.reflected_rms_db is None or directivity.forward_rms_db is None:
        forward_db = directivity.forward_db
        return (
            _leak(directivity.reflected_db, directivity.reflected_u_db),
            0.0 if forward_db is None else _leak(forward_db, directivity.forward_u_db),
            strays,
        )
    leak2, forward2 = (
        10 ** (-db / 10) for db in (directivity.reflected_rms_db, directivity.forward_rms_db)
    )
    known2 = directivity.reflected_known * leak2
    strays["directivity"] = ((leak2 - known2) / 2, forward2 / 2)
    if isinstance(assumptions, Assumptions):
        strays["test-port match"] = (0.0, 10 ** (-assumptions.test_port_match_db / 10) / 2)
        strays["harmonics"] = (RETURNED_HARMONICS * harmonic2(assumptions) / 2, 0.0)
    return math.sqrt(known2), 0.0, strays


def harmonic2(assumptions: Assumptions) -> float:
    """Return the squared amplitude of a harmonic at a detector, relative to the incident wave.

    A peak detector adds it to the fundamental with its phase.
    """
    gains = [10 ** (assumptions.coupling_slope_db * math.log2(n) / 10) for n in ORDERS]
    return float(10 ** (-assumptions.harmonics_dbc / 10) * np.mean(gains))


def _leak(db: float, u_db: float) -> float:
    """Return the magnitude of a leak, with its uncertainty added as a Gaussian part."""
    size = 10 ** (-db / 20)
    return float(blend(np.array(COVERAGE * size * u_db * NEPER_PER_DB), np.array(size)))
