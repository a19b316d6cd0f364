"""Classifies a test carrier: reading of a sound chain, or as before.

The threshold is half way, in reflection coefficient, between the sound reading and the one before
any trial; the 95 % interval gives the certainty. Behind a sound chain a dummy load reads 1 + 2D or
less, D being the coupler's directivity, which is part of the interval.
"""

from __future__ import annotations

import math

from logger.feedline.loss import highest_swr_at_shack
from logger.live.carrier import SwrReading
from logger.physics.reflection import COVERAGE, rho_of_swr, swr

OPEN_PORT_SWR = 6.0  # least reading of a sound coupler with its antenna port open
LOAD_SWR = 1.1  # SWR of a serviceable dummy load; common practice
TELLS = 0.9  # probability above which an outcome counts
UNKNOWN_DB = 3.0  # a line with more loss, one way, is suspect whatever the cable
PLUGS_DB, SPREAD = 0.3, 1.3  # in addition to the cable's nominal loss


def load_reads(leak: float) -> float:
    """Return the highest SWR that a dummy load reads, about 1 + 2D.

    `leak` is D, the magnitude of the coupler's directivity.
    """
    return float(swr(float(rho_of_swr(LOAD_SWR)) + leak))


def sound(
    reading: SwrReading, sound_swr: float, as_is: SwrReading, *, lower: bool = False
) -> bool | None:
    """True if a reading is that of a sound chain rather than that of the trouble `as_is`.

    A sound chain reads `sound_swr` or less; or more, if the trouble is that it reads `lower`. None
    if the reading lies between.
    """
    rho, low, high = (float(rho_of_swr(value)) for value in reading)
    limit = (float(rho_of_swr(sound_swr)) + float(rho_of_swr(as_is.swr))) / 2
    sd = max(high - low, 1e-6) / (2 * COVERAGE)
    beyond = limit - rho if lower else rho - limit
    chance = 0.5 * math.erfc(beyond / (sd * math.sqrt(2)))
    if TELLS > chance > 1 - TELLS:
        return None
    return chance >= TELLS


def least_of_open_end(nominal_high_db: float | None) -> float:
    """Return the least SWR of a sound line with its far end open.

    Its return loss is twice the loss (see `feedline.loss`). `nominal_high_db` is the highest loss
    published for the cable.
    """
    loss_db = UNKNOWN_DB if nominal_high_db is None else SPREAD * nominal_high_db + PLUGS_DB
    return highest_swr_at_shack(loss_db)


def too_low(reading: SwrReading, lowest_usual_swr: float | None) -> bool:
    """True if a reading is clearly lower than usual."""
    return lowest_usual_swr is not None and reading.high < lowest_usual_swr


def too_high(reading: SwrReading, usual_swr: float) -> bool | None:
    """True if a reading is higher than usual; None if it may be."""
    if reading.low > usual_swr:
        return True
    return None if reading.swr > usual_swr else False
