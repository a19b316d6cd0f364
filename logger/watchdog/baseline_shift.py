"""Rule `baseline-shift`: the level of transmissions differs from the forecast.

The SWR of whole transmissions is compared with the forecast of their antenna and channel (without
a channel, of the segment of the band), in either direction: a line that soaks up water hides
reflection. Directivity and calibration shift all readings alike and do not matter.
Transmissions with noise above MOST_NOISE or few settled pairs are ignored, and so are those above
the limit of `high-swr`, which reports them.

A day of a channel is the median of its latest transmissions of that day. A day is tested at once,
but updates the forecast (`baseline_forecast`) only when it is HELD_DAYS old and HELD others came
after it, so that a change does not hide itself. There are three tests:

- A step of the channel (`baseline_step`) within the held days, with both levels within these days,
  the later one on at least LEAST_DAYS days.
- A step of several channels on the same day, with a size of its own on each: the evidence of the
  channels is added. Rain reaches all of them, so the sum of C channels is divided by
  1 + (C - 1) r, where r is the correlation of departures on the same day, learned from pairs of
  channels.
- RUN transmissions in a row beyond GROSS standard deviations and GROSS_SIZE, on the same side: an
  obvious change, detected within minutes.

False alarms. The first test is done on each day for each channel. With C channels and f false
alarms a year, the gain of log likelihood has to reach z^2 / 2 + MARGIN, where z is the normal
quantile of f / (2 * 365 * (C + 1)): the likelihood ratio of one parameter, and a margin for weather
outside the model (chosen by `tests.bench.foreign_years`). The evidence of the second is a
likelihood ratio averaged over sizes, whose expectation without a step is 1: by Markov's inequality
it exceeds 365 / f on at most f days of a year; again with a margin. The limits of the third are far
beyond this budget. Ice that stays for days is a change, and is reported.

There is one alarm for the station. With it, all channels adopt their new levels; no level is
adopted without an alarm, and smaller changes are left to the forecast. A further step first clears
the open alarm, and is raised as a new alarm unless it returns to the levels before the open one.
Otherwise the alarm clears ADOPT_DAYS after it was raised. Repairs, adjustments and another
calibration clear it too, and make all levels unknown; season, slope and weather are retained.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.config.load import WatchdogOptions
from logger.physics.reflection import COVERAGE
from logger.quantiles import distinct, median, normal_quantile, variance
from logger.rows import AlarmKind, ChangeKind, Severity, Transmission
from logger.utc import DAY_NS, format_ns
from logger.watchdog.baseline_forecast import (
    UNKNOWN,
    YEAR,
    BaselineForecast,
    learn,
    move,
    predict,
    variance_of_change,
)
from logger.watchdog.baseline_step import Series, Steps, fit_steps
from logger.watchdog.row_values import channel_of, is_readable, rho_of, use_latest
from logger.watchdog.rule import Finding, LearningRule

KIND = AlarmKind.BASELINE_SHIFT
SEVERITY = Severity.WARNING
RETURNED = "transmissions are back at their usual level"  # detail of a cleared alarm

MOST_NOISE = 0.01  # of the reflection coefficient
LEAST_SETTLED = 20  # pairs
MOST_CHANNELS = 64

LEARN = 8  # transmissions of a day that can replace a forecast
RUN = 4
GROSS, GROSS_SIZE = 6.0, 0.35
HELD_DAYS, HELD = 10, 6
FIRST_DAYS = 10  # with readings on a channel before the daily tests start
LEAST_DAYS = 2
LEAST_SIZE = 0.12  # SWR
MARGIN = 1.0
EVIDENCE_MARGIN = 1.5
LEAST_GAIN = 3.0  # of the channel of a transmission, below which no test is run
LATER = 2.0  # gain by which a later first day must fit better to be preferred
SCATTER_DAYS = 10.0  # over which the scatter within a day is averaged
SUSPECT = 1.5  # standard deviations above which a day is tested
MOVED = 0.5  # probability that a channel steps if any does
PRIOR_LIKENESS, PRIOR_PAIRS = 0.5, 20.0  # correlation of channels: initial value and its weight
MOST_PAIRS = 1000.0  # in the estimate; older ones fade
CAP = 3.0  # standard deviations at which a departure is clipped for learning
ADOPT_DAYS = 7


class Day(msgspec.Struct, forbid_unknown_fields=True, array_like=True):
    """A day of a channel: UTC day, median SWR, number of transmissions."""

    day: int
    swr: float
    count: int


class Channel(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Memory of a channel.

    forecast  from days up to HELD_DAYS ago
    held      days after those, ascending, before the latest one
    day, latest  the latest day, and its latest LEARN + RUN transmissions (SWR)
    count     of transmissions on that day
    seen      days with readings so far, up to FIRST_DAYS
    first     day of the first reading
    scatter   variance of a transmission about its day
    """

    forecast: BaselineForecast = msgspec.field(default_factory=BaselineForecast)
    held: list[Day] = []
    day: int = 0
    latest: list[float] = []
    count: int = 0
    seen: int = 0
    first: int = 0
    scatter: float = 0.0

    def days(self) -> list[Day]:
        """Return all days that are not in the forecast."""
        if not self.latest:
            return self.held
        return [*self.held, Day(self.day, round(median(self.latest), 5), self.count)]


