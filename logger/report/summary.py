"""All figures of the report, as printed by `--format json`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Literal

import msgspec

from logger.diagnosis.scoring import CautionedCheck, Diagnosis, checks_of
from logger.feedline.course import Course
from logger.physics.reflection import COVERAGE
from logger.report.changes import MONTH, ChannelChange, changes
from logger.report.state import StateLine, causes, state_line, story
from logger.report.steps import RECENT, is_homogeneous, unannounced
from logger.store.journal import WORK
from logger.trend.account import Account, ChannelAccount, channel_name, date, named
from logger.trend.forecast import Forecast, forecast
from logger.trend.outcome import Step
from logger.tune.positions import Position
from logger.tune.session import TuningState
from logger.tune.words import outcome
from logger.utc import DAY_NS, format_ns

Level = Literal["fine", "watch", "act", "unknown"]

WATCH_PROBABILITY = 0.2  # of reaching the limit
MOST_CHECKS = 3
LATEST_ENTRIES = 10
BEYOND_SEASON = 0.15  # SWR; a larger change within a month is not seasonal
SLOW = "baseline-shift"  # kind of alarm that slow drift also raises


class StepLine(msgspec.Struct, frozen=True):
    date: str
    date_low: str
    date_high: str
    from_: float = msgspec.field(name="from")
    to: float
    explained_by: str | None


class TrendLine(msgspec.Struct, frozen=True, kw_only=True):
    """Trend of a channel's SWR; None if unknown, with the `reasons`."""

    channel: int | None
    frequency_khz: float | None
    slope_per_year: float | None
    slope_low: float | None
    slope_high: float | None
    season_amplitude: float | None
    steps: tuple[StepLine, ...]
    verdict: str
    since: str
    last: str
    days: int
    level: float
    reasons: tuple[str, ...]

    @property
    def name(self) -> str:
        return channel_name(self.channel, self.frequency_khz)


class ForecastLine(msgspec.Struct, frozen=True, kw_only=True):
    """See `logger.trend.forecast.Forecast`; days as dates."""

    channel: int | None
    frequency_khz: float | None
    limit: float
    reason: str | None
    horizon: str | None
    probability: float | None
    early: str | None
    likely: str | None
    late: str | None

    @property
    def name(self) -> str:
        return channel_name(self.channel, self.frequency_khz)


class AlarmLine(msgspec.Struct, frozen=True):
    id: int
    kind: str
    severity: str
    raised_utc: str
    acknowledged: bool
    detail: str


class Alarms(msgspec.Struct, frozen=True):
    """Open alarms, and the number of each kind raised in the last month and year."""

    open: tuple[AlarmLine, ...]
    month: dict[str, int]
    year: dict[str, int]


class EntryLine(msgspec.Struct, frozen=True):
    time_utc: str
    kind: str
    text: str


class NextCheck(msgspec.Struct, frozen=True):
    because: str
    causes: tuple[str, ...]
    checks: tuple[CautionedCheck, ...]


class LineLossLine(msgspec.Struct, frozen=True, kw_only=True):
    """Loss of the line by its far-end reflection, dB one way: last value, change since the first.

    See `logger.feedline.course.Course`.
    """

    frequency_khz: float | None
    date: str
    loss_db: float | None
    loss_low_db: float
    loss_high_db: float | None
    nominal_db: float | None
    verdict: str
    first_date: str
    change_db: float | None
    change_low_db: float | None
    change_high_db: float | None
    changed: bool
    loses_more: bool


class TuningLine(msgspec.Struct, frozen=True):
    """Last `tune` session: its outcome, and the SWR at each frequency and position."""

    date: str
    outcome: str
    positions: tuple[Position, ...]


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """The report. `state` is its level, `sentence` the state in words (see `words.state`)."""

    station: str
    generated_utc: str
    first: str | None
    last: str | None
    limit: float
    state: Level
    sentence: str = ""
    unannounced: tuple[str, ...] = ()
    trend: tuple[TrendLine, ...]
    changes: tuple[ChannelChange, ...]
    alarms: Alarms
    forecast: tuple[ForecastLine, ...]
    next_check: NextCheck
    journal: tuple[EntryLine, ...]
    line_loss: tuple[LineLossLine, ...] = ()
    tuning: TuningLine | None = None
    station_state: StateLine | None = None


