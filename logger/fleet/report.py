"""The report on the stations of an archive: what needs attention, then a line a station. Pure.

The slopes of all stations and channels are tested together, so that few of those that are named
are false: adjusted p-values by Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995), 289-300,
and intervals of those selected by Benjamini and Yekutieli, J. Am. Statist. Assoc. 100 (2005),
71-81.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from html import escape
from typing import Any

import msgspec
from scipy.stats import false_discovery_control

from logger.fleet.learning.facts import ExplainedStep, explain_steps
from logger.fleet.learning.shared_steps import Cause
from logger.fleet.summary import SOON_DAYS, StationSummary
from logger.physics.reflection import COVERAGE
from logger.report.html import document
from logger.report.summary import WATCH_PROBABILITY, Level
from logger.report.text import limit_width, wrap
from logger.rows import FaultState, Severity
from logger.trend.account import channel_name, date
from logger.trend.outcome import Slope
from logger.utc import DAY_NS, format_ns, parse_time
from logger.wording import count

RATE = 0.05  # share of false ones among the slopes that are named, on average
SILENT_NS = DAY_NS  # without pairs before the last push
LATE_DAYS = 2  # since the last push, which is daily, at any time of its night
UNSYNCHRONISED = 0.1  # share of a week
STEP_S = 1.0
BACKLOG_ROWS = 10_000
MOST_LINES = 10  # of a section, for people

ACT, WATCH = "act", "watch"
ORDER = ("act", "watch", "unknown", "fine")
HEADS = ("station", "state", "faults", "SWR", "last pairs", "last push", "id")


class SlopeLine(msgspec.Struct, frozen=True, kw_only=True):
    """A slope, SWR a year, that is not 0 by the test of all; its interval allows for the choice."""

    station_id: str
    channel: str
    slope_per_year: float
    low: float
    high: float
    adjusted_p: float
    level: float


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """What a section says of one station; without `is_watched` there is nothing to watch there."""

    station_id: str
    station: str
    text: str
    is_watched: bool = True


class Section(msgspec.Struct, frozen=True, kw_only=True):
    """A section, its most urgent finding first."""

    title: str
    findings: tuple[Finding, ...]
    note: str = ""


class StationLine(msgspec.Struct, frozen=True, kw_only=True):
    """A station: its state, as in the report of a single one, and its figures."""

    state: Level
    summary: StationSummary


class FleetReport(msgspec.Struct, frozen=True, kw_only=True):
    """The report. `refused` stations are there, but could not be read with this key.

    `tested` slopes were tested at the false discovery `rate`.
    """

    archive: str
    generated_utc: str
    refused: int
    tested: int
    rate: float
    slopes: tuple[SlopeLine, ...]
    sections: tuple[Section, ...]
    stations: tuple[StationLine, ...]


def report(
    archive: str, stations: Sequence[StationSummary], refused: int, now_ns: int
) -> FleetReport:
    """Return the report on stations, of which those with an `error` are only listed."""
    stations = sorted(stations, key=lambda station: (station.name, station.station_id))
    read = [station for station in stations if station.error is None]
    slopes, tested = select_slopes(read)
    sections = tuple(_sections(read, slopes, tested, now_ns))
    watched = {
        finding.station_id
        for section in sections
        for finding in section.findings
        if finding.is_watched
    }
    lines = [
        StationLine(
            state=_state(station, watched, now_ns),
            summary=msgspec.structs.replace(station, facts=None),
        )
        for station in stations
    ]
    return FleetReport(
        archive=archive,
        generated_utc=format_ns(now_ns),
        refused=refused,
        tested=tested,
        rate=RATE,
        slopes=slopes,
        sections=sections,
        stations=tuple(sorted(lines, key=lambda line: ORDER.index(line.state))),
    )


def select_slopes(stations: Sequence[StationSummary]) -> tuple[tuple[SlopeLine, ...], int]:
    """Return the slopes that are not 0, the worst first, and how many were tested."""
    tested = [
        (station, channel)
        for station in stations
        for channel in station.channels
        if channel.p_value is not None
    ]
    if not tested:
        return (), 0
    adjusted = false_discovery_control([channel.p_value for _, channel in tested], method="bh")
    chosen = [(*pair, float(p)) for pair, p in zip(tested, adjusted, strict=True) if p <= RATE]
    share = 1 - RATE * len(chosen) / len(tested)
    lines = []
    for station, channel, p in chosen:
        assert channel.slope_per_year is not None
        assert channel.slope_error is not None
        assert channel.slope_freedom is not None
        slope = Slope(channel.slope_per_year, channel.slope_error, channel.slope_freedom)
        low, high = slope.interval(share)
        name = channel_name(channel.channel, channel.frequency_khz, channel.antenna)
        lines.append(
            SlopeLine(
                station_id=station.station_id,
                channel=name,
                slope_per_year=slope.per_year,
                low=low,
                high=high,
                adjusted_p=p,
                level=channel.level,
            )
        )
    lines.sort(key=lambda line: -min(abs(line.low), abs(line.high)))
    return tuple(lines), len(tested)


def _sections(
    stations: Sequence[StationSummary], slopes: Sequence[SlopeLine], tested: int, now_ns: int
) -> Iterator[Section]:
    """Yield all sections, also those without a finding."""
    names = {station.station_id: station.name for station in stations}

    def of(title: str, texts: Callable[[StationSummary], Iterator[tuple[Any, str]]]) -> Section:
        """Return a section of (urgency, text), the least urgency value first."""
        found = [(*pair, station) for station in stations for pair in texts(station)]
        found.sort(key=lambda item: item[0])
        return Section(
            title=title,
            findings=tuple(
                Finding(station_id=station.station_id, station=station.name, text=text)
                for _, text, station in found
            ),
        )

    def silent(station: StationSummary) -> Iterator[tuple[Any, str]]:
        last = station.last_pairs_utc
        if _is_silent(station, now_ns):
            since = "no pairs yet" if last is None else f"no pairs since {_minute(last)}"
            yield last or "", f"{since}; last push {_day(station.pushed_utc)}"

    def faults(station: StationSummary) -> Iterator[tuple[Any, str]]:
        for fault in station.faults:
            if fault.state == FaultState.OPEN:
                urgency = fault.severity != Severity.CRITICAL, fault.opened_utc
                since = f"since {_day(fault.opened_utc)} ({fault.severity})"
                yield urgency, f"fault {fault.id} {since}: {fault.summary.rstrip('.')}"

    def repairs(station: StationSummary) -> Iterator[tuple[Any, str]]:
        for fault in station.faults:
            if fault.state == FaultState.VERIFYING:
                text = f"fault {fault.id} of {_day(fault.opened_utc)}, repaired but not yet"
                yield fault.opened_utc, f"{text} verified: {fault.summary.rstrip('.')}"

    def forecasts(station: StationSummary) -> Iterator[tuple[Any, str]]:
        for channel in station.channels:
            chance = channel.reaching
            if chance is None or chance < WATCH_PROBABILITY:
                continue
            name = channel_name(channel.channel, channel.frequency_khz, channel.antenna)
            text = f"{name}, SWR {channel.level:.2f}, reaches {station.limit:g} with a probability"
            text += f" of {min(100 * chance, 99):.0f} %"
            if channel.level >= (station.limit or 0.0):
                text = f"{name} is at SWR {channel.level:.2f}, above the limit of {station.limit:g}"
            yield (-chance, -channel.level), text

    def checks(station: StationSummary) -> Iterator[tuple[Any, str]]:
        due = station.verification_due_utc
        if due is not None and due < format_ns(now_ns):
            yield due, f"check of the coupler overdue since {_day(due)}"

    def clocks(station: StationSummary) -> Iterator[tuple[Any, str]]:
        share, step_s = station.unsynchronised or 0.0, station.clock_step_s or 0.0
        if share >= UNSYNCHRONISED:
            yield -share, f"clock not synchronised for {100 * share:.0f} % of its last week"
        if step_s >= STEP_S:
            yield -step_s / 1e6, f"clock set by {step_s:.1f} s in its last week"

    def backlog(station: StationSummary) -> Iterator[tuple[Any, str]]:
        waiting = station.forwarder_backlog or 0
        if _is_older(station.pushed_utc, LATE_DAYS, now_ns):
            yield station.pushed_utc, f"last push {_minute(station.pushed_utc)}"
        if waiting >= BACKLOG_ROWS:
            yield "~", f"{waiting:,} rows waited for servers at the last push"

    yield of("Silent stations", silent)
    yield of("Open faults", faults)
    yield of("Unverified repairs", repairs)
    yield _steps(stations, now_ns)
    yield Section(
        title="Worst slopes",
        findings=tuple(
            Finding(
                station_id=line.station_id,
                station=names[line.station_id],
                text=f"{line.channel}: {line.slope_per_year:+.3f} SWR a year ({line.low:+.3f} to"
                f" {line.high:+.3f}), now {line.level:.2f}",
            )
            for line in slopes
        ),
        note=f"{count(tested, 'slope')} tested at a false discovery rate of {100 * RATE:g} %"
        f" (Benjamini and Hochberg 1995); not 0: {len(slopes)}"
        + ("; intervals are widened for the selection." if slopes else ".")
        if tested
        else "No slope is tested: a slope takes a year of readings.",
    )
    yield of(f"Limit reached within {SOON_DAYS} days", forecasts)
    yield of("Instruments overdue for verification", checks)
    yield of("Clocks not kept", clocks)
    yield of("Backlog", backlog)


def _steps(stations: Sequence[StationSummary], now_ns: int) -> Section:
    """Return the latest steps of the level, own ones first."""
    pairs = [(station, station.facts) for station in stations if station.facts is not None]
    steps = explain_steps([facts for _, facts in pairs], now_ns)
    order = (Cause.OWN, Cause.ALONE, Cause.NETWORK, Cause.NEIGHBOURS)
    steps.sort(key=lambda step: (order.index(step.step.cause), -abs(step.step.size)))
    return Section(
        title="Steps of the level",
        findings=tuple(
            Finding(
                station_id=pairs[step.station][0].station_id,
                station=pairs[step.station][0].name,
                text=_describe_step(step),
                is_watched=step.step.cause in (Cause.OWN, Cause.ALONE),
            )
            for step in steps
        ),
    )


def _describe_step(explained: ExplainedStep) -> str:
    step = explained.step
    text = f"{explained.channel}: {step.size:+.2f} SWR since {date(explained.day)}"
    neighbours = count(step.neighbours, "neighbour")
    if step.cause is Cause.OWN:
        text += f", its own: weather would be within ±{COVERAGE * step.error:.2f} by {neighbours}"
        return text if explained.is_raised else f"{text}; no alarm yet"
    if step.cause is Cause.NETWORK:
        return f"{text}, network-wide: {neighbours} moved, too; look for a common cause"
    if step.cause is Cause.NEIGHBOURS:
        return f"{text}, shared with {neighbours}: weather, unless it stays"
    return f"{text}; too few neighbours to tell whether it is weather"


def _state(station: StationSummary, watched: set[str], now_ns: int) -> Level:
    if station.error is not None:
        return "unknown"
    if any(f.state == FaultState.OPEN and f.severity == Severity.CRITICAL for f in station.faults):
        return "act"
    if any(channel.level >= (station.limit or 1e9) for channel in station.channels):
        return "act"
    if _is_silent(station, now_ns):
        return "unknown"
    return "watch" if station.station_id in watched else "fine"


def text_of(fleet: FleetReport, width: int) -> str:
    """Return the report for a terminal."""
    width = limit_width(width)
    lines = [*wrap(_title(fleet), width), "", *wrap(_sentence(fleet), width)]
    for section in _filled(fleet):
        lines += ["", _heading(section)]
        for text in (section.note, *_shown(section)):
            lines += wrap(text, width, "  ")
    lines += ["", *wrap(_empty(fleet), width)]
    rows = [HEADS, *map(_cells, fleet.stations)]
    if width < 80:  # the most important columns
        rows = [row[:4] if width < 48 else (*row[:4], row[-1]) for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    others = sum(size + 2 for size in widths[1:])
    widths[0] = min(widths[0], max(width - 2 - others, 6))
    lines += ["", "Stations"]
    for row in rows:
        cells = [f"{cell[:size]:{size}}" for cell, size in zip(row, widths, strict=True)]
        lines.append("  " + "  ".join(cells).rstrip())
    for line in fleet.stations:
        if line.summary.error is not None:
            lines += wrap(f"{_name(line.summary)}: {line.summary.error}", width, "  ")
    return "\n".join(lines)


def html_of(fleet: FleetReport) -> str:
    """Return the report as a self-contained file."""

    def body() -> Iterator[str]:
        yield f"<h1>{escape(_title(fleet))}</h1>"
        level = fleet.stations[0].state if fleet.stations else "unknown"
        yield f'<p class="state {level}">{escape(_sentence(fleet))}</p>'
        for section in _filled(fleet):
            yield f"<h2>{escape(_heading(section))}</h2>"
            if section.note:
                yield f"<p>{escape(section.note)}</p>"
            if section.findings:
                items = "".join(f"<li>{escape(text)}</li>" for text in _shown(section))
                yield f"<ul>{items}</ul>"
        yield f"<p>{escape(_empty(fleet))}</p>"
        yield '<h2>Stations</h2>\n<div class="wide" tabindex="0"><table>'
        yield f"<tr>{''.join(f'<th>{head}</th>' for head in HEADS)}</tr>"
        for line in fleet.stations:
            name, *cells = _cells(line)
            others = "".join(f"<td>{escape(cell)}</td>" for cell in cells)
            yield f"<tr><th>{escape(name)}</th>{others}</tr>"
            if line.summary.error is not None:
                yield f'<tr><td colspan="{len(HEADS)}">{escape(line.summary.error)}</td></tr>'
        yield "</table></div>"

    return document(_title(fleet), body())


def _title(fleet: FleetReport) -> str:
    return f"Stations of {fleet.archive}, {fleet.generated_utc[:10]}"


def _sentence(fleet: FleetReport) -> str:
    """Return how many stations there are, by state."""
    numbers: Counter[str] = Counter(line.state for line in fleet.stations)
    words = {"act": "to look at now", "watch": "to watch", "unknown": "silent or unreadable"}
    parts = [f"{numbers[state]} {words.get(state, state)}" for state in ORDER if numbers[state]]
    text = f"{count(len(fleet.stations), 'station')}" + (f": {', '.join(parts)}." if parts else ".")
    if fleet.refused:
        text += f" {count(fleet.refused, 'more station')} cannot be read with this key."
    return text


def _filled(fleet: FleetReport) -> list[Section]:
    return [section for section in fleet.sections if section.findings or section.note]


def _empty(fleet: FleetReport) -> str:
    """Return the titles of the sections without a finding."""
    titles = [section.title for section in fleet.sections if section not in _filled(fleet)]
    return f"None: {'; '.join(titles).lower()}." if titles else ""


def _heading(section: Section) -> str:
    return f"{section.title}: {len(section.findings) or 'none'}"


def _shown(section: Section) -> Iterator[str]:
    for finding in section.findings[:MOST_LINES]:
        yield f"{finding.station} ({finding.station_id[:8]}): {finding.text}."
    more = len(section.findings) - MOST_LINES
    if more > 0:
        yield f"{more} more; --json lists all."


def _cells(line: StationLine) -> tuple[str, ...]:
    """Return the line of a station under `HEADS`."""
    summary = line.summary
    if summary.error is not None:
        return summary.name or "?", line.state, "", "", "", "", summary.station_id[:8]
    levels = [channel.level for channel in summary.channels]
    return (
        summary.name,
        line.state,
        str(sum(fault.state == FaultState.OPEN for fault in summary.faults)),
        f"{max(levels):.2f}" if levels else "-",
        _day(summary.last_pairs_utc),
        _day(summary.pushed_utc),
        summary.station_id[:8],
    )


def _name(summary: StationSummary) -> str:
    return f"{summary.name or 'station'} ({summary.station_id[:8]})"


def _is_silent(station: StationSummary, now_ns: int) -> bool:
    """True without pairs on the day before the last push, or on the days up to now."""
    last, pushed = station.last_pairs_utc, station.pushed_utc
    if last is None or pushed is None:
        return True
    silence_ns = parse_time(pushed, now_ns) - parse_time(last, now_ns)
    return silence_ns > SILENT_NS or _is_older(last, LATE_DAYS, now_ns)


def _is_older(utc: str | None, days: int, now_ns: int) -> bool:
    return utc is None or utc < format_ns(now_ns - days * DAY_NS)


def _minute(utc: str | None) -> str:
    return "-" if utc is None else f"{utc[:16].replace('T', ' ')}Z"


def _day(utc: str | None) -> str:
    return "-" if utc is None else utc[:10]
