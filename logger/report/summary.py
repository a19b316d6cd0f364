"""All figures of the report, as printed by `--format json`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Literal, TypeVar

import msgspec

from logger.diagnosis.checks import CautionedCheck, checks_of
from logger.diagnosis.rules import NOTHING, SHACK
from logger.diagnosis.scoring import Diagnosis
from logger.feedline.course import Course
from logger.physics.reflection import COVERAGE
from logger.report.changes import MONTH, ChannelChange, ChannelLine, changes
from logger.report.state import StateLine, causes, story
from logger.report.steps import RECENT, is_homogeneous, unannounced
from logger.rows import Alarm, AlarmKind, Fault, FaultState, Severity
from logger.store.journal import WORK
from logger.trend.account import Account, ChannelAccount, date, name_channels
from logger.trend.forecast import Forecast, forecast
from logger.trend.instrument import NOT_CHECKED, WANDER_DB
from logger.trend.outcome import Step
from logger.trend.temperature import Coefficient
from logger.tune.positions import Position
from logger.tune.session import TuningState
from logger.tune.words import outcome
from logger.utc import DAY_NS, format_ns

S = TypeVar("S", bound=msgspec.Struct)
Level = Literal["fine", "watch", "act", "unknown"]

WATCH_PROBABILITY = 0.2  # of reaching the limit
MOST_CHECKS = 3
LATEST_ENTRIES = 10
BEYOND_SEASON = 0.15  # SWR; a larger change within a month is not seasonal


class StepLine(msgspec.Struct, frozen=True):
    date: str
    date_low: str
    date_high: str
    from_: float = msgspec.field(name="from")
    to: float
    explained_by: str | None


class TrendLine(ChannelLine, frozen=True, kw_only=True):
    """Trend of a channel's SWR; None if unknown, with the `reasons`."""

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


class ForecastLine(ChannelLine, frozen=True, kw_only=True):
    """See `logger.trend.forecast.Forecast`; days as dates."""

    limit: float
    reason: str | None
    horizon: str | None
    probability: float | None
    early: str | None
    likely: str | None
    late: str | None


class AlarmLine(msgspec.Struct, frozen=True):
    id: int | None
    kind: str
    severity: str
    raised_utc: str
    acknowledged: bool
    detail: str
    fault_id: int | None = None


class Alarms(msgspec.Struct, frozen=True):
    """Open alarms, and the number of each kind raised in the last month and year."""

    open: tuple[AlarmLine, ...]
    month: dict[str, int]
    year: dict[str, int]


class FaultLine(msgspec.Struct, frozen=True, kw_only=True):
    """See `logger.rows.Fault`."""

    id: int | None
    state: str
    severity: str
    opened_utc: str
    last_sign_utc: str | None
    acknowledged: bool
    summary: str
    probable_cause: str | None
    probability: float | None
    alarms: int | None
    excursions: int | None


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
    antenna: str | None
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


class InstrumentLine(msgspec.Struct, frozen=True, kw_only=True):
    """The coupler: its calibration and last check, and its part in the trends.

    schedule  age of the calibration and due date of the next check, in words; None if unknown
    verdict   of the last check in words, None without one
    advice    what to do if that is not fine
    checks    number of checks that the trends use
    balance_db, balance_u_db  change of the balance of its ports, and standard uncertainty
    unresolved_per_year       SWR a year by channel (95 %) that a trend cannot tell from the coupler
    temperature               coefficient of its detectors, None if the temperature is not known
    """

    schedule: str | None
    overdue: bool
    verdict: str | None
    advice: tuple[str, ...] = ()
    checks: int
    balance_db: float
    balance_u_db: float
    wander_db_per_year: float
    unresolved_per_year: dict[str, float]
    temperature: Coefficient | None = None


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """The report. `state` is its level, `sentence` the state in words (see `words.state`).

    `silent_since_utc` is the time of the last pairs if none came lately; then all else is as it was
    at that time.
    """

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
    faults: tuple[FaultLine, ...] = ()
    alarms: Alarms
    forecast: tuple[ForecastLine, ...]
    next_check: NextCheck
    journal: tuple[EntryLine, ...]
    line_loss: tuple[LineLossLine, ...] = ()
    tuning: TuningLine | None = None
    station_state: StateLine | None = None
    instrument: InstrumentLine
    last_transmission_utc: str | None = None
    silent_since_utc: str | None = None
    usual_excursions: str | None = None  # comparison with others, if there are priors