def summary(
    account: Account,
    diagnosed: Diagnosis | None = None,
    line_loss: Sequence[Course] = (),
    tuning: tuple[int, TuningState] | None = None,
) -> Summary:
    """Return the figures of the report.

    diagnosed  diagnosis of the worst open alarm
    line_loss  measurements of the line
    tuning     end (UTC ns) and state of the last adjusting session
    """
    work = [entry.day for entry in account.entries if entry.kind in WORK]
    repair = work[-1] if work else None
    told = [forecast(one.trend, account.limit) for one in account.channels]
    alarms = _alarms(account)
    state = None if account.state is None else state_line(account.state)
    compared = tuple(change for one in account.channels for change in changes(one, repair))
    first, last = account.span if account.channels else (None, None)
    return Summary(
        station=account.station,
        generated_utc=format_ns(account.now_ns),
        first=None if first is None else date(first),
        last=None if last is None else date(last),
        limit=account.limit,
        state=_state(account, told, alarms, line_loss, state, compared),
        unannounced=_unannounced(account, compared),
        trend=tuple(_trend(one) for one in account.channels),
        changes=compared,
        alarms=alarms,
        forecast=tuple(
            _forecast(one, its) for one, its in zip(account.channels, told, strict=True)
        ),
        next_check=_next_check(account, alarms, diagnosed, _loses(line_loss), state),
        journal=tuple(
            EntryLine(format_ns(entry.time_ns), entry.kind, entry.text)
            for entry in account.entries[-LATEST_ENTRIES:]
        ),
        line_loss=tuple(_line_loss(one) for one in line_loss),
        tuning=None if tuning is None else _tuning(*tuning),
        station_state=state,
    )


def _tuning(time_ns: int, state: TuningState) -> TuningLine:
    return TuningLine(format_ns(time_ns)[:10], outcome(state), tuple(state.read))


def _line_loss(one: Course) -> LineLossLine:
    return LineLossLine(
        frequency_khz=one.last.frequency_khz,
        date=format_ns(one.last.time_ns)[:10],
        loss_db=one.bounds.loss_db,
        loss_low_db=one.bounds.low_db,
        loss_high_db=one.bounds.high_db,
        nominal_db=one.last.nominal_db,
        verdict=one.verdict,
        first_date=format_ns(one.first.time_ns)[:10],
        change_db=one.change_db,
        change_low_db=one.change_low_db,
        change_high_db=one.change_high_db,
        changed=one.changed,
        loses_more=one.loses_more,
    )


def _trend(channel: ChannelAccount) -> TrendLine:
    its = channel.trend
    return TrendLine(
        channel=its.channel,
        frequency_khz=its.frequency_khz,
        slope_per_year=its.slope_per_year,
        slope_low=its.slope_low,
        slope_high=its.slope_high,
        season_amplitude=its.season_amplitude,
        steps=tuple(_step(step) for step in its.steps),
        verdict=its.verdict,
        since=date(its.since),
        last=date(its.last),
        days=its.days,
        level=its.level,
        reasons=its.reasons,
    )


def _step(step: Step) -> StepLine:
    return StepLine(
        date(step.day),
        date(step.day_low),
        date(step.day_high),
        step.before,
        step.after,
        step.explained_by,
    )


def _forecast(channel: ChannelAccount, its: Forecast) -> ForecastLine:
    days = {
        name: None if (day := getattr(its, name)) is None else date(day)
        for name in ("horizon", "early", "likely", "late")
    }
    return ForecastLine(
        channel=channel.days.channel,
        frequency_khz=channel.days.frequency_khz,
        limit=its.limit,
        reason=its.reason,
        probability=its.probability,
        **days,
    )


def _alarms(account: Account) -> Alarms:
    def since(days: int) -> dict[str, int]:
        first_ns = account.now_ns - days * DAY_NS
        return dict(Counter(one.kind for one in account.alarms if one.raised_ns >= first_ns))

    waiting = sorted(
        (one for one in account.alarms if one.cleared_ns is None),
        key=lambda one: (one.severity != "critical", -one.raised_ns),
    )
    lines = (
        AlarmLine(
            one.id, one.kind, one.severity, format_ns(one.raised_ns), one.acknowledged, one.detail
        )
        for one in waiting
    )
    return Alarms(tuple(lines), since(30), since(365))