class Change(msgspec.Struct, frozen=True):
    """A step of a channel: its first day, and its old and new level (SWR).

    `deviation` is the standard deviation of the new level.
    """

    day: int
    old: float
    new: float
    deviation: float


class Shift(msgspec.Struct, forbid_unknown_fields=True):
    """The change that the open alarm reports.

    raised_ns  time of the alarm
    levels     of channels before it, or before the first of several in a row (SWR)
    days       with readings since
    """

    raised_ns: int
    levels: dict[str, float]
    days: int = 0


class Likeness(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Memory of the correlation of weather between channels.

    day       latest day in the estimate
    pairs     weight of pairs of channels on a day
    products  weighted sum of the products of their departures (in standard deviations)
    """

    day: int = 0
    pairs: float = 0.0
    products: float = 0.0

    @property
    def correlation(self) -> float:
        """Correlation of the weather of two channels on the same day."""
        products = PRIOR_LIKENESS * PRIOR_PAIRS + self.products
        return min(max(products / (PRIOR_PAIRS + self.pairs), 0.0), 1.0)


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Channels, their correlation, the open alarm's change, the last work, and calibration."""

    channels: dict[str, Channel] = {}
    likeness: Likeness = msgspec.field(default_factory=Likeness)
    day: int = 0
    shift: Shift | None = None
    work_ns: int = 0
    calibration_id: str = ""


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> BaselineShift:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    return BaselineShift(
        options.false_alarm_rates()[KIND], options.high_swr.limit, memory, active=active
    )


class BaselineShift(LearningRule):
    """State machine over ended transmissions; those above `highest_swr` are ignored."""

    takes = (Transmission,)

    def __init__(
        self, false_alarms_per_year: float, highest_swr: float, memory: Memory, *, active: bool
    ) -> None:
        self._rate = false_alarms_per_year
        self._highest_swr = highest_swr
        self._active = active
        self.memory = memory

    def row(self, row: Transmission, work_ns: int) -> list[Finding]:
        """Return the changes of state caused by one transmission."""
        memory = self.memory
        reason = self._begin_anew(row, work_ns)
        if reason is None and memory.shift is None:
            reason = "the earlier levels are unknown"
        elif memory.shift is not None and memory.shift.days >= ADOPT_DAYS:
            reason = f"the new level has lasted for {ADOPT_DAYS} days with readings"
        findings: list[Finding] = []
        if reason is not None:
            memory.shift = None
            if self._active:
                self._active = False
                findings.append(Finding(row.end_ns, ChangeKind.CLEARED, None, None, reason))
        if self._is_comparable(row):
            findings += self._judge(row)
        return findings

    def _begin_anew(self, row: Transmission, work_ns: int) -> str | None:
        """Mark levels as unknown after work or a new calibration; return the reason."""
        memory = self.memory
        worked = work_ns > memory.work_ns
        calibrated = memory.calibration_id not in ("", row.calibration_id)
        memory.work_ns = max(work_ns, memory.work_ns)
        memory.calibration_id = row.calibration_id
        if not worked and not calibrated:
            return None
        for channel in memory.channels.values():
            _forget_level(channel, UNKNOWN**2)
        if worked:
            return "the station was worked on: a new baseline begins"
        return "another calibration: a new baseline begins"

    def _is_comparable(self, row: Transmission) -> bool:
        low, high = row.swr_noise_low, row.swr_noise_high
        if row.swr is None or low is None or high is None or row.swr > self._highest_swr:
            return False
        if not is_readable(row) or row.settled_samples < LEAST_SETTLED:
            return False
        rho, rho_low, rho_high = map(rho_of, (row.swr, low, high))
        return max(rho_high - rho, rho - rho_low) / COVERAGE <= MOST_NOISE

    def _judge(self, row: Transmission) -> list[Finding]:
        assert row.swr is not None
        memory = self.memory
        day = row.start_ns // DAY_NS
        name = channel_of(row)
        channel = use_latest(memory.channels, name, Channel(), MOST_CHANNELS)
        if day > memory.day:
            if memory.shift is not None:
                memory.shift.days += 1
            self._end_day()
            memory.day = day
        _begin_day(channel, day)
        channel.count += 1
        channel.latest = [*channel.latest, round(row.swr, 5)][-LEARN - RUN :]
        series = _series(channel)
        if _is_gross(channel, series):
            usual = _levels(memory, day)
            _teach_all(channel, channel.latest[:-RUN])
            channel.latest, channel.count = channel.latest[-RUN:], RUN
            change = _move_level(channel, day)
            for neighbour in memory.channels.values():
                if (
                    neighbour is not channel
                ):  # today's readings may be from before or after the step
                    _forget_level(neighbour, GROSS_SIZE**2)
            return self._change(row, {name: change}, usual)
        if not _is_suspect(series):
            return []
        # The level before must be within the held days: the forecast alone may miss a season.
        steps = fit_steps(series, np.arange(1, len(series.day)))
        if not len(steps.gain) or steps.gain.max() < LEAST_GAIN:
            return []
        step = self._own_step(channel, series, steps) or self._common_step()
        if step is None:
            return []
        since, size = step
        usual = _levels(memory, day)
        changes = {
            key: _adopt(neighbour, since, size) for key, neighbour in memory.channels.items()
        }
        return self._change(row, changes, usual)

    def _end_day(self) -> None:
        """Update the correlation of channels from a day, after HELD later days with readings."""
        memory = self.memory
        if len(memory.channels) < 2:
            return
        all_series = [_series(channel) for channel in memory.channels.values()]
        days = distinct(np.concatenate([series.day for series in all_series]))
        if len(days) <= HELD or days[-HELD - 1] <= memory.likeness.day:
            return
        likeness, day = memory.likeness, days[-HELD - 1]
        likeness.day = int(day)
        departures = [
            _standardized(series, place)
            for series in all_series
            for place in np.flatnonzero(series.day == day).tolist()
        ]
        if len(departures) < 2:
            return
        total, squares = sum(departures), sum(departure**2 for departure in departures)
        count = len(departures) * (len(departures) - 1) / 2
        fade = max(1 - count / MOST_PAIRS, 0.0)
        likeness.pairs = round(likeness.pairs * fade + count, 6)
        likeness.products = round(likeness.products * fade + (total**2 - squares) / 2, 6)

    def _common_step(self) -> tuple[int, float] | None:
        """Return day and size of the best common step of several channels, None if there is none.

        The step has a size of its own on each channel; the returned size is that on the channel
        with the strongest evidence.
        """
        memory = self.memory
        if len(memory.channels) < 2 or max(c.seen for c in memory.channels.values()) < FIRST_DAYS:
            return None
        all_series = [_series(channel) for channel in memory.channels.values()]
        days = distinct(np.concatenate([series.day for series in all_series]))[-HELD_DAYS - HELD :]
        evidence = np.zeros((len(all_series), len(days)))
        size = np.zeros_like(evidence)
        for row, series in enumerate(all_series):
            first = np.searchsorted(series.day, days)
            since = (first > 0) & (first < len(series.day))
            if since.any():
                steps = fit_steps(series, first[since])
                evidence[row, since], size[row, since] = steps.evidence, steps.size
        odds = np.logaddexp(math.log(1 - MOVED), math.log(MOVED) + evidence)
        share = np.maximum(evidence, 1e-9)
        count = share.sum(axis=0) ** 2 / (share**2).sum(axis=0)  # of channels with evidence
        total = odds.sum(axis=0) / (1 + (count - 1) * memory.likeness.correlation)
        best = int(np.argmax(total))
        has_moved = evidence[:, best] > 0
        if total[best] < self.least_evidence or not has_moved.any():
            return None
        main = int(np.argmax(evidence[:, best]))
        later_days = {
            float(day)
            for series, is_moved in zip(all_series, has_moved, strict=True)
            if is_moved
            for day in series.day[series.day >= days[best]]
        }
        if abs(size[main, best]) < LEAST_SIZE or len(later_days) < LEAST_DAYS:
            return None
        return int(days[best]), float(size[main, best])

    def _own_step(self, channel: Channel, series: Series, steps: Steps) -> tuple[int, float] | None:
        """Return day and size of the best step if large and certain enough, otherwise None."""
        places = len(series.day) - LEAST_DAYS
        if channel.seen < FIRST_DAYS or places < 1:
            return None
        best = int(np.argmax(steps.gain[:places]))
        size = float(steps.size[best])
        if abs(size) < LEAST_SIZE or steps.gain[best] <= self.least_gain:
            return None
        return int(series.day[1 + best]), size

    @property
    def least_gain(self) -> float:
        """Least gain of log likelihood for an alarm."""
        tests = 2 * YEAR * (len(self.memory.channels) + 1)
        z = normal_quantile(min(self._rate / tests, 0.02))
        return z**2 / 2 + MARGIN

    @property
    def least_evidence(self) -> float:
        """Least log likelihood ratio of a step of several channels for an alarm."""
        return math.log(YEAR / self._rate) + EVIDENCE_MARGIN

    def _change(
        self, row: Transmission, changes: dict[str, Change | None], usual: dict[str, float]
    ) -> list[Finding]:
        """Raise the alarm of a step, or clear it if the earlier levels have returned.

        `usual` are the forecast levels before this step.
        """
        memory = self.memory
        moves = {key: change for key, change in changes.items() if change is not None}
        name = max(moves, key=lambda key: abs(moves[key].new - moves[key].old))
        change = moves[name]
        findings = []
        shift, memory.shift = memory.shift, None
        if self._active:
            returned = shift is not None and _is_return(change, shift.levels.get(name))
            detail = RETURNED if returned else "another step followed"
            findings.append(Finding(row.end_ns, ChangeKind.CLEARED, None, None, detail))
            self._active = False
            if shift is not None and returned:
                # The latest readings of the other channels may all be from the previous level.
                for key in memory.channels.keys() & shift.levels.keys() - moves.keys():
                    _set_level(memory.channels[key], change.day, shift.levels[key])
                return findings
        levels = usual | {key: round(move.old, 4) for key, move in moves.items()}
        memory.shift = Shift(row.end_ns, levels if shift is None else levels | shift.levels)
        self._active = True
        value, deviation = change.new, change.deviation
        low, high = max(value - COVERAGE * deviation, 1.0), value + COVERAGE * deviation
        since = format_ns(change.day * DAY_NS)[:10]
        detail = (
            f"SWR {change.old:.2f} before, now {value:.2f} ({low:.2f} to {high:.2f}) on {name}"
            f" since {since}"
        )
        if row.start_ns // DAY_NS - memory.channels[name].first < YEAR:
            detail += "; this may be seasonal (less than a year of readings)"
        return [*findings, Finding(row.end_ns, ChangeKind.RAISED, value, None, detail)]


def _levels(memory: Memory, day: int) -> dict[str, float]:
    """Return the forecast levels of the channels, SWR."""
    date = np.array([float(day)])
    return {
        name: round(float(predict(channel.forecast, date)[0][0]), 4)
        for name, channel in memory.channels.items()
        if channel.forecast.mean
    }


def _begin_day(channel: Channel, day: int) -> None:
    """If a new day begins, hold the previous one, and let old days update the forecast."""
    if day <= channel.day:
        return
    if len(channel.latest) > 1:
        channel.scatter += (variance(channel.latest) - channel.scatter) / SCATTER_DAYS
    channel.held = channel.days()
    channel.day, channel.latest, channel.count = day, [], 0
    channel.seen = min(channel.seen + 1, FIRST_DAYS)
    channel.first = channel.first or day
    while len(channel.held) > HELD and channel.held[0].day < day - HELD_DAYS:
        _teach(channel, channel.held.pop(0))


def _teach(channel: Channel, day: Day) -> None:
    learn(channel.forecast, day.day, day.swr)


def _teach_all(channel: Channel, latest: list[float]) -> None:
    """Update the forecast at once with the held days and `latest` readings of the latest day."""
    for day in channel.held:
        _teach(channel, day)
    channel.held = []
    if latest:
        _teach(channel, Day(channel.day, median(latest), len(latest)))


def _series(channel: Channel) -> Series:
    days = channel.days()
    day: Floats = np.array([entry.day for entry in days], dtype=np.float64)
    swr = np.array([entry.swr for entry in days])
    count = np.array([entry.count for entry in days])
    expected, spread = predict(channel.forecast, day)
    first, last = (float(spread[0]), float(spread[-1])) if len(days) else (0.0, 0.0)
    tilt = variance_of_change(channel.forecast, float(day[0]), float(day[-1])) if len(days) else 0.0
    forecast = channel.forecast
    return Series(
        day,
        swr - expected,
        channel.scatter / count,
        first,
        tilt,
        last,
        forecast.deviation,
        forecast.correlation,
    )


def _standardized(series: Series, place: int) -> float:
    """Return the departure of a day in standard deviations, clipped at CAP."""
    variance = series.deviation**2 + series.last_variance + float(series.extra[place])
    return min(max(float(series.departure[place]) / math.sqrt(variance), -CAP), CAP)


def _is_suspect(series: Series) -> bool:
    """True if the latest day is far enough from the forecast to be tested.

    If the forecast is less certain than the other days, the distance from any of them counts.
    """
    weather = series.deviation**2
    if series.last_variance <= weather:
        distance = abs(float(series.departure[-1]))
        variance = weather + series.last_variance
    else:
        distance = float(np.abs(series.departure - series.departure[-1]).max())
        variance = 2 * weather
    return distance**2 >= SUSPECT**2 * (variance + float(series.extra[-1]))


def _is_gross(channel: Channel, series: Series) -> bool:
    """True if RUN transmissions in a row are far from the forecast and from earlier readings."""
    if len(channel.latest) < RUN:
        return False
    weather = channel.forecast.deviation**2
    expected = median(channel.latest) - float(series.departure[-1])
    earlier = [expected + departure for departure in series.departure[:-1].tolist()]
    previous = channel.latest[:-RUN]
    if len(previous) >= LEARN:
        earlier.append(median(previous))
    precision = 1 / series.last_variance + len(earlier) / weather
    total = expected / series.last_variance + sum(earlier) / weather
    middle = total / precision
    far = max(GROSS_SIZE, GROSS * math.sqrt(weather + 1 / precision))
    distances = [swr - middle for swr in channel.latest[-RUN:]]
    return bool(min(distances) > far or max(distances) < -far)


def _adopt(channel: Channel, day: int, size: float) -> Change | None:
    """Adopt the level since a day, or since a later one that fits better, as the usual level.

    Return None and make the level uncertain by `size` if there are no readings since, or only
    readings of the day itself, which may be from before the step.
    """
    series = _series(channel)
    places = np.flatnonzero(series.day >= day)
    if not len(places):
        _forget_level(channel, size**2)
        return None
    gain = fit_steps(series, places).gain
    best = int(np.argmax(gain - LATER * (places > places[0])))
    if len(places) == 1 and series.day[places[0]] == day and gain[0] < LEAST_GAIN:
        _forget_level(channel, size**2)
        return None
    day = int(series.day[places[best]])
    while channel.held and channel.held[0].day < day:
        _teach(channel, channel.held.pop(0))
    return _move_level(channel, day)


def _move_level(channel: Channel, day: int) -> Change:
    """Move the level to the mean of the days that are not in the forecast.

    `day` is the first day of the returned change.
    """
    forecast = channel.forecast
    series = _series(channel)
    step = float(np.mean(series.departure))
    correlation = forecast.correlation
    spread = (1 + correlation) / (1 - correlation) / len(series.day)
    deviation = forecast.deviation * math.sqrt(min(spread, 1.0))
    old = channel.days()[-1].swr - float(series.departure[-1])
    move(forecast, step, deviation**2)
    return Change(day, old, old + step, deviation)


def _forget_level(channel: Channel, variance: float) -> None:
    """Increase the variance of the level (SWR squared)."""
    _teach_all(channel, channel.latest)
    channel.latest, channel.count = [], 0
    move(channel.forecast, 0.0, variance)


def _set_level(channel: Channel, day: int, swr: float) -> None:
    """Set the level to its value on a day, with unchanged uncertainty."""
    expected, _ = predict(channel.forecast, np.array([float(day)]))
    move(channel.forecast, swr - float(expected[0]), 0.0)


def _is_return(change: Change, usual: float | None) -> bool:
    """True if the new level is much nearer to that before the open alarm than the last one was."""
    return usual is not None and abs(change.new - usual) < abs(change.old - usual) / 2
