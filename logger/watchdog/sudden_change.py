"""Rule `sudden-change`: the reflection changes within a transmission and stays changed.

The rule compares the reflection coefficient of each quarter second (see `levels`) with the level of
the transmission so far, in which the baseline of the channel has the weight that its scatter
between transmissions allows. Directivity and calibration shift both alike and do not matter.

For each channel the rule learns the variance beyond the converters' noise from quarter to quarter
(wind; that of the most restless recent transmission), its correlation from one quarter to the next,
and the drift of the level within a transmission (warming up): up to PATIENCE times this drift is
subtracted from every deviation, and so is the doubt from the converter. The standardised values,
whitened by that correlation, go to a bank of CUSUMs (see `cusum`). One quarter alone never triggers
an alarm. Learning begins with prior values that count for PRIOR quarters.

False alarms: `false_alarms_per_year` for a station whose key is down eight hours a day on any
channels, so fewer for most. The assumption is that the effect of wind is nearly normal once
whitened; in fact it is bounded. The level follows quarters only so far from the channel's baseline,
so that a step between two transmissions does not become the level with which it is compared.

The alarm clears when the mean of BACK quarters in a row is at the old level again, or at the end of
the transmission; from then on the new level is the baseline of the channel.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import msgspec
import numpy as np

from logger.blocks import Bools, Floats, Times
from logger.config.load import WatchdogOptions
from logger.physics.reflection import swr
from logger.rows import AlarmKind, ChangeKind, Severity, Transmission
from logger.stages.quarters import QUARTER_NS, Quarters
from logger.watchdog.cusum import Bank, CusumCrossing
from logger.watchdog.rule import Finding, LearningRule
from logger.wording import swr_words

KIND = AlarmKind.SUDDEN_CHANGE
SEVERITY = Severity.WARNING
QUARTERS_A_YEAR = 365.25 * 8 * 3600 * 4
MOST_CHANNELS = 64
MOST_QUARTERS = 4 * 3600  # of one transmission; a longer one is split
PRIOR = 40.0  # quarters, weight of the prior
PRIOR_SD, PRIOR_SHARE, PRIOR_PHI = 0.01, 0.1, 0.5  # of rho, of the level, correlation
PRIOR_DRIFTS, PRIOR_DRIFT = 4.0, 0.01
LEAST_SD, LEAST_DRIFT, MOST_DRIFT = 5e-4, 2e-3, 0.05
MEMORY = 4 * 3600.0  # quarters after which learned values fade
MEMORY_DRIFTS = 50.0
KEPT = 0.99  # share of the worst that remains after each transmission
LEVELS = 20.0  # transmissions in the baseline
LEAST_LEVELS = 3
LEAST_SCATTER = 0.01
PATIENCE = 3.0
MOST_PHI = 0.95
LEARN_FROM = 8  # least number of quarters in a transmission
CUT = 4.0  # standard deviations at which values are clipped for learning
BACK = 8


class Normal(msgspec.Struct, forbid_unknown_fields=True):
    """Normal behaviour on a channel; reflection coefficients.

    quarters, square, product  number of quarters, the mean of squares beyond noise, and of products
                               of neighbours
    worst                      mean of squares of the most restless recent transmission
    drifts, drift              number of transmissions, the mean square of drifts
    levels, level, scatter     number of levels, their mean, the mean square of deviations from it
    doubt                      the largest recent doubt from the converter
    """

    quarters: float = 0.0
    square: float = 0.0
    product: float = 0.0
    worst: float = 0.0
    drifts: float = 0.0
    drift: float = 0.0
    levels: float = 0.0
    level: float = 0.0
    scatter: float = 0.0
    doubt: float = 0.0


class Memory(msgspec.Struct, forbid_unknown_fields=True):
    """Normal behaviour by channel, the latest used last; levels since the last work."""

    channels: dict[str, Normal] = {}
    work_ns: int = 0


@dataclass(slots=True)
class _Stay:
    """A transmission in progress, or its stay on one channel."""

    start_ns: int
    channel: str
    first: float  # rho of its first quarter
    end_ns: int = 0
    values: list[Floats] = field(default_factory=list)  # rho
    variances: list[Floats] = field(default_factory=list)  # from noise
    doubt: float = 0.0  # largest of all quarters so far and of the baseline
    own_doubt: float = 0.0  # largest of all quarters so far
    weight: float = 0.0  # of all quarters so far and of the baseline
    moment: float = 0.0  # weight times level
    last: float = 0.0  # standardised value of the last quarter
    last_number: int = -1
    count: int = 0
    before: float | None = None  # level before the change
    since: int = 0  # index of the first quarter after the change
    recent: list[float] = field(default_factory=list)


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> SuddenChange:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    return SuddenChange(options.false_alarm_rates()[KIND], memory, active=active)


class SuddenChange(LearningRule):
    """State machine over quarters; it learns when a transmission has ended."""

    takes = (Transmission,)

    def __init__(self, false_alarms_per_year: float, memory: Memory, *, active: bool) -> None:
        self._bank = Bank(QUARTERS_A_YEAR / false_alarms_per_year)
        self._cap = self._bank.least - 1e-6
        self._active = active
        self._stays: list[_Stay] = []
        self.memory = memory

    def quarters(self, quarters: Quarters) -> list[Finding]:
        """Return the changes of state in some quarters of one or several transmissions."""
        unknown = np.isnan(quarters.ratio)
        telling: slice | Bools = ~unknown if unknown.any() else slice(None)
        number, start_ns = quarters.number[telling], quarters.start_ns[telling]
        ratio, variance = quarters.ratio[telling], quarters.variance[telling]
        doubt = quarters.doubt[telling]
        place = quarters.place[telling]
        # Rounded, so that the last bits do not depend on the cut of the blocks.
        rho = np.sqrt(ratio).round(8)
        # The root of a ratio that is mostly noise scatters by no more than the root of the noise.
        spread = 4 * (ratio + np.sqrt(variance))
        # Both are 0 if a coarse converter reads zero without noise.
        least = np.maximum(spread, np.finfo(np.float64).tiny)
        variance = (variance / least).round(12)
        doubt = (np.sqrt(ratio + doubt) - np.sqrt(np.maximum(ratio - doubt, 0.0))).round(8)
        findings: list[Finding] = []
        edges = [0, *(np.flatnonzero(start_ns[1:] != start_ns[:-1]) + 1).tolist(), len(number)]
        for begin, end in itertools.pairwise(edges):
            if begin == end:
                continue
            stay = self._stay(int(start_ns[begin]), str(place[begin]), float(rho[begin]))
            while begin < end:
                part = slice(begin, end)
                begin += self._some(
                    stay, number[part], rho[part], variance[part], doubt[part], findings
                )
        return findings

    def row(self, row: Transmission, work_ns: int) -> list[Finding]:
        """Learn from an ended transmission; return the changes of state."""
        findings: list[Finding] = []
        if work_ns > self.memory.work_ns:
            self.memory.work_ns = work_ns
            for normal in self.memory.channels.values():
                normal.levels = 0.0
        end_ns = None
        while self._stays and self._stays[0].start_ns <= row.end_ns:
            stay = self._stays.pop(0)
            self._learn(stay)
            end_ns = stay.end_ns
        if self._active and end_ns is not None:
            self._active = False
            detail = "the transmission has ended; later ones are compared with its level"
            findings.append(Finding(end_ns, ChangeKind.CLEARED, None, None, detail))
        self._bank.restart()
        return findings

    def _stay(self, start_ns: int, place: str, first: float) -> _Stay:
        stays = self._stays
        if not stays or stays[-1].start_ns != start_ns or stays[-1].count >= MOST_QUARTERS:
            self._bank.restart()
            stays.append(_Stay(start_ns, place, first))
            normal = self.memory.channels.get(stays[-1].channel)
            if normal is not None and normal.levels >= LEAST_LEVELS:
                stays[-1].weight = 1 / _level_variance(normal)
                stays[-1].moment = stays[-1].weight * normal.level
                stays[-1].doubt = normal.doubt
        return stays[-1]

    def _some(
        self,
        stay: _Stay,
        number: Times,
        rho: Floats,
        variance: Floats,
        doubt: Floats,
        findings: list[Finding],
    ) -> int:
        """Process some quarters of a stay, up to a change of state; return their number."""
        if stay.before is not None:
            taken = self._changed(stay, number, rho, variance, doubt, findings)
        else:
            taken = self._watched(stay, number, rho, variance, doubt, findings)
        stay.own_doubt = max(stay.own_doubt, float(doubt[:taken].max()))
        stay.values.append(rho[:taken])
        stay.variances.append(variance[:taken])
        stay.count += taken
        stay.last_number = int(number[taken - 1])
        stay.end_ns = (stay.last_number + 1) * QUARTER_NS
        return taken

    def _watched(
        self,
        stay: _Stay,
        number: Times,
        rho: Floats,
        variance: Floats,
        doubt: Floats,
        findings: list[Finding],
    ) -> int:
        normal = self.memory.channels.get(stay.channel, Normal())
        sd, phi, drift = _usual(normal, stay.first)
        # The reference level may have been read at less power, with more doubt.
        worst = np.maximum.accumulate(np.concatenate([[stay.doubt], doubt]))
        slack = drift + worst[1:]
        total = variance + sd**2
        weight = (1 - phi) / (1 + phi) / total
        weights = np.cumsum(np.concatenate([[stay.weight], weight]))
        if normal.levels >= LEAST_LEVELS:
            # A step since the last transmission must not become the level it is compared with.
            most = slack + CUT * np.sqrt(total + _level_variance(normal))
            steady = np.minimum(np.maximum(rho, normal.level - most), normal.level + most)
        else:
            steady = rho
        moments = np.cumsum(np.concatenate([[stay.moment], weight * steady]))
        with np.errstate(divide="ignore", invalid="ignore"):
            away = rho - moments[:-1] / weights[:-1]
            spread = np.sqrt(total + 1 / weights[:-1])
        away -= np.minimum(np.maximum(away, -slack), slack)
        value = np.where(weights[:-1] > 0, away / spread, 0.0)
        link = np.empty(len(number))
        link[0] = number[0] - stay.last_number == 1
        link[1:] = number[1:] - number[:-1] == 1
        link *= phi
        white = value.copy()
        white[0] -= link[0] * stay.last
        white[1:] -= link[1:] * value[:-1]
        white /= np.sqrt(1 - link**2)
        white = np.minimum(np.maximum(white, -self._cap), self._cap)
        change = self._bank.update(white)
        taken = len(rho) if change is None else change.at + 1
        stay.weight, stay.moment = float(weights[taken]), float(moments[taken])
        stay.last = float(value[taken - 1])
        stay.doubt = float(worst[taken])
        if change is not None:
            self._found(stay, number, rho, change, findings)
        return taken

    def _found(
        self,
        stay: _Stay,
        number: Times,
        rho: Floats,
        change: CusumCrossing,
        findings: list[Finding],
    ) -> None:
        """Record a changed level from quarter `change.since` on, and raise the alarm."""
        values = np.concatenate([*stay.values, rho[: change.at + 1]])
        stay.since = max(stay.count + change.since, 0)
        old, new = values[: stay.since], values[stay.since :]
        normal = self.memory.channels.get(stay.channel)
        stay.before = float(np.mean(old)) if len(old) else (normal or Normal()).level
        stay.recent = []
        # Only the quarters before the change remain in the level.
        stay.weight *= stay.since / len(values)
        stay.moment = stay.weight * stay.before
        if self._active:
            return
        self._active = True
        after = float(np.mean(new))
        where = "within one transmission" if len(old) else "since this transmission began"
        detail = (
            f"SWR {swr(stay.before):.2f} before, {swr_words(float(swr(after)))} for the last"
            f" {len(new) * QUARTER_NS / 1e9:g} s, {where}"
        )
        time_ns = (int(number[change.at]) + 1) * QUARTER_NS
        findings.append(Finding(time_ns, ChangeKind.RAISED, float(swr(after)), None, detail))

    def _changed(
        self,
        stay: _Stay,
        number: Times,
        rho: Floats,
        variance: Floats,
        doubt: Floats,
        findings: list[Finding],
    ) -> int:
        """Process quarters until the level is back; return their number."""
        before = stay.before
        assert before is not None
        sd, phi, drift = _usual(self.memory.channels.get(stay.channel, Normal()), before)
        for at, value in enumerate(rho.tolist()):
            stay.recent = [*stay.recent[1 - BACK :], value]
            by_chance = math.sqrt((sd**2 * (1 + phi) / (1 - phi) + variance[at]) / BACK)
            near = drift + max(stay.doubt, doubt[at]) + 3 * by_chance
            if len(stay.recent) == BACK and abs(math.fsum(stay.recent) / BACK - before) <= near:
                self._bank.restart()
                stay.before, stay.last = None, 0.0
                if self._active:
                    self._active = False
                    time_ns = (int(number[at]) + 1) * QUARTER_NS
                    value = float(swr(math.fsum(stay.recent) / BACK))
                    detail = "the level is back to what it was"
                    findings.append(Finding(time_ns, ChangeKind.CLEARED, value, None, detail))
                return at + 1
        return len(rho)

    def _learn(self, stay: _Stay) -> None:
        channels = self.memory.channels
        normal = channels.pop(stay.channel, None) or Normal()
        channels[stay.channel] = normal  # the channel used last is last
        if len(channels) > MOST_CHANNELS:
            del channels[next(iter(channels))]
        normal.doubt = max(stay.own_doubt, normal.doubt * KEPT)
        rho, variance = np.concatenate(stay.values), np.concatenate(stay.variances)
        if stay.before is not None:
            after = float(np.mean(rho[stay.since :]))
            normal.levels, normal.level = 1.0, after
            # A repeated change like this counts as drift of this station.
            _learn_drift(normal, min(abs(after - stay.before), MOST_DRIFT) ** 2)
            return
        level = float(np.sort(rho)[len(rho) // 2])
        if len(rho) >= LEARN_FROM:
            self._learn_spread(normal, rho, variance, level)
        normal.levels = min(normal.levels + 1, LEVELS)
        step = (level - normal.level) / normal.levels
        deviation = (level - normal.level) * (level - normal.level - step)
        normal.scatter += (deviation - normal.scatter) / normal.levels
        normal.level += step

    def _learn_spread(self, normal: Normal, rho: Floats, variance: Floats, level: float) -> None:
        """Learn the variance and correlation of wind, and the drift over a transmission.

        Wind is estimated from neighbouring quarters about a level that may drift; the drift is that
        from the first third to the last.
        """
        sd, _, _ = _usual(normal, level)
        places = np.arange(len(rho)) - 0.5 * (len(rho) - 1)
        slope = float(places @ rho) / float(places @ places)
        off = rho - level - slope * places
        most = CUT * np.sqrt(sd**2 + variance)
        off = np.minimum(np.maximum(off, -most), most)
        count = float(len(rho))
        share = count / (normal.quarters + count)
        square = max(float((off**2 - variance).mean()), 0.0)
        product = float((off[1:] * off[:-1]).mean())
        normal.square += share * (square - normal.square)
        normal.product += share * (product - normal.product)
        normal.worst = max(normal.worst * KEPT, square)
        normal.quarters = min(normal.quarters + count, MEMORY)
        third = len(rho) // 3
        drift = float(rho[-third:].mean() - rho[:third].mean())
        by_chance = (square + float(variance.mean())) * 2 / third
        _learn_drift(normal, max(drift**2 - by_chance, 0.0))


def _learn_drift(normal: Normal, square: float) -> None:
    normal.drifts = min(normal.drifts + 1, MEMORY_DRIFTS)
    normal.drift += (square - normal.drift) / normal.drifts


def _level_variance(normal: Normal) -> float:
    """Return the variance of a transmission's level about that of its channel."""
    return normal.scatter + LEAST_SCATTER**2


def _usual(normal: Normal, level: float) -> tuple[float, float, float]:
    """Return the standard deviation of a quarter beyond noise, its correlation and the drift.

    The correlation is that with the next quarter; shifts up to the drift are not a change.
    """
    guess = (PRIOR_SD + PRIOR_SHARE * level) ** 2
    total = PRIOR + normal.quarters
    square = (PRIOR * guess + normal.quarters * normal.square) / total
    worst = max(square, normal.worst)
    product = (PRIOR * PRIOR_PHI * guess + normal.quarters * normal.product) / total
    drifts = PRIOR_DRIFTS + normal.drifts
    drift = (PRIOR_DRIFTS * PRIOR_DRIFT**2 + normal.drifts * normal.drift) / drifts
    return (
        max(math.sqrt(worst), LEAST_SD),
        min(max(product / square, 0.0), MOST_PHI),
        PATIENCE * max(math.sqrt(drift), LEAST_DRIFT),
    )
