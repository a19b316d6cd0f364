"""The report in sentences, the same for terminal and browser."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import NamedTuple

from logger.diagnosis.rules import title_of
from logger.feedline.findings import words
from logger.feedline.measurement import Bounds
from logger.physics.estimate import Estimate
from logger.physics.reflection import COVERAGE
from logger.report.changes import ChannelChange
from logger.report.state import StateLine, causes, story
from logger.report.summary import (
    FaultLine,
    ForecastLine,
    InstrumentLine,
    LineLossLine,
    Summary,
    TrendLine,
)
from logger.rows import FaultState
from logger.trend.account import name_channels
from logger.wording import UNLIKELY, capitalize, count, join, likely, list_ids

AGAINST = {
    "month": "Since last month",
    "year": "Since last year",
    "repair": "Since the last repair or adjustment",
}
RECENT_DAYS = 30  # what was read earlier is dated
FAULTS = "Faults"
OVERDUE = ": `mismatchd verify`."
HARDLY = 0.005  # a probability too small to state
FALLING = "A falling SWR is not always good news: a line with more loss reads lower, too."


class ReportSection(NamedTuple):
    """Section of the report: heading, sentences, and numbered steps to take."""

    title: str
    lines: tuple[str, ...]
    steps: tuple[str, ...] = ()


def state(summary: Summary) -> str:
    """Return the state of the feedline in one sentence, and a second one if it is an old state.

    The first names faults, open alarms of no fault, unannounced steps, a limit about to be reached
    and slopes, or says that all is well.
    """
    has_state = bool(summary.trend or summary.faults)
    text = "No statement yet: no readable transmission is stored."
    if has_state:
        text = _state(summary)
    if summary.silent_since_utc is not None:
        text += f" No pairs have come since {summary.silent_since_utc[:16].replace('T', ' ')}Z"
        text += ": this is the state of that time." if has_state else "."
    return text


def _state(summary: Summary) -> str:
    parts = [_name_fault(fault) for fault in summary.faults[:2]]
    if len(summary.faults) > 2:
        parts.append(count(len(summary.faults) - 2, "more fault"))
    open_alarms = [alarm for alarm in summary.alarms.open if alarm.fault_id is None]
    parts += [f"alarm {line.kind} open since {line.raised_utc[:10]}" for line in open_alarms[:2]]
    if len(open_alarms) > 2:
        parts.append(f"{count(len(open_alarms) - 2, 'more alarm')} open")
    high = [line for line in summary.trend if line.level >= summary.limit]
    if high:
        parts.append(f"SWR on {name_channels(high)} is above the limit of {summary.limit:g}")
    parts += summary.unannounced[:2]
    reaching = [
        line
        for line in summary.forecast
        if line.probability is not None and line.likely is not None
    ]
    if reaching:
        first = min(reaching, key=lambda line: line.likely or "")
        parts.append(f"SWR on {first.name} may reach the limit around {(first.likely or '')[:7]}")
    by_verdict: dict[str, list[TrendLine]] = {}
    for line in summary.trend:
        by_verdict.setdefault(line.verdict, []).append(line)
    for verdict in ("rising", "falling"):
        lines = by_verdict.get(verdict)
        if lines:
            parts.append(f"SWR on {name_channels(lines)} is {verdict}")
    if any(line.loses_more for line in summary.line_loss):
        parts.append("the line loses more than before or than nominal")
    joint = summary.station_state
    if joint is not None and causes(joint):
        parts.append(story(joint.verdict, joint))
    if summary.state == "act":
        return f"Look at the feedline now: {'; '.join(parts)}."
    if summary.state == "watch":
        return f"Keep an eye on the feedline: {'; '.join(parts) or 'the limit may be reached'}."
    steady = by_verdict.get("steady", [])
    if summary.state == "unknown":
        return (
            "Too early to tell drift from season, but no alarm is open:"
            f" {_levels(summary.trend[:3])}."
        )
    rest = f"; {'; '.join(parts)}" if parts else ""
    if not steady:
        return f"No alarm is open{rest}."
    return (
        f"The feedline is unchanged: SWR on {name_channels(steady)} is steady, and no alarm is"
        f" open{rest}."
    )


def _name_fault(fault: FaultLine) -> str:
    text = f"fault {fault.id} {fault.state} since {fault.opened_utc[:10]}"
    if fault.state != FaultState.OPEN:
        text = f"fault {fault.id} of {fault.opened_utc[:10]} {fault.state}"
    cause = _state_cause(fault)
    return f"{text}, {cause}" if cause else text


def _state_cause(fault: FaultLine) -> str:
    """Return the probable cause with its probability, empty if none is known or likely any more."""
    if fault.probable_cause is None or fault.probability is None:
        return ""
    how = likely(fault.probability)
    return "" if how == UNLIKELY else f"{how} {title_of(fault.probable_cause)}"


def sections(summary: Summary) -> list[ReportSection]:
    """Return all sections with content, in order."""
    next_check = ReportSection("Next check", *_next(summary))
    all_sections = [
        ReportSection(FAULTS, tuple(_faults(summary))),
        *([next_check] if summary.faults else []),
        ReportSection("What changed", tuple(_list_changes(summary))),
        ReportSection("Alarms", tuple(_alarms(summary))),
        ReportSection("Trend", tuple(_trends(summary)) + _falling(summary)),
        *_station_state(summary.station_state),
        ReportSection("Coupler", tuple(_instrument(summary.instrument))),
        ReportSection("Line loss", tuple(_line_loss(line) for line in summary.line_loss)),
        *_tuning(summary),
        ReportSection("Forecast", tuple(_forecasts(summary))),
        *([] if summary.faults else [next_check]),
    ]
    return [section for section in all_sections if section.lines]


def _list_changes(summary: Summary) -> list[str]:
    lines = []
    periods = AGAINST
    if summary.last is not None and _is_old(summary.last, summary):
        earlier = {span: f"In the {span} to {summary.last}" for span in ("month", "year")}
        periods = {**AGAINST, **earlier}
    for against, when in periods.items():
        changes = [change for change in summary.changes if change.against == against]
        if not changes:
            reason = "not enough readings to compare"
            if against == "repair":
                reason = "none in the journal, or not enough readings after it"
            lines.append(f"{when}: {reason}.")
            continue
        changed = [change for change in changes if change.changed]
        unchanged = [change for change in changes if not change.changed]
        parts = [_describe_change(change) for change in changed]
        if unchanged:
            least = max((change.high - change.low) / 2 for change in unchanged)
            parts.append(f"{name_channels(unchanged)} as before, within ±{least:.2f}")
        season = "" if all(change.season_removed for change in changes) else " (season included)"
        lines.append(f"{when}: {'; '.join(parts)}{season}.")
    return lines


def _describe_change(change: ChannelChange) -> str:
    interval = f"(change {change.low:+.2f} to {change.high:+.2f}, 95 %)"
    return f"{change.name} from {change.before:.2f} to {change.after:.2f} {interval}"


def _faults(summary: Summary) -> Iterator[str]:
    for fault in summary.faults:
        signs = [count(fault.alarms, "alarm")] if fault.alarms else []
        signs += [count(fault.excursions, "excursion")] if fault.excursions else []
        text = (
            f"Fault {fault.id}, {fault.state}"
            f"{', acknowledged' if fault.acknowledged else ''} ({fault.severity}), opened"
            f" {fault.opened_utc[:16].replace('T', ' ')}Z: {fault.summary.rstrip('.')}."
        )
        if signs:
            text += f" Signs so far: {join(signs)}"
            last = fault.last_sign_utc
            text += f", the last {last[:16].replace('T', ' ')}Z." if last else "."
        cause = capitalize(_state_cause(fault))
        text += "" if cause in fault.summary else f" {cause}."
        yield f"{text} See `mismatchd faults show {fault.id}`."


def _alarms(summary: Summary) -> list[str]:
    of_faults = [alarm for alarm in summary.alarms.open if alarm.fault_id is not None]
    lines = [
        f"Open since {alarm.raised_utc[:16].replace('T', ' ')}Z: {alarm.kind} ({alarm.severity}),"
        f" {alarm.detail}"
        + (", acknowledged" if alarm.acknowledged else "")
        + f". See `mismatchd alarms show {alarm.id}`."
        for alarm in summary.alarms.open
        if alarm.fault_id is None
    ]
    if of_faults:
        numbers = " ".join(str(number) for number in sorted({a.fault_id or 0 for a in of_faults}))
        verb = "is" if len(of_faults) == 1 else "are"
        lines.append(
            f"{count(len(of_faults), 'alarm')} of {list_ids('fault', numbers)} {verb} open."
            " See `mismatchd alarms`."
        )
    lines = lines or ["No alarm is open."]
    for span, counts in (("30 days", summary.alarms.month), ("12 months", summary.alarms.year)):
        lines.append(f"Raised in the last {span}: {_counts(counts)}.")
    if summary.usual_excursions is not None:
        lines.append(summary.usual_excursions)
    return lines


def _counts(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{kind} {count}" for kind, count in counts.items()) or "none"


def _is_old(day: str, summary: Summary) -> bool:
    age = date.fromisoformat(summary.generated_utc[:10]) - date.fromisoformat(day)
    return age.days > RECENT_DAYS


def _trends(summary: Summary) -> Iterator[str]:
    for line in summary.trend:
        yield _trend(line, f"on {line.last}" if _is_old(line.last, summary) else "now")


def _trend(line: TrendLine, when: str) -> str:
    """Return the trend of one channel, whose level is that of `when`, in one or more sentences."""
    text = (
        f"{capitalize(line.name)}: {line.verdict} since {line.since}, {when} SWR {line.level:.2f}"
    )
    if line.season_amplitude is not None:
        text += " with the season removed"
    if (
        line.slope_per_year is not None
        and line.slope_low is not None
        and line.slope_high is not None
    ):
        text += (
            f", {line.slope_per_year:+.3f} a year"
            f" ({line.slope_low:+.3f} to {line.slope_high:+.3f}, 95 %)"
        )
    if line.season_amplitude is not None:
        text += f", season ±{line.season_amplitude:.2f}"
    text += "."
    for step in line.steps:
        why = f", explained by: {step.explained_by}" if step.explained_by else ", no journal entry"
        within = f"({step.date_low} to {step.date_high})"
        when = step.date if step.date_low == step.date_high else f"{step.date} {within}"
        text += f" Step {when} from {step.from_:.2f} to {step.to:.2f}{why}."
    return " ".join([text, *line.reasons])


def _falling(summary: Summary) -> tuple[str, ...]:
    return (FALLING,) if any(line.verdict == "falling" for line in summary.trend) else ()


STATE_CHECKS = {
    "loss": (
        "With the key up, look for water at the plugs and in the braid; outdoors, keep well away"
        " from power lines. Measure the line alone: `mismatchd feedline measure`."
    ),
    "coupler": "`mismatchd verify` once a month tells the coupler from the line.",
    "resonance": (
        "Look at the antenna from the ground: an element that slid in its clamp, ice, a branch or"
        " metal near it. Before you tilt or climb, look for power lines."
    ),
}


def _station_state(state: StateLine | None) -> list[ReportSection]:
    """Return the section on antenna and line, estimated from all channels together."""
    if state is None:
        return []
    if state.verdict == "undecided":
        stories = "; or ".join(story(verdict, state) for verdict in state.or_else)
        sentence = f"Undecided, from {state.subject} together"
        sentence += f": {stories}." if stories else "."
    else:
        sentence = f"Taken together, {state.subject} show that {story(state.verdict, state)}."
        if state.or_else:
            alternatives = ", or ".join(story(verdict, state) for verdict in state.or_else)
            sentence += f" Also possible: {alternatives}."
    lines = [sentence]
    figures = f"Resonance {_span(state.resonance_khz, '.0f')} kHz"
    if state.resonance_khz_per_year is not None:
        figures += f", moving by {_span(state.resonance_khz_per_year, '+.0f')} kHz a year"
    if state.loss_db_per_year is not None:
        figures += f"; loss changing by {_span(state.loss_db_per_year, '+.2f')} dB a year"
    lines.append(f"{figures} (95 %).")
    lines += [capitalize(f"{reason}.") for reason in state.reasons]
    named_verdicts = (state.verdict, *state.or_else)
    lines += [
        STATE_CHECKS[verdict]
        for verdict in STATE_CHECKS
        if verdict in named_verdicts or "both" in named_verdicts
    ]
    return [ReportSection("Antenna and line", tuple(lines))]


def _instrument(line: InstrumentLine) -> Iterator[str]:
    """Yield what is known of the coupler, and what the trends cannot tell from it."""
    if line.schedule is not None:
        yield f"Calibration {line.schedule}{OVERDUE if line.overdue else '.'}"
    if line.verdict is not None:
        yield f"Last check against the dummy load: {line.verdict}"
    if line.temperature is not None:
        yield f"{line.temperature.describe()} This is taken out of the trends."
        if line.temperature.departs:
            yield "`mismatchd calibrate temperature` puts the coefficient into the calibration."
    unresolved, worst = line.unresolved_per_year, ""
    if unresolved:
        name = max(unresolved, key=lambda name: unresolved[name])
        others = ", less on the others" if len(unresolved) > 1 else ""
        worst = f"±{max(unresolved[name], 0.01):.2f} SWR a year on {name}{others}"
    wander = f"{line.wander_db_per_year:g} dB a year (random walk)"
    if not line.checks:
        if line.verdict is None:
            yield (
                "The coupler has not been checked against its dummy load; `mismatchd verify` does."
            )
        if worst:
            yield (
                f"If the coupler wanders by {wander}, a slow change of the feedline cannot be told"
                f" from one of the coupler within {worst} (95 %)."
            )
        return
    change = f"{line.balance_db + 0.0:+.2f} dB (±{COVERAGE * line.balance_u_db:.2f}, 95 %)"
    text = (
        f"From {count(line.checks, 'check')} the balance of its ports has changed by {change}; this"
        " is taken out of the trends."
    )
    if worst:
        text += (
            f" Of the slopes, {worst}, cannot be told from the coupler (95 %, if it wanders by"
            f" {wander} between checks)."
        )
    yield text


def _span(span: Estimate, form: str) -> str:
    value, low, high = (format(bound + 0.0, form) for bound in (span.value, span.low, span.high))
    return f"{value} ({low} to {high})"


def _tuning(summary: Summary) -> list[ReportSection]:
    tuning = summary.tuning
    if tuning is None:
        return []
    return [ReportSection("Last adjusted", (f"On {tuning.date}: {tuning.outcome}.",))]


def _line_loss(line: LineLossLine) -> str:
    prefix = "" if line.frequency_khz is None else f"At {line.frequency_khz / 1e3:g} MHz "
    loss = words(Bounds(line.loss_db, line.loss_low_db, line.loss_high_db))
    name = "the line" if line.antenna is None else f"the line to {line.antenna}"
    text = f"{prefix}{name} loses {loss} one way, measured {line.date}"
    if line.nominal_db is not None:
        how = {"more": "more than", "less": "less than"}.get(line.verdict, "which fits")
        text += f", {how} the nominal {line.nominal_db:.2f} dB"
    if line.change_db is not None and line.change_low_db is not None:
        text += (
            f"; {line.change_db:+.2f} dB since {line.first_date}"
            f" ({line.change_low_db:+.2f} to {line.change_high_db:+.2f}, 95 %)"
        )
        text += "" if line.changed else ", which is within the uncertainty"
    return capitalize(f"{text}.")


def _forecasts(summary: Summary) -> list[str]:
    lines = []
    common: dict[str, list[ForecastLine]] = {}
    for line in summary.forecast:
        if line.reason is not None:
            common.setdefault(f"no forecast; {line.reason}.", []).append(line)
        elif (line.probability or 0.0) < HARDLY:
            common.setdefault(f"SWR {line.limit:g} is unlikely before {line.horizon}.", []).append(
                line
            )
        else:
            lines.append(_forecast(line))
    return lines + [f"{capitalize(name_channels(lines))}: {text}" for text, lines in common.items()]


def _forecast(line: ForecastLine) -> str:
    percent = f"{min(100 * (line.probability or 0.0), 99):.0f} %"
    text = f"{capitalize(line.name)}, at the present slope, reaches SWR {line.limit:g}"
    if line.likely is None:
        return f"{text} by {line.horizon} with a probability of {percent}."
    text += f" most likely around {line.likely}"
    if line.late is None:
        return f"{text}, by {line.horizon} with a probability of {percent}."
    if line.early != line.late:
        text += f", with a probability of 80 % between {line.early} and {line.late}"
    return f"{text}."


def _next(summary: Summary) -> tuple[tuple[str, ...], tuple[str, ...]]:
    lines = [*summary.instrument.advice, summary.next_check.because]
    if summary.next_check.causes:
        lines.append(f"It may be {', or '.join(summary.next_check.causes)}.")
    steps = []
    given_before: set[tuple[str, ...]] = set()
    for check in summary.next_check.checks:
        cautions = check.cautions
        if cautions in given_before:
            cautions = (f"Cautions as before: {check.caution}.",)
        elif cautions:
            given_before.add(cautions)
        steps.append(" ".join([check.text, *cautions]))
    return tuple(lines), tuple(steps)


def _levels(lines: Sequence[TrendLine]) -> str:
    return ", ".join(f"{line.name} at SWR {line.level:.2f}" for line in lines)
