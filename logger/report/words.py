"""The report in sentences, the same for terminal and browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from logger.feedline.findings import words
from logger.feedline.measurement import Bounds
from logger.physics.estimate import Estimate
from logger.report.changes import ChannelChange
from logger.report.state import StateLine, causes, story
from logger.report.summary import ForecastLine, LineLossLine, Summary, TrendLine
from logger.trend.account import channel_name, named

AGAINST = {"month": "last month", "year": "last year", "repair": "the last repair"}
HARDLY = 0.005  # a probability too small to state
FALLING = "A falling SWR is not always good news: a line with more loss reads better, too."


class ReportSection(NamedTuple):
    """Section of the report: heading, sentences, and numbered steps to take."""

    title: str
    lines: tuple[str, ...]
    steps: tuple[str, ...] = ()


def state(summary: Summary) -> str:
    """Return the state of the feedline in one sentence.

    It names open alarms, unannounced steps, a limit about to be reached and slopes, or says that
    all is well.
    """
    waiting = summary.alarms.open
    if not summary.trend:
        return "No statement yet: no readable transmission is stored."
    parts = [f"alarm {one.kind} is open since {one.raised_utc[:10]}" for one in waiting[:2]]
    if len(waiting) > 2:
        parts.append(f"{len(waiting) - 2} more alarms are open")
    over = [one for one in summary.trend if one.level >= summary.limit]
    if over:
        parts.append(f"{_named(over)} {_is(over)} above the limit of SWR {summary.limit:g}")
    parts += summary.unannounced[:2]
    likely = [
        one for one in summary.forecast if one.probability is not None and one.likely is not None
    ]
    if likely:
        soonest = min(likely, key=lambda one: one.likely or "")
        parts.append(f"{soonest.name} may reach the limit about {(soonest.likely or '')[:7]}")
    by_verdict: dict[str, list[TrendLine]] = {}
    for one in summary.trend:
        by_verdict.setdefault(one.verdict, []).append(one)
    for verdict in ("rising", "falling"):
        some = by_verdict.get(verdict)
        if some:
            parts.append(f"{_named(some)} {_is(some)} {verdict}")
    if any(one.loses_more for one in summary.line_loss):
        parts.append("the line loses more than before or than nominal")
    together = summary.station_state
    if together is not None and causes(together):
        parts.append(story(together.verdict, together))
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
        f"The feedline is as it was: {_named(steady)} {_is(steady)} steady, no alarm is open{rest}."
    )


def sections(summary: Summary) -> list[ReportSection]:
    """Return all sections with content, in order."""
    made = [
        ReportSection("What changed", tuple(_changed(summary))),
        ReportSection("Alarms", tuple(_alarms(summary))),
        ReportSection("Trend", tuple(trend(one) for one in summary.trend) + _falling(summary)),
        *_station_state(summary.station_state),
        ReportSection("Line loss", tuple(_line_loss(one) for one in summary.line_loss)),
        *_tuning(summary),
        ReportSection("Forecast", tuple(_forecasts(summary))),
        ReportSection("Next check", *_next(summary)),
    ]
    return [one for one in made if one.lines]


def _changed(summary: Summary) -> list[str]:
    lines = []
    for against, when in AGAINST.items():
        some = [one for one in summary.changes if one.against == against]
        if not some:
            reason = "too few readings then or now"
            if against == "repair":
                reason = "the journal has none, or too few readings followed"
            lines.append(f"Since {when}: nothing can be said, {reason}.")
            continue
        moved = [one for one in some if one.changed]
        same = [one for one in some if not one.changed]
        parts = [_moved(one) for one in moved]
        if same:
            least = max((one.high - one.low) / 2 for one in same)
            parts.append(f"{_named(same)} as before, within ±{least:.2f}")
        season = "" if all(one.season_removed for one in some) else " (season included)"
        lines.append(f"Since {when}: {'; '.join(parts)}{season}.")
    return lines


def _moved(one: ChannelChange) -> str:
    name = channel_name(one.channel, one.frequency_khz)
    return (
        f"{name} from {one.before:.2f} to {one.after:.2f} ({one.low:+.2f} to {one.high:+.2f}, 95 %)"
    )


def _alarms(summary: Summary) -> list[str]:
    lines = [
        f"Open since {one.raised_utc[:16].replace('T', ' ')}Z: {one.kind} ({one.severity}),"
        f" {one.detail}"
        + (", acknowledged" if one.acknowledged else "")
        + f". See `mismatchd alarms show {one.id}`."
        for one in summary.alarms.open
    ]
    lines = lines or ["No alarm is open."]
    for span, counts in (("30 days", summary.alarms.month), ("12 months", summary.alarms.year)):
        lines.append(f"Raised in the last {span}: {_counts(counts)}.")
    return lines


def _counts(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{kind} {count}" for kind, count in counts.items()) or "none"


def trend(one: TrendLine) -> str:
    """Return the trend of one channel in one or more sentences."""
    text = f"{_capital(one.name)}: {one.verdict} since {one.since}, now SWR {one.level:.2f}"
    if one.season_amplitude is not None:
        text += " with the season removed"
    if one.slope_per_year is not None and one.slope_low is not None and one.slope_high is not None:
        text += (
            f", {one.slope_per_year:+.3f} a year"
            f" ({one.slope_low:+.3f} to {one.slope_high:+.3f}, 95 %)"
        )
    if one.season_amplitude is not None:
        text += f", season ±{one.season_amplitude:.2f}"
    text += "."
    for step in one.steps:
        why = f", explained by: {step.explained_by}" if step.explained_by else ", unannounced"
        within = f"({step.date_low} to {step.date_high})"
        when = step.date if step.date_low == step.date_high else f"{step.date} {within}"
        text += f" Step {when} from {step.from_:.2f} to {step.to:.2f}{why}."
    return " ".join([text, *one.reasons])


def _falling(summary: Summary) -> tuple[str, ...]:
    return (FALLING,) if any(one.verdict == "falling" for one in summary.trend) else ()


STATE_CHECKS = {
    "loss": (
        "With the key up look for water at the plugs and in the braid; those outdoors without going"
        " near power lines. Measure the line alone: `mismatchd"
        " feedline measure`."
    ),
    "resonance": (
        "Look at the antenna from the ground: an element that slid in its clamp, ice, a branch or"
        " metal that came near. Before you tilt or climb, look for power lines."
    ),
}


def _station_state(state: StateLine | None) -> list[ReportSection]:
    """Return the section on antenna and line, estimated from all channels together."""
    if state is None:
        return []
    if state.verdict == "undecided":
        stories = "; or ".join(story(one, state) for one in state.or_else)
        first = f"Undecided, from {state.channels} channels together"
        first += f": {stories}." if stories else "."
    else:
        first = (
            f"Taken together, {state.channels} channels show that {story(state.verdict, state)}."
        )
        if state.or_else:
            others = ", or that ".join(story(one, state) for one in state.or_else)
            first += f" Also possible: {others}."
    lines = [first]
    figures = f"Resonance {_span(state.resonance_khz, '.0f')} kHz"
    if state.resonance_khz_per_year is not None:
        figures += f", moving by {_span(state.resonance_khz_per_year, '+.0f')} kHz a year"
    if state.loss_db_per_year is not None:
        figures += f"; loss changing by {_span(state.loss_db_per_year, '+.2f')} dB a year"
    lines.append(f"{figures} (95 %).")
    lines += [_capital(f"{reason}.") for reason in state.reasons]
    told = (state.verdict, *state.or_else)
    lines += [STATE_CHECKS[one] for one in STATE_CHECKS if one in told or "both" in told]
    return [ReportSection("Antenna and line", tuple(lines))]


def _span(span: Estimate, form: str) -> str:
    value, low, high = (format(one + 0.0, form) for one in (span.value, span.low, span.high))
    return f"{value} ({low} to {high})"


def _tuning(summary: Summary) -> list[ReportSection]:
    told = summary.tuning
    if told is None:
        return []
    return [ReportSection("Last adjusted", (f"On {told.date}: {told.outcome}.",))]


def _line_loss(one: LineLossLine) -> str:
    at = "" if one.frequency_khz is None else f"At {one.frequency_khz / 1e3:g} MHz "
    loss = words(Bounds(one.loss_db, one.loss_low_db, one.loss_high_db))
    text = f"{at}the line loses {loss} one way, measured {one.date}"
    if one.nominal_db is not None:
        how = {"more": "more than", "less": "less than"}.get(one.verdict, "which fits")
        text += f", {how} the nominal {one.nominal_db:.2f} dB"
    if one.change_db is not None and one.change_low_db is not None:
        text += (
            f"; {one.change_db:+.2f} dB since {one.first_date}"
            f" ({one.change_low_db:+.2f} to {one.change_high_db:+.2f}, 95 %)"
        )
        text += "" if one.changed else ", which may be chance"
    return _capital(f"{text}.")


def _forecasts(summary: Summary) -> list[str]:
    lines = []
    silent: dict[str, list[ForecastLine]] = {}
    for one in summary.forecast:
        if one.reason is not None:
            silent.setdefault(f"nothing can be said, {one.reason}.", []).append(one)
        elif (one.probability or 0.0) < HARDLY:
            silent.setdefault(f"SWR {one.limit:g} is unlikely before {one.horizon}.", []).append(
                one
            )
        else:
            lines.append(_forecast(one))
    return lines + [f"{_capital(_named(some))}: {text}" for text, some in silent.items()]


def _forecast(one: ForecastLine) -> str:
    share = f"{min(100 * (one.probability or 0.0), 99):.0f} %"
    text = f"{_capital(one.name)}, at the present slope, reaches SWR {one.limit:g}"
    if one.likely is None:
        return f"{text} by {one.horizon} with a probability of {share}."
    text += f" most likely about {one.likely}"
    if one.late is None:
        return f"{text}, by {one.horizon} with a probability of {share}."
    if one.early != one.late:
        text += f", with a probability of 80 % between {one.early} and {one.late}"
    return f"{text}."


def _next(summary: Summary) -> tuple[tuple[str, ...], tuple[str, ...]]:
    check = summary.next_check
    lines = [check.because]
    if check.causes:
        lines.append(f"It may be {', or '.join(check.causes)}.")
    steps = []
    said: set[tuple[str, ...]] = set()
    for one in check.checks:
        cautions = one.cautions
        if cautions in said:
            cautions = (f"Cautions as before: {one.caution}.",)
        elif cautions:
            said.add(cautions)
        steps.append(" ".join([one.text, *cautions]))
    return tuple(lines), tuple(steps)


def _levels(lines: Sequence[TrendLine]) -> str:
    return ", ".join(f"{one.name} at SWR {one.level:.2f}" for one in lines)


def _named(some: Sequence[ChannelChange | TrendLine | ForecastLine]) -> str:
    return named([(one.channel, one.frequency_khz) for one in some])


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _is(names: Sequence[object]) -> str:
    return "is" if len(names) == 1 else "are"