def summary(
    account: Account,
    diagnosed: tuple[Alarm, Diagnosis] | None = None,
    line_loss: Sequence[Course] = (),
    tuning: tuple[int, TuningState] | None = None,
    faults: Sequence[Fault] = (),
) -> Summary:
    """Return the figures of the report.

    diagnosed  an alarm, of a fault or open, with its diagnosis
    line_loss  measurements of the line
    tuning     end (UTC ns) and state of the last tuning session
    faults     those that are not closed, the most urgent first
    """
    work = [entry.day for entry in account.entries if entry.kind in WORK]
    repair = work[-1] if work else None
    trends = [channel.trend for channel in account.channels]
    forecasts = [forecast(trend, account.limit) for trend in trends]
    alarms = _alarms(account)
    fault_lines = tuple(
        _line(FaultLine, fault, acknowledged=fault.acknowledged_utc is not None) for fault in faults
    )
    state = None if account.state is None else _line(StateLine, account.state, "first", "last")
    comparisons = tuple(
        change for channel in account.channels for change in changes(channel, repair)
    )
    first, last = account.span if account.channels else (None, None)
    return Summary(
        station=account.station,
        generated_utc=format_ns(account.now_ns),
        first=None if first is None else date(first),
        last=None if last is None else date(last),
        limit=account.limit,
        state=_state(account, forecasts, alarms, fault_lines, line_loss, state, comparisons),
        unannounced=_list_unannounced(account, comparisons),
        trend=tuple(
            _line(TrendLine, trend, "since", "last", steps=tuple(map(_step, trend.steps)))
            for trend in trends
        ),
        changes=comparisons,
        faults=fault_lines,
        alarms=alarms,
        forecast=tuple(
            _line(
                ForecastLine,
                outlook,
                *("horizon", "early", "likely", "late"),
                channel=trend.channel,
                frequency_khz=trend.frequency_khz,
                antenna=trend.antenna,
            )
            for trend, outlook in zip(trends, forecasts, strict=True)
        ),
        next_check=_next_check(account, alarms, fault_lines, diagnosed, _loses(line_loss), state),
        journal=tuple(
            EntryLine(format_ns(entry.time_ns), entry.kind, entry.text)
            for entry in account.entries[-LATEST_ENTRIES:]
        ),
        line_loss=tuple(map(_line_loss, line_loss)),
        tuning=None if tuning is None else _tuning(*tuning),
        station_state=state,
        instrument=_instrument(account),
    )


def _instrument(account: Account) -> InstrumentLine:
    """Return the coupler's part in the trends; `gather` adds its calibration and checks."""
    parts = {channel.name: channel.instrument for channel in account.channels}
    first = next((part for part in parts.values() if part is not None), NOT_CHECKED)
    return InstrumentLine(
        schedule=None,
        overdue=False,
        verdict=None,
        checks=first.checks,
        balance_db=first.balance_db,
        balance_u_db=first.balance_u_db,
        wander_db_per_year=WANDER_DB,
        unresolved_per_year={
            name: COVERAGE * part.slope_u
            for name, part in parts.items()
            if part is not None and part.slope_u
        },
        temperature=first.temperature,
    )


def _tuning(time_ns: int, state: TuningState) -> TuningLine:
    return TuningLine(format_ns(time_ns)[:10], outcome(state), tuple(state.read))


def _line_loss(course: Course) -> LineLossLine:
    return _line(
        LineLossLine,
        course,
        frequency_khz=course.last.frequency_khz,
        antenna=course.last.antenna,
        date=format_ns(course.last.time_ns)[:10],
        loss_db=course.bounds.loss_db,
        loss_low_db=course.bounds.low_db,
        loss_high_db=course.bounds.high_db,
        nominal_db=course.last.nominal_db,
        first_date=format_ns(course.first.time_ns)[:10],
    )


def _line(form: type[S], source: object, *days: str, **others: object) -> S:
    """Return `form` with the fields of the same names of a source; those in `days` become dates."""
    fields = {name: getattr(source, name) for name in form.__struct_fields__ if name not in others}
    for name in days:
        fields[name] = None if fields[name] is None else date(fields[name])
    return form(**fields, **others)


def _step(step: Step) -> StepLine:
    day, low, high = map(date, (step.day, step.day_low, step.day_high))
    return StepLine(day, low, high, step.old_level, step.new_level, step.explained_by)


def _alarms(account: Account) -> Alarms:
    def since(days: int) -> dict[str, int]:
        first_ns = account.now_ns - days * DAY_NS
        return dict(Counter(alarm.kind for alarm in account.alarms if alarm.raised_ns >= first_ns))

    lines = (
        AlarmLine(
            alarm.id,
            alarm.kind,
            alarm.severity,
            str(alarm.raised_utc),
            alarm.acknowledged_utc is not None,
            alarm.detail,
            alarm.fault_id,
        )
        for alarm in account.open_alarms
    )
    return Alarms(tuple(lines), since(30), since(365))


def moving(account: Account) -> list[ChannelAccount]:
    """Return channels that rise, fall, or had a recent unannounced step."""
    return [
        channel
        for channel in account.channels
        if channel.trend.verdict in ("rising", "falling")
        or any(
            s.explained_by is None and account.today - s.day <= RECENT for s in channel.trend.steps
        )
    ]


