"""One verification: keyed readings of the dummy load, beside what the calibration predicts.

Each of three figures departs from its prediction if something changes: the forward power (against a
reference meter, or against the same transmitter before), the balance on the load, and the balance
into an open end. The repeatability of each is its uncertainty from one month to the next; what the
prediction lacks is the same in all verifications of a calibration and is kept apart.

Repeatabilities are common practice, no single source: a meter repeats within 2 %, a transmitter
within 6 % unless its usual power from day to day shows less, plugs and load within a reflection
coefficient of 0.002.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.calibration.coupler import SQRT3, Coupler
from logger.verification.prediction import DB, Condition, predict
from logger.verification.row import Verification

METER_DB, TRANSMITTER_DB = 0.1, 0.25
STEADIEST_DB = 0.08  # of a transmitter, whatever its days show
LEAST_DAYS = 10
MAD = 1.4826  # standard deviation of a normal distribution per median absolute deviation
USUAL_CLASS = 5.0  # percent, of a reference meter whose class is not stated
LOAD_RHO = 0.002
CONTACT_DB = 0.04  # of the balance into an open end
UNLIKE = 0.25  # share of a detector's change with temperature that the other one does not share
LEAST_SECONDS = 2
LEAST_RATIO = 1e-7  # 70 dB


class Keying(NamedTuple):
    """Mean powers of a key-down, watts, and the standard uncertainty of their ratio, dB."""

    forward_w: float
    reflected_w: float
    u_db: float

    @classmethod
    def of_seconds(cls, watts: Sequence[tuple[float, float]]) -> Keying | None:
        """Return the means of whole seconds (forward, reflected), None if there are too few.

        The first and the last second are left out: the key moves in them.
        """
        values = np.array(watts[1:-1], dtype=np.float64).reshape(-1, 2)
        if len(values) < LEAST_SECONDS or values[:, 0].min() <= 0:
            return None
        forward_w = float(np.median(values[:, 0]))
        ratio = values[:, 1] / values[:, 0]
        ratio_u = float(ratio.std(ddof=1)) / math.sqrt(len(ratio))
        # Of a reading that noise hides, the logarithm stays finite and says nothing.
        mean = max(float(np.median(ratio)), ratio_u, LEAST_RATIO)
        return cls(forward_w, mean * forward_w, DB * ratio_u / mean)


def verify(
    coupler: Coupler,
    load: Keying,
    open_end: Keying | None,
    reference_w: float | None,
    *,
    transmitter_db: float = TRANSMITTER_DB,
    time_ns: int,
    channel: int | None = None,
    frequency_khz: float | None = None,
    transmission_ids: tuple[int | None, int | None] = (None, None),
) -> Verification:
    """Return the verification, without a verdict.

    `reference_w` is what a meter showed on the load, `transmitter_db` the repeatability of the
    transmitter (see `transmitter_spread_db`). `transmission_ids` are those of load and open
    end.
    """
    by_class = float(coupler.content.instrument.get("reference_class_percent", 0)) or USUAL_CLASS
    has_meter = reference_w is not None
    repeat_db = METER_DB if has_meter else transmitter_db
    figures: dict[str, float | None] = {
        "forward_db": DB * math.log(load.forward_w / (reference_w or 1.0)),
        "forward_u_db": math.hypot(repeat_db, _thermal_db(coupler, "forward", load.forward_w)),
        # Two meters of a class, or the same one as at the calibration.
        "forward_expected_u_db": DB * by_class / 100 * math.sqrt(2) / SQRT3 if has_meter else None,
    }
    figures |= _balance(coupler, "load", "matched", load, frequency_khz)
    if open_end is not None:
        figures |= {
            "open_forward_w": open_end.forward_w,
            "open_reflected_w": open_end.reflected_w,
            **_balance(coupler, "open", "open", open_end, frequency_khz),
        }
    return Verification(
        time_ns=time_ns,
        forward_w=load.forward_w,
        reflected_w=load.reflected_w,
        reference_w=reference_w,
        channel=channel,
        frequency_khz=frequency_khz,
        calibration_id=coupler.id,
        transmission_id=transmission_ids[0],
        open_transmission_id=transmission_ids[1],
        **figures,  # type: ignore[arg-type]
    )


def transmitter_spread_db(power_w: Floats) -> float:
    """Return the repeatability of a transmitter from its mean power on successive days, (n,)."""
    if len(power_w) < LEAST_DAYS:
        return TRANSMITTER_DB
    steps_db = np.abs(np.diff(DB * np.log(power_w)))
    spread_db = MAD * float(np.median(steps_db)) / math.sqrt(2)
    return min(max(spread_db, STEADIEST_DB), TRANSMITTER_DB)


def _balance(
    coupler: Coupler, name: str, condition: Condition, keying: Keying, khz: float | None
) -> dict[str, float | None]:
    ratio = keying.reflected_w / keying.forward_w
    prediction = predict(coupler, condition, keying.forward_w, khz)
    contact_db = CONTACT_DB if condition == "open" else 2 * DB * LOAD_RHO / math.sqrt(ratio)
    thermal_db = [
        _thermal_db(coupler, "forward", keying.forward_w),
        _thermal_db(coupler, "reflected", keying.reflected_w),
    ]
    # Both detectors warm alike; what the two do not share is left.
    unlike_db = math.hypot(thermal_db[1] - thermal_db[0], UNLIKE * thermal_db[1])
    return {
        f"{name}_db": DB * math.log(ratio) - prediction.db,
        f"{name}_u_db": math.sqrt(keying.u_db**2 + contact_db**2 + unlike_db**2),
        f"{name}_expected_u_db": prediction.u_db,
    }


def _thermal_db(coupler: Coupler, side: str, watts: float) -> float:
    """Return the standard uncertainty of watts from the shack's temperature, dB.

    0 with a file that states no assumptions.
    """
    law = coupler.forward if side == "forward" else coupler.reflected
    parts = coupler.watts_components(side, law.volts(np.array([watts])))
    return DB * math.sqrt(float(parts["temperature"][0])) if "temperature" in parts else 0.0
