"""What to do next: where to set it, when to stop, and when length is not what is wrong.

Pure. Settings and differences are in the unit of what is adjusted; "longer" is the antenna.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.reflection import rho_of_swr
from logger.tune.estimate import Posterior, interval
from logger.tune.positions import SETTING_ERROR, Adjustment, Position, Unit, span_khz
from logger.tune.suspicion import Suspicion, suspicion

Kind = Literal["move", "bracket", "try", "stop", "end", "check"]

FAR_SWR = 4.0  # at the best channel; from here on a reading says which way, not how far
MOST_CHANGE = 0.06  # of the resonance by one step, relatively
PAST = 0.75  # probability with which a bracket passes the resonance
CAUTIOUS = 0.25  # and a cut does
GOOD_SWR = 1.3
REGRET = 0.05  # of SWR at the middle above the best of this antenna, for which a trial is worth it
TRIAL = 0.8  # of the doubt about the length, on the likelier side
LEAST_GAIN = 0.04  # of SWR at the middle, below which no step is worth the walk
SURE = 0.9
STEP: dict[Unit, float] = {"mm": 1.0, "turns": 0.25, "marks": 0.5}  # as fine as a person sets it


class Span(msgspec.Struct, frozen=True):
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


class Advice(msgspec.Struct, frozen=True, kw_only=True):
    """What the readings say.

    kind        "move" there; "bracket" to pass the resonance; "stop", a further step gains too
                little; "end", it should go on but cannot; "check" something else first
    target_khz  the middle of the channels
    longer_by   how much longer the antenna has to be (negative: shorter); its interval tells the
                doubt
    to          the setting proposed, None to leave it
    swr, after  expected SWR at the target now and there
    doubt       standard deviation of `swr`
    better      index of an earlier position that read better than this one
    """

    kind: Kind
    target_khz: float
    resonance_khz: Span
    longer_by: Span
    too_short: float  # probability
    to: float | None = None
    swr: float
    after: float
    doubt: float
    learned: bool = False
    better: int | None = None
    suspicion: Suspicion | None = None

    @property
    def gain(self) -> float:
        """Of SWR at the target by the next step."""
        return self.swr - self.after


def advise(
    adjustment: Adjustment, positions: Sequence[Position], posterior: Posterior, target_khz: float
) -> Advice:
    """For the last of `positions`, from all of them."""
    here = positions[-1]
    resonance = posterior.resonance_khz[:, -1]
    need = np.log(resonance / target_khz) / posterior.sensitivity  # longer, by so much
    now = posterior.swr(target_khz, resonance)
    far = min(each.swr for each in here.readings) >= FAR_SWR
    sides = np.mean(posterior.resonance_khz > target_khz, axis=0)
    bracketed = bool(sides.max() > SURE and sides.min() < 1 - SURE)
    short = float(sides[-1])
    by, kind = _step(adjustment, here, posterior, need, far=far and not bracketed)
    to = _settable(adjustment, here.setting, by)
    moved = adjustment.sign * (to - here.setting)
    best = posterior.swr(target_khz, np.full_like(now, target_khz))
    regret = float((now - best).mean())
    worst = _worst(posterior, positions, resonance)
    worst_after = _worst(posterior, positions, _moved(adjustment, posterior, resonance, moved))
    swr_now, swr_then, doubt = float(worst.mean()), float(worst_after.mean()), float(worst.std())
    wants = _outside(adjustment, here.setting, float(np.median(need)))
    suspected = suspicion(adjustment, positions, posterior, target_khz)
    if suspected is not None and suspected.instead:
        kind, to = "check", here.setting
    elif kind == "move" and swr_now - swr_then < max(LEAST_GAIN, doubt / 4):
        kind = "end" if wants and regret > max(2 * LEAST_GAIN, doubt) else "stop"
        to = here.setting
        if kind == "stop" and float(now.mean()) > GOOD_SWR and regret > REGRET:
            share = TRIAL if np.median(need) > 0 else 1 - TRIAL
            to = _settable(adjustment, here.setting, float(np.quantile(need, share)))
            kind = "stop" if to == here.setting else "try"
    elif kind == "bracket" and to == here.setting:
        kind = "end"
    return Advice(
        kind=kind,
        target_khz=target_khz,
        resonance_khz=Span(*interval(resonance)),
        longer_by=Span(*interval(need)),
        too_short=short,
        to=None if to == here.setting else to,
        swr=swr_now,
        after=swr_then,
        doubt=doubt,
        learned=len({one.setting for one in positions}) > 1,
        better=_better(positions),
        suspicion=suspected,
    )


def _worst(posterior: Posterior, positions: Sequence[Position], resonance_khz: Floats) -> Floats:
    """The highest SWR on the channels, were the resonance there."""
    return np.maximum(*(posterior.swr(khz, resonance_khz) for khz in span_khz(positions)))


def _step(
    adjustment: Adjustment, here: Position, posterior: Posterior, need: Floats, *, far: bool
) -> tuple[float, Kind]:
    """How much longer to make it, and as what."""
    most = MOST_CHANGE / float(np.median(posterior.sensitivity))
    middle = float(np.median(need))
    if far:
        share = CAUTIOUS if adjustment.cut else PAST
        by = float(np.quantile(need, share if middle > 0 else 1 - share))
        if by * middle <= 0:
            by = middle
        by = float(np.clip(by, -most, most))
        if _outside(adjustment, here.setting, by):  # at full extension: the other way first
            by = -float(np.copysign(most / 4, by))
        return by, "bracket"
    if adjustment.cut and middle < 0:
        middle = min(0.0, float(np.quantile(need, 1 - CAUTIOUS)))
    return float(np.clip(middle, -most, most)), "move"


def _settable(adjustment: Adjustment, setting: float, longer_by: float) -> float:
    """The setting nearest to that change which a person can make."""
    step = STEP[adjustment.unit]
    to = setting + step * round(adjustment.sign * longer_by / step)
    low, high = _ends(adjustment, setting)
    return min(max(to, low), high)


def _ends(adjustment: Adjustment, setting: float) -> tuple[float, float]:
    low = -np.inf if adjustment.least is None else adjustment.least
    high = np.inf if adjustment.most is None else adjustment.most
    if adjustment.cut:
        low, high = (low, setting) if adjustment.longer else (setting, high)
    return float(low), float(high)


def _outside(adjustment: Adjustment, setting: float, longer_by: float) -> bool:
    """Whether nothing of a change can be made, as it is at the end of its travel."""
    return (
        abs(longer_by) >= STEP[adjustment.unit]
        and _settable(adjustment, setting, longer_by) == setting
    )


def _moved(
    adjustment: Adjustment, posterior: Posterior, resonance_khz: Floats, longer_by: float
) -> Floats:
    """Resonance after a step, with the error of setting it anew."""
    count = len(resonance_khz)
    quantiles = (np.arange(count) * 0.6180339887 % 1 - 0.5) * 2 * np.sqrt(3)  # even, of sd 1
    error = 0.0 if longer_by == 0 else SETTING_ERROR[adjustment.unit] * quantiles
    return np.asarray(resonance_khz * np.exp(-posterior.sensitivity * (longer_by + error)))


def merit(position: Position, other: Position) -> float | None:
    """Mean reflection at the frequencies that both have, None without any."""
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
        if its < mine - 0.01 and (best is None or its < best[0]):
            best = (its, number)
    return None if best is None else best[1]
