"""Rule `sudden-change`: the reflection changes within a transmission, and stays changed.

Watched is the reflection coefficient of each quarter second (see `levels`) against the level of the
transmission so far, in which the channel's baseline counts as its scatter from one transmission to
the next allows. Directivity and calibration shift both alike and do not matter.

What is normal is learned for each channel: the variance beyond the converters' noise from quarter
to quarter (wind; that of the most restless transmission lately), its correlation from one quarter
to the next, and how far a level drifts within a transmission (warming up): up to PATIENCE times
that is taken off every deviation, and what the converter leaves in doubt. The standardised values,
whitened by that correlation, go to a bank of CUSUMs (see `cusum`). One quarter alone never decides,
however wild. Learning begins with a guess that counts for PRIOR quarters.

False alarms: `false_alarms_per_year` for a station whose key is down eight hours a day on whatever
channels, so fewer for most. Assumed is that what wind does is near normal once whitened; it is
bounded in fact. A first value of a transmission is large if the baseline has moved: that is for
`baseline-shift`, and is cut here like any.

The alarm clears when BACK quarters in a row mean the old level again, or at the end of the
transmission, from which on the new level is the channel's baseline.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import msgspec
import numpy as np

from logger.blocks import Floats, Times
from logger.config.load import WatchdogOptions
from logger.physics.reflection import swr
from logger.rows import Transmission
from logger.stages.quarters import QUARTER_NS, Quarters, channel_key
from logger.watchdog.cusum import Bank, CusumCrossing
from logger.watchdog.finding import Finding

KIND = "sudden-change"
SEVERITY = "warning"
QUARTERS_A_YEAR = 365.25 * 8 * 3600 * 4
MOST_CHANNELS = 64
MOST_QUARTERS = 4 * 3600  # of one transmission; after that it counts as another
PRIOR = 40.0  # quarters, and
PRIOR_SD, PRIOR_SHARE, PRIOR_PHI = 0.01, 0.1, 0.5  # of rho, of the level, correlation
PRIOR_DRIFTS, PRIOR_DRIFT = 4.0, 0.01
LEAST_SD, LEAST_DRIFT, MOST_DRIFT = 5e-4, 2e-3, 0.05
MEMORY = 4 * 3600.0  # quarters, after which what was learned fades
MEMORY_DRIFTS = 50.0
KEPT = 0.99  # of the worst, from one transmission to the next
LEVELS = 20.0  # transmissions that make the baseline
LEAST_LEVELS = 3
LEAST_SCATTER = 0.01
PATIENCE = 3.0
MOST_PHI = 0.95
LEARN_FROM = 8  # quarters in a transmission
CUT = 4.0  # standard deviations of what is learned
BACK = 8


class Normal(msgspec.Struct, forbid_unknown_fields=True):
    """What is normal on a channel; reflection coefficients.

    quarters, square, product  how many were learned from, the mean of squares beyond noise, and of
                               products of neighbours
    worst                      the mean of squares of the most restless transmission lately
    drifts, drift              how many transmissions, the mean square of drifts
    levels, level, scatter     how many, their mean, the mean square of deviations from it
    doubt                      the most that the converter left in doubt lately
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
    """By channel, the latest used last."""

    channels: dict[str, Normal] = {}


@dataclass(slots=True)
class _Stay:
    """A transmission that goes on, or its stay on one channel."""

    start_ns: int
    channel: str
    first: float  # rho of its first quarter
    end_ns: int = 0
    values: list[Floats] = field(default_factory=list)  # rho
    variances: list[Floats] = field(default_factory=list)  # by noise
    doubt: float = 0.0  # most of all quarters so far, and of the baseline
    own_doubt: float = 0.0  # most of all quarters so far
    weight: float = 0.0  # of all quarters so far, and of the baseline
    moment: float = 0.0  # weight times level
    last: float = 0.0  # standardised value of the last quarter
    last_number: int = -1
    count: int = 0
    before: float | None = None  # the level that it has changed from
    since: int = 0  # the quarter from which it has
    recent: list[float] = field(default_factory=list)


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> SuddenChange:
    """The rule's state machine; `active` if an alarm of it is open from before."""
    return SuddenChange(options.sudden_change.false_alarms_per_year, memory, active=active)