def _may_be_coupler(channel: ChannelAccount) -> bool:
    """True if a slope without a step is no larger than that of a coupler that wanders."""
    slope, instrument = channel.trend.slope_per_year, channel.instrument
    return (
        instrument is not None
        and slope is not None
        and abs(slope) <= COVERAGE * instrument.slope_u
        and all(step.explained_by is not None for step in channel.trend.steps)
    )


def _state(
    account: Account,
    forecasts: Sequence[Forecast],
    alarms: Alarms,
    faults: Sequence[FaultLine],
    line_loss: Sequence[Course],
    state: StateLine | None,
    comparisons: Sequence[ChannelChange],
) -> Level:
    if any(item.severity == Severity.CRITICAL for item in alarms.open):
        return "act"
    if any(f.severity == Severity.CRITICAL and f.state == FaultState.OPEN for f in faults):
        return "act"
    if any(item.trend.level >= account.limit for item in account.channels):
        return "act"
    likely = any((item.probability or 0) >= WATCH_PROBABILITY for item in forecasts)
    if (
        alarms.open
        or faults
        or likely
        or _loses(line_loss)
        or causes(state)
        or moving(account)
        or _list_unannounced(account, comparisons)
    ):
        return "watch"
    if all(item.trend.verdict == "undecided" for item in account.channels):
        return "unknown"
    return "fine"


def _list_unannounced(account: Account, comparisons: Sequence[ChannelChange]) -> tuple[str, ...]:
    """Return unannounced steps of the trend in words.

    If there are none, return a change in the last month's readings, which may be too recent for the
    trend.
    """
    steps = unannounced(account)
    if steps:
        return tuple(step.words for step in steps)
    first_ns = account.now_ns - 2 * MONTH * DAY_NS
    if any(entry.kind in WORK and entry.time_ns >= first_ns for entry in account.entries):
        return ()
    changed = [
        change
        for change in comparisons
        if change.against == "month"
        and change.changed
        and (change.season_removed or abs(change.after - change.before) >= BEYOND_SEASON)
    ]
    if not changed:
        return ()
    names = name_channels(changed)
    sizes = [change.after - change.before for change in changed]
    errors = [(change.high - change.low) / (2 * COVERAGE) for change in changed]
    low, high = min(sizes), max(sizes)
    amount = f"{low:+.2f} to {high:+.2f}"
    if is_homogeneous(sizes, errors):
        amount = f"{sum(sizes) / len(sizes):+.2f}"
    return (f"SWR changed by {amount} on {names} within the last month, with no journal entry",)


def _loses(line_loss: Sequence[Course]) -> bool:
    return any(course.loses_more for course in line_loss)


def _next_check(
    account: Account,
    alarms: Alarms,
    faults: Sequence[FaultLine],
    diagnosed: tuple[Alarm, Diagnosis] | None,
    loses: bool,
    state: StateLine | None,
) -> NextCheck:
    by_state = causes(state)
    # A trend over years may explain a slow shift; alarms of other kinds take precedence.
    kinds = {item.kind for item in alarms.open} | ({diagnosed[0].kind} if diagnosed else set())
    explained = bool(loses or by_state) and kinds <= {AlarmKind.BASELINE_SHIFT}
    if diagnosed is not None and (diagnosed[1].sure or not explained):
        alarm, diagnosis = diagnosed
        blamed = diagnosis.causes[: 1 if diagnosis.sure else 3]
        suspects = tuple(cause.title for cause in blamed if cause.name != NOTHING)
        about = f"Alarm {alarm.id} ({alarm.kind}) is open."
        if alarm.fault_id is not None:
            state_of = {fault.id: fault.state for fault in faults}
            about = f"Fault {alarm.fault_id} is {state_of.get(alarm.fault_id, 'open')}."
        because = f"{about} {diagnosis.pattern}"
        return NextCheck(because, suspects, diagnosis.checks[:MOST_CHECKS])
    if loses:
        because = "The measured line loss is above its earlier or nominal value."
        return NextCheck(because, (), checks_of(["wet-line"])[:MOST_CHECKS])
    if state is not None and by_state:
        because = f"Taken together, {state.subject} show that {story(state.verdict, state)}."
        return NextCheck(because, (), checks_of(by_state)[:MOST_CHECKS])
    channels = moving(account)
    if channels:
        falls = all(item.trend.verdict == "falling" for item in channels)
        likely = ["wet-line"] if falls else ["antenna-moved", "wet-line"]
        names = name_channels([item.days for item in channels])
        because = f"The SWR has changed on {names}."
        if all(map(_may_be_coupler, channels)):
            because += (
                " The coupler may have drifted so far: `mismatchd verify` first, with the line off"
                " and a dummy load in its place."
            )
            return NextCheck(because, (), checks_of([SHACK])[:MOST_CHECKS])
        return NextCheck(because, (), checks_of(likely)[:MOST_CHECKS])
    because = "The feedline needs no check now; a yearly inspection is common practice."
    return NextCheck(because, (), checks_of(["antenna-moved"])[:1])
