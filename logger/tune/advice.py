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
    worst_there  expected highest SWR on the channels at `to`
    is_reversed in the opposite direction, as the end of the travel is reached
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
    worst_there: float
    doubt: float
    is_reversed: bool = False
    better: int | None = None
    suspicion: Suspicion | None = None
    overcut: bool = False


def advise(
    adjustment: Adjustment, positions: Sequence[Position], posterior: Posterior, target_khz: float
) -> TuningAdvice:
    """Return advice for the last of `positions`, from all of them."""
    present = positions[-1]
    resonance = posterior.resonance_khz[:, -1]
    needs = np.log(posterior.resonance_khz / target_khz) / posterior.sensitivity[:, None]
    need = needs[:, -1]
    suspected = suspicion(adjustment, positions, posterior)
    worst = _worst(posterior, positions, resonance)

    def worst_at(setting: float) -> float:
        moved = _shift(adjustment, posterior, resonance, present.setting, setting)
        return float(_worst(posterior, positions, moved).mean())

    kind: Kind
    is_reversed = False
    if suspected is not None and suspected.instead:
        kind, to = "check", present.setting
    elif adjustment.cut:
        kind, to = _cut(adjustment, positions, posterior, target_khz, need)
    elif present.lowest_swr >= FAR_SWR and not _is_bracketed(posterior, target_khz):
        by, is_reversed = _bracket(adjustment, present.setting, posterior, need)
        to = settable(adjustment, present.setting, by)
        kind = "end" if to == present.setting else "bracket"
    else:
        kind = "move"
        to = settable(adjustment, present.setting, _correction(posterior, need))
        gain = float(worst.mean()) - worst_at(to)
        is_too_little = gain < max(LEAST_GAIN, float(worst.std()) / 4)
        if is_too_little and not (to != present.setting and _leans(adjustment, present, need)):
            kind, to = _last_word(adjustment, positions, posterior, target_khz, need)
    return TuningAdvice(
        kind=kind,
        target_khz=target_khz,
        resonance_khz=Estimate(*interval(resonance)),
        longer_by=Estimate(*interval(need)),
        too_short=float(np.mean(need > 0)),
        to=None if to == present.setting else to,
        worst=float(worst.mean()),
        worst_there=worst_at(to),
        doubt=float(worst.std()),
        is_reversed=is_reversed,
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


def _is_bracketed(posterior: Posterior, target_khz: float) -> bool:
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
    present = positions[-1]
    worst = _worst(posterior, positions, posterior.resonance_khz[:, -1])
    gain = worst - _worst(posterior, positions, np.full_like(worst, target_khz))
    if float(gain.mean()) < max(CUT_GAIN, float(worst.std()) / 4):
        return "stop", present.setting
    if float(np.mean(need > 0)) >= BEYOND:
        return "end", present.setting
    to = settable(adjustment, present.setting, cut_change(adjustment, positions, need))
    if to != present.setting:
        return "move", to
    return ("stop" if present.highest_swr < GOOD_SWR else "hold"), to


def _leans(adjustment: Adjustment, position: Position, need: Floats) -> bool:
    """True if SWR falls or rises throughout the channels and one of them is not yet good.

    The trade then makes the antenna slightly longer or shorter, however good the middle is (common
    practice).
    """
    steps = np.diff([reading.swr for reading in position.by_frequency])
    one_way = len(steps) >= 2 and (bool(np.all(steps < 0)) or bool(np.all(steps > 0)))
    sure = max(float(np.mean(need > 0)), float(np.mean(need < 0))) >= LEANING
    by = abs(float(np.median(need)))
    is_poor = position.highest_swr >= GOOD_SWR
    return one_way and sure and is_poor and by > 2 * SETTING_ERROR[adjustment.unit]


def _last_word(
    adjustment: Adjustment,
    positions: Sequence[Position],
    posterior: Posterior,
    target_khz: float,
    need: Floats,
) -> tuple[Kind, float]:
    """Return the kind of advice and the setting if the best estimate gains too little."""
    present = positions[-1]
    at_target = posterior.swr(target_khz, posterior.resonance_khz[:, -1])
    regret = at_target - posterior.swr(target_khz, np.full_like(at_target, target_khz))
    is_poor = float(at_target.mean()) > GOOD_SWR and float(regret.mean()) > REGRET
    middle = float(np.median(need))
    is_wanted = abs(middle) >= STEP[adjustment.unit]
    if is_poor and is_wanted and settable(adjustment, present.setting, middle) == present.setting:
        return "end", present.setting
    is_unmoved = len({position.setting for position in positions}) == 1
    if is_poor or (is_unmoved and present.lowest_swr >= POOR_SWR):
        for share in (TRIAL, 1 - TRIAL) if middle > 0 else (1 - TRIAL, TRIAL):
            to = settable(adjustment, present.setting, float(np.quantile(need, share)))
            if to != present.setting:
                return "try", to
    return "stop", present.setting


def _worst(posterior: Posterior, positions: Sequence[Position], resonance_khz: Floats) -> Floats:
    """Return the highest SWR on the channels for a resonance at `resonance_khz`."""
    low, high = (posterior.swr(khz, resonance_khz) for khz in span_khz(positions))
    return np.asarray(np.maximum(low, high))


def _shift(
    adjustment: Adjustment, posterior: Posterior, resonance_khz: Floats, setting: float, to: float
) -> Floats:
    """Return the resonance after a step, including the setting error."""
    if to == setting:
        return resonance_khz
    count = len(resonance_khz)
    even = (np.arange(count) * 0.6180339887 % 1 - 0.5) * np.sqrt(12)  # of standard deviation 1
    by = adjustment.sign * (to - setting) + SETTING_ERROR[adjustment.unit] * even
    return np.asarray(resonance_khz * np.exp(-posterior.sensitivity * by))


def merit(position: Position, other: Position) -> float | None:
    """Return the mean reflection at the frequencies of both positions, None if they share none."""
    shared = {reading.frequency_khz for reading in other.readings}
    rho = [float(rho_of_swr(r.swr)) for r in position.readings if r.frequency_khz in shared]
    return float(np.mean(rho)) if rho else None


def _better(positions: Sequence[Position]) -> int | None:
    """Return the index of the earlier position that read best, if better than the present one."""
    present = positions[-1]
    better = []
    for number, position in enumerate(positions[:-1]):
        rho, present_rho = merit(position, present), merit(present, position)
        if rho is None or present_rho is None or position.setting == present.setting:
            continue
        if rho < present_rho - NOTED_RHO:
            better.append((rho, number))
    return min(better)[1] if better else None