def moving(account: Account) -> list[ChannelAccount]:
    """Return channels that rise, fall, or had a recent unannounced step."""
    today = account.now_ns // DAY_NS
    return [
        one
        for one in account.channels
        if one.trend.verdict in ("rising", "falling")
        or any(s.explained_by is None and today - s.day <= RECENT for s in one.trend.steps)
    ]


def _state(
    account: Account,
    told: Sequence[Forecast],
    alarms: Alarms,
    line_loss: Sequence[Course],
    state: StateLine | None,
    compared: Sequence[ChannelChange],
) -> Level:
    if any(one.severity == "critical" for one in alarms.open):
        return "act"
    if any(one.trend.level >= account.limit for one in account.channels):
        return "act"
    likely = any((one.probability or 0) >= WATCH_PROBABILITY for one in told)
    if (
        alarms.open
        or likely
        or _loses(line_loss)
        or causes(state)
        or moving(account)
        or _unannounced(account, compared)
    ):
        return "watch"
    if all(one.trend.verdict == "undecided" for one in account.channels):
        return "unknown"
    return "fine"


def _unannounced(account: Account, compared: Sequence[ChannelChange]) -> tuple[str, ...]:
    """Return unannounced steps of the trend in words.

    If there are none, return a change in the last month's readings, which may be too recent for the
    trend.
    """
    steps = unannounced(account)
    if steps:
        return tuple(each.words for each in steps)
    first_ns = account.now_ns - 2 * MONTH * DAY_NS
    if any(entry.kind in WORK and entry.time_ns >= first_ns for entry in account.entries):
        return ()
    moved = [
        each
        for each in compared
        if each.against == "month"
        and each.changed
        and (each.season_removed or abs(each.after - each.before) >= BEYOND_SEASON)
    ]
    if not moved:
        return ()
    names = named([(each.channel, each.frequency_khz) for each in moved])
    sizes = [each.after - each.before for each in moved]
    errors = [(each.high - each.low) / (2 * COVERAGE) for each in moved]
    low, high = min(sizes), max(sizes)
    amount = f"{low:+.2f} to {high:+.2f}"
    if is_homogeneous(sizes, errors):
        amount = f"{sum(sizes) / len(sizes):+.2f}"
    return (f"SWR changed by {amount} on {names} within the last month, unannounced",)


def _loses(line_loss: Sequence[Course]) -> bool:
    return any(one.loses_more for one in line_loss)


def _next_check(
    account: Account,
    alarms: Alarms,
    diagnosed: Diagnosis | None,
    loses: bool,
    state: StateLine | None,
) -> NextCheck:
    by_state = causes(state)
    # A trend over years may explain a slow shift; alarms of other kinds take precedence.
    explained = bool(loses or by_state) and all(one.kind == SLOW for one in alarms.open)
    if alarms.open and diagnosed is not None and (diagnosed.sure or not explained):
        blamed = tuple(cause.title for cause in diagnosed.causes[: 1 if diagnosed.sure else 3])
        because = f"Alarm {alarms.open[0].id} ({alarms.open[0].kind}) is open. {diagnosed.pattern}"
        return NextCheck(because, blamed, diagnosed.checks[:MOST_CHECKS])
    if loses:
        because = "The line, measured alone, loses more than before or than nominal."
        return NextCheck(because, (), checks_of(["wet-line"])[:MOST_CHECKS])
    if state is not None and by_state:
        because = (
            f"Taken together, {state.channels} channels show that {story(state.verdict, state)}."
        )
        return NextCheck(because, (), checks_of(by_state)[:MOST_CHECKS])
    moved = moving(account)
    if moved:
        falls = all(one.trend.verdict == "falling" for one in moved)
        likely = ["wet-line"] if falls else ["antenna-moved", "wet-line"]
        names = named([(one.days.channel, one.days.frequency_khz) for one in moved])
        because = f"The SWR has changed on {names}."
        return NextCheck(because, (), checks_of(likely)[:MOST_CHECKS])
    because = "No check is needed now; a look once a year is common practice."
    return NextCheck(because, (), checks_of(["antenna-moved"])[:1])