class SuddenChange:
    """Feeds on quarters; learns when a transmission has ended."""

    takes = (Transmission,)

    def __init__(self, false_alarms_per_year: float, memory: Memory, *, active: bool) -> None:
        self._bank = Bank(QUARTERS_A_YEAR / false_alarms_per_year)
        self._cap = self._bank.least - 1e-6
        self._active = active
        self._stays: list[_Stay] = []
        self.memory = memory

    def quarters(self, quarters: Quarters) -> list[Finding]:
        """Changes of state in some quarters; of one transmission at a time, or of several."""
        telling = ~np.isnan(quarters.ratio)
        number, start_ns = quarters.number[telling], quarters.start_ns[telling]
        ratio, variance = quarters.ratio[telling], quarters.variance[telling]
        doubt = quarters.doubt[telling]
        place = quarters.place[telling]
        # Rounded, so that the cut of the blocks does not show in the last bits.
        rho = np.asarray(np.round(np.sqrt(ratio), 8), dtype=np.float64)
        # The root of a ratio that is mostly noise scatters by no more than the noise's own root.
        spread = 4 * (ratio + np.sqrt(variance))
        # Both are 0 with a coarse converter that reads nothing without noise.
        least = np.maximum(spread, np.finfo(np.float64).tiny)
        variance = np.asarray(np.round(variance / least, 12), dtype=np.float64)
        doubt = np.sqrt(ratio + doubt) - np.sqrt(np.maximum(ratio - doubt, 0.0))
        doubt = np.asarray(np.round(doubt, 8), dtype=np.float64)
        findings: list[Finding] = []
        edges = [0, *(np.flatnonzero(start_ns[1:] != start_ns[:-1]) + 1).tolist(), len(number)]
        for begin, end in itertools.pairwise(edges):
            if begin == end:
                continue
            stay = self._stay(int(start_ns[begin]), float(place[begin]), float(rho[begin]))
            while begin < end:
                part = slice(begin, end)
                begin += self._some(
                    stay, number[part], rho[part], variance[part], doubt[part], findings
                )
        return findings

    def row(self, row: Transmission, work_ns: int) -> list[Finding]:
        """Learn from a transmission that has ended."""
        findings: list[Finding] = []
        while self._stays and self._stays[0].start_ns <= row.end_ns:
            stay = self._stays.pop(0)
            self._learn(stay)
            if self._active:
                self._active = False
                detail = "the transmission has ended; its level is what the next are held against"
                findings.append(Finding(stay.end_ns, "cleared", None, None, detail))
        self._bank.restart()
        return findings

    def _stay(self, start_ns: int, place: float, first: float) -> _Stay:
        stays = self._stays
        if not stays or stays[-1].start_ns != start_ns or stays[-1].count >= MOST_QUARTERS:
            self._bank.restart()
            stays.append(_Stay(start_ns, channel_key(place), first))
            normal = self.memory.channels.get(stays[-1].channel)
            if normal is not None and normal.levels >= LEAST_LEVELS:
                stays[-1].weight = 1 / (normal.scatter + LEAST_SCATTER**2)
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
        """Take in some quarters of a stay; how many, since a change of state ends it."""
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
        # What the level is held against may have been read at less power, with more doubt.
        worst = np.maximum.accumulate(np.concatenate([[stay.doubt], doubt]))
        slack = drift + worst[1:]
        total = variance + sd**2
        weight = (1 - phi) / (1 + phi) / total
        weights = np.cumsum(np.concatenate([[stay.weight], weight]))
        moments = np.cumsum(np.concatenate([[stay.moment], weight * rho]))
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
        """The level has changed, with the quarter `change.since`."""
        values = np.concatenate([*stay.values, rho[: change.at + 1]])
        stay.since = max(stay.count + change.since, 0)
        old, new = values[: stay.since], values[stay.since :]
        normal = self.memory.channels.get(stay.channel)
        stay.before = float(np.mean(old)) if len(old) else (normal or Normal()).level
        stay.recent = []
        # What was in the level before the change stays in it.
        stay.weight *= stay.since / len(values)
        stay.moment = stay.weight * stay.before
        if self._active:
            return
        self._active = True
        after = float(np.mean(new))
        where = "within one transmission" if len(old) else "since this transmission began"
        detail = (
            f"SWR {swr(stay.before):.2f} before, {swr(after):.2f} for the last"
            f" {len(new) * QUARTER_NS / 1e9:g} s, {where}"
        )
        time_ns = (int(number[change.at]) + 1) * QUARTER_NS
        findings.append(Finding(time_ns, "raised", float(swr(after)), None, detail))

    def _changed(
        self,
        stay: _Stay,
        number: Times,
        rho: Floats,
        variance: Floats,
        doubt: Floats,
        findings: list[Finding],
    ) -> int:
        """Wait until the level is back."""
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
                    findings.append(
                        Finding(time_ns, "cleared", value, None, "the level is back as it was")
                    )
                return at + 1
        return len(rho)

    def _learn(self, stay: _Stay) -> None:
        channels = self.memory.channels
        normal = channels.pop(stay.channel, None) or Normal()
        channels[stay.channel] = normal  # the latest last
        if len(channels) > MOST_CHANNELS:
            del channels[next(iter(channels))]
        normal.doubt = max(stay.own_doubt, normal.doubt * KEPT)
        rho, variance = np.concatenate(stay.values), np.concatenate(stay.variances)
        if stay.before is not None:
            after = float(np.mean(rho[stay.since :]))
            normal.levels, normal.level = 1.0, after
            # What changes like this time and again is how this station drifts.
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
        """The wind's variance and correlation, from neighbours about a level that may drift, and
        the drift from the first third to the last."""
        sd, _, _ = _usual(normal, level)
        places = np.arange(len(rho)) - 0.5 * (len(rho) - 1)
        slope = float(places @ rho) / float(places @ places)
        off = rho - level - slope * places
        most = CUT * np.sqrt(sd**2 + variance)
        off = np.minimum(np.maximum(off, -most), most)
        count = float(len(rho))
        share = count / (normal.quarters + count)
        square = max(float(np.mean(off**2 - variance)), 0.0)
        product = float(np.mean(off[1:] * off[:-1]))
        normal.square += share * (square - normal.square)
        normal.product += share * (product - normal.product)
        normal.worst = max(normal.worst * KEPT, square)
        normal.quarters = min(normal.quarters + count, MEMORY)
        third = len(rho) // 3
        drift = float(np.mean(rho[-third:]) - np.mean(rho[:third]))
        by_chance = (square + float(np.mean(variance))) * 2 / third
        _learn_drift(normal, max(drift**2 - by_chance, 0.0))


def _learn_drift(normal: Normal, square: float) -> None:
    normal.drifts = min(normal.drifts + 1, MEMORY_DRIFTS)
    normal.drift += (square - normal.drift) / normal.drifts


def _usual(normal: Normal, level: float) -> tuple[float, float, float]:
    """Standard deviation of a quarter beyond noise, its correlation with the next, and the shift
    that is none."""
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
