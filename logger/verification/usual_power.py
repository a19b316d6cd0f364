"""The transmitter's usual power since the check before: a second reference of the forward port.

A forward port that drifts reads another power on every day of use, while a check keys once. Input:
a check, and daily values of its channel. Output: the usual power in dB above 1 W, which is compared
with that before earlier checks. Transmitter and port look alike in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from logger.daily import Days
from logger.utc import DAY_NS
from logger.verification.prediction import DB
from logger.verification.reading import MAD
from logger.verification.row import Verification

NEAR_DB = 1.5  # from the power of the check: another setting, or speech, is left out
LEAST_DAYS, MOST_DAYS = 5, 14
FIRST_DAYS = 60  # before the first check
MONTH_DB = 0.05  # from one month to the next: temperature of transmitter and detectors
WANDER_DB = 0.12  # since the first checks: supply and ageing of the transmitter, 3 % of its power
OF_MEDIAN = math.sqrt(math.pi / 2)  # its standard error over that of a mean


def add_usual_power(checks: Sequence[Verification], days: Sequence[Days]) -> list[Verification]:
    """Return the checks, in order of time, with the usual power before each."""
    befores = [None, *checks[:-1]]
    return [_add(check, before, days) for check, before in zip(checks, befores, strict=True)]


def _add(check: Verification, before: Verification | None, days: Sequence[Days]) -> Verification:
    until = check.time_ns // DAY_NS
    since = until - FIRST_DAYS if before is None else before.time_ns // DAY_NS
    parts = []
    for own in days:
        if own.channel == check.channel:
            is_same = np.array([name == check.calibration_id for name in own.calibration_ids])
            chosen = (own.day > since) & (own.day <= until) & is_same[own.calibration]
            parts += list(zip(own.day[chosen].tolist(), own.power_w[chosen].tolist(), strict=True))
    ln = np.log([power_w / check.forward_w for _, power_w in sorted(parts)])
    ln = ln[np.abs(ln) < NEAR_DB / DB][-MOST_DAYS:]
    if len(ln) < LEAST_DAYS:
        return check
    middle = float(np.median(ln))
    spread = MAD * float(np.median(np.abs(ln - middle)))
    return msgspec.structs.replace(
        check,
        usual_db=DB * (math.log(check.forward_w) + middle),
        usual_u_db=math.hypot(MONTH_DB, DB * OF_MEDIAN * spread / math.sqrt(len(ln))),
    )
