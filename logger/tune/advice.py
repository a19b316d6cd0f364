"""Advice for the next step: where to set the antenna, when to stop, when length is not the cause.

Pure. Settings are in the unit of the adjustment; differences are of the antenna's length in that
unit, positive if it becomes longer. `cutting` limits how much may be cut off.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import trunc
from typing import Literal

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.physics.estimate import Estimate
from logger.physics.reflection import rho_of_swr
from logger.tune.cutting import BEYOND, FAR_SWR, cut_change, went_too_far
from logger.tune.estimate import Posterior, interval
from logger.tune.positions import SETTING_ERROR, STEP, Adjustment, Position, span_khz
from logger.tune.suspicion import POOR_SWR, Suspicion, suspicion

Kind = Literal["move", "bracket", "try", "stop", "hold", "end", "check"]

MOST_CHANGE = 0.06  # relative change of the resonance per step
PAST = 0.75  # probability with which a bracket passes the resonance
TRIAL = 0.8  # quantile of the length to be changed, on the likelier side
GOOD_SWR = 1.3
LEAST_GAIN = 0.04  # of SWR; a smaller gain is not worth a step,
CUT_GAIN = 0.1  # and this one not a cut, as it is final
REGRET = 0.05  # excess of SWR at the target over the best of this antenna, above which to try
SURE = 0.9
LEANING = 0.8  # probability of the direction, for a slight correction
NOTED_RHO = 0.01  # by which an earlier position must be better


class TuningAdvice(msgspec.Struct, frozen=True, kw_only=True):
    """Advice from the readings.

    kind        "move": set it to `to`; "bracket": pass the resonance; "try": the better direction
                is unknown; "stop": a further step gains too little; "hold": a cut may gain but none
                is safe; "end": it should move on but is at the end of its travel, or was cut too
                short; "check": look for another fault first
    longer_by   change of length for resonance at the target
    too_short   probability of being too short
    to          proposed setting, None to leave it
    worst       expected highest SWR on the channels now; doubt, its standard deviation
    then        expected highest SWR on the channels at `to`
    turned      in the opposite direction, as the end of the travel is reached
    better      index of an earlier position to return to, as it read better
    overcut     the last cut passed the right length
    """

    kind: Kind
    target_khz: float
    resonance_khz: Estimate
    longer_by: Estimate
    too_short: float
    to: float | None
    worst: float
    then: float
    doubt: float
    turned: bool = False
    better: int | None = None
    suspicion: Suspicion | None = None
    overcut: bool = False


def advise(
    adjustment: Adjustment, positions: Sequence[Position], posterior: Posterior, target_khz: float
) -> TuningAdvice:
    """Return advice for the last of `positions`, from all of them."""
    here = positions[-1]
    resonance = posterior.resonance_khz[:, -1]
    needs = np.log(posterior.resonance_khz / target_khz) / posterior.sensitivity[:, None]
    need = needs[:, -1]
    suspected = suspicion(adjustment, positions, posterior, target_khz)
    now = _worst(posterior, positions, resonance)

    def then(setting: float) -> float:
        moved = _moved(adjustment, posterior, resonance, here.setting, setting)
        return float(_worst(posterior, positions, moved).mean())

    kind: Kind
    turned = False
    if suspected is not None and suspected.instead:
        kind, to = "check", here.setting
    elif adjustment.cut:
        kind, to = _cut(adjustment, positions, posterior, target_khz, need)
    elif min(each.swr for each in here.readings) >= FAR_SWR and not _bracketed(
        posterior, target_khz
    ):
        by, turned = _bracket(adjustment, here.setting, posterior, need)
        to = settable(adjustment, here.setting, by)
        kind = "end" if to == here.setting else "bracket"
    else:
        kind = "move"
        to = settable(adjustment, here.setting, _correction(posterior, need))
        gain = float(now.mean()) - then(to)
        too_little = gain < max(LEAST_GAIN, float(now.std()) / 4)
        if too_little and not (to != here.setting and _leans(adjustment, here, need)):
            kind, to = _last_word(adjustment, positions, posterior, target_khz, need)
    return TuningAdvice(
        kind=kind,
        target_khz=target_khz,
        resonance_khz=Estimate(*interval(resonance)),
        longer_by=Estimate(*interval(need)),
        too_short=float(np.mean(need > 0)),
        to=None if to == here.setting else to,
        worst=float(now.mean()),
        then=then(to),
        doubt=float(now.std()),
        turned=turned,
        better=None if adjustment.cut else _better(positions),
        suspicion=suspected,
        overcut=went_too_far(adjustment, positions, needs),
    )


def settable(adjustment: Adjustment, setting: float, longer_by: float) -> float:
    """Return the possible setting nearest to a change of length."""
    step = STEP[adjustment.unit]
    steps = adjustment.sign * longer_by / step
    to = setting + step * (trunc(steps) if adjustment.cut else round(steps))
    low = -np.inf if adjustment.least is None else adjustment.least
    high = np.inf if adjustment.most is None else adjustment.most
    if adjustment.cut:  # a cut cannot be undone
        low, high = (low, setting) if adjustment.longer else (setting, high)
    return float(min(max(to, low), high))


def _bracketed(posterior: Posterior, target_khz: float) -> bool:
    """True if the target lies between two positions."""
    sides = np.mean(posterior.resonance_khz > target_khz, axis=0)
    return bool(sides.max() > SURE and sides.min() < 1 - SURE)


def _bracket(
    adjustment: Adjustment, setting: float, posterior: Posterior, need: Floats
) -> tuple[float, bool]:
    """Return a change of length that passes the resonance, and True if in the other direction."""
    most = MOST_CHANGE / float(np.median(posterior.sensitivity))
    middle = float(np.median(need))
    by = float(np.quantile(need, PAST if middle > 0 else 1 - PAST))
    if by * middle <= 0:  # even the direction is uncertain
        by = middle
    by = float(np.clip(by, -most, most))
    if settable(adjustment, setting, by) == setting:
        return -float(np.copysign(most / 4, by)), True
    return by, False


def _correction(posterior: Posterior, need: Floats) -> float:
    most = MOST_CHANGE / float(np.median(posterior.sensitivity))
    return float(np.clip(np.median(need), -most, most))


def _cut(
    adjustment: Adjustment,
    positions: Sequence[Position],
    posterior: Posterior,
    target_khz: float,
    need: Floats,
) -> tuple[Kind, float]:
    """Return the kind of advice and the setting for an antenna adjusted by cutting."""
    here = positions[-1]
    now = _worst(posterior, positions, posterior.resonance_khz[:, -1])
    gain = now - _worst(posterior, positions, np.full_like(now, target_khz))
    if float(gain.mean()) < max(CUT_GAIN, float(now.std()) / 4):
        return "stop", here.setting
    if float(np.mean(need > 0)) >= BEYOND:
        return "end", here.setting
    to = settable(adjustment, here.setting, cut_change(adjustment, positions, need))
    if to != here.setting:
        return "move", to
    return ("stop" if max(each.swr for each in here.readings) < GOOD_SWR else "hold"), to


def _leans(adjustment: Adjustment, here: Position, need: Floats) -> bool:
    """True if SWR falls or rises throughout the channels and one of them is not yet good.

    The trade then makes the antenna slightly longer or shorter, however good the middle is (common
    practice).
    """
    readings = sorted(here.readings, key=lambda each: each.frequency_khz)
    steps = np.diff([each.swr for each in readings])
    one_way = len(steps) >= 2 and (bool(np.all(steps < 0)) or bool(np.all(steps > 0)))
    sure = max(float(np.mean(need > 0)), float(np.mean(need < 0))) >= LEANING
    by = abs(float(np.median(need)))
    poor = max(each.swr for each in readings) >= GOOD_SWR
    return one_way and sure and poor and by > 2 * SETTING_ERROR[adjustment.unit]


def _last_word(
    adjustment: Adjustment,
    positions: Sequence[Position],
    posterior: Posterior,
    target_khz: float,
    need: Floats,
) -> tuple[Kind, float]:
    """Return the kind of advice and the setting if the best estimate gains too little."""
    here = positions[-1]
    resonance = posterior.resonance_khz[:, -1]
    there = posterior.swr(target_khz, resonance)
    regret = there - posterior.swr(target_khz, np.full_like(there, target_khz))
    poor = float(there.mean()) > GOOD_SWR and float(regret.mean()) > REGRET
    middle = float(np.median(need))
    wanted = abs(middle) >= STEP[adjustment.unit]
    if poor and wanted and settable(adjustment, here.setting, middle) == here.setting:
        return "end", here.setting
    unmoved = len({one.setting for one in positions}) == 1
    if poor or (unmoved and min(each.swr for each in here.readings) >= POOR_SWR):
        for share in (TRIAL, 1 - TRIAL) if middle > 0 else (1 - TRIAL, TRIAL):
            to = settable(adjustment, here.setting, float(np.quantile(need, share)))
            if to != here.setting:
                return "try", to
    return "stop", here.setting


def _worst(posterior: Posterior, positions: Sequence[Position], resonance_khz: Floats) -> Floats:
    """Return the highest SWR on the channels for a resonance at `resonance_khz`."""
    low, high = (posterior.swr(khz, resonance_khz) for khz in span_khz(positions))
    return np.asarray(np.maximum(low, high))


def _moved(
    adjustment: Adjustment, posterior: Posterior, resonance_khz: Floats, here: float, to: float
) -> Floats:
    """Return the resonance after a step, including the setting error."""
    if to == here:
        return resonance_khz
    count = len(resonance_khz)
    even = (np.arange(count) * 0.6180339887 % 1 - 0.5) * np.sqrt(12)  # of standard deviation 1
    by = adjustment.sign * (to - here) + SETTING_ERROR[adjustment.unit] * even
    return np.asarray(resonance_khz * np.exp(-posterior.sensitivity * by))


def merit(position: Position, other: Position) -> float | None:
    """Return the mean reflection at the frequencies of both positions, None if they share none."""
    shared = {each.frequency_khz for each in other.readings}
    found = [float(rho_of_swr(r.swr)) for r in position.readings if r.frequency_khz in shared]
    return float(np.mean(found)) if found else None


def _better(positions: Sequence[Position]) -> int | None:
    here = positions[-1]
    best: tuple[float, int] | None = None
    for number, one in enumerate(positions[:-1]):
        mine, its = merit(here, one), merit(one, here)
        if mine is None or its is None or one.setting == here.setting:
            continue
        if its < mine - NOTED_RHO and (best is None or its < best[0]):
            best = (its, number)
    return None if best is None else best[1]
