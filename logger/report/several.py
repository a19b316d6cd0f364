"""The report on several stations: a summary with a paragraph on each, then the report of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

import msgspec

from logger.report.summary import Summary
from logger.report.text import limit_width, wrap
from logger.rows import FaultState
from logger.wording import count


class StationLine(msgspec.Struct, frozen=True, kw_only=True):
    """A station in the summary: its report, or the `error` that prevented it.

    The times are those of `Summary`.
    """

    station: str
    config: str
    state: str = "unknown"
    sentence: str | None = None
    open_faults: int | None = None
    last_transmission_utc: str | None = None
    silent_since_utc: str | None = None
    error: str | None = None
    report: Summary | None = None


def line_of(station: str, config: str, report: Summary) -> StationLine:
    """Return the line of a station, named `station` to tell it from others."""
    return StationLine(
        station=station,
        config=config,
        state=report.state,
        sentence=report.sentence,
        open_faults=sum(fault.state == FaultState.OPEN for fault in report.faults),
        last_transmission_utc=report.last_transmission_utc,
        silent_since_utc=report.silent_since_utc,
        report=report,
    )


def heading(lines: Sequence[StationLine], generated_utc: str) -> str:
    """Return the title of the report."""
    return f"Feedlines of {count(len(lines), 'station')}, {generated_utc[:10]}"


def text_of(title: str, lines: Sequence[StationLine], reports: Sequence[str], width: int) -> str:
    """Return the report for a terminal; `reports` are those of the stations, empty if failed."""
    width = limit_width(width)
    summary = [title]
    for line in lines:
        words = [f"{line.station}:", line.sentence, _facts(line)]
        summary += ["", *wrap(" ".join(filter(None, words)), width)]
    rule = "\u2500" * width
    return f"\n\n{rule}\n".join(["\n".join(summary), *filter(None, reports)])


def html_of(title: str, lines: Sequence[StationLine], reports: Sequence[str]) -> Iterator[str]:
    """Yield the report for a browser; the summary has links to the `reports`, empty if failed."""
    yield f"<h1>{escape(title)}</h1>"
    for number, (line, report) in enumerate(zip(lines, reports, strict=True), 1):
        name = escape(line.station)
        if report:
            name = f'<a href="#station-{number}">{name}</a>'
        words = [f"<strong>{name}</strong>", escape(line.sentence or ""), escape(_facts(line))]
        yield f'<p class="state {line.state}">{"<br>".join(filter(None, words))}</p>'
    for number, report in enumerate(reports, 1):
        if report:
            yield f'<section id="station-{number}">\n{report}\n</section>'


def _facts(line: StationLine) -> str:
    """Return what is known of a station besides its state."""
    if line.error is not None:
        return f"No report: {line.error}"
    last = line.last_transmission_utc
    when = "none yet" if last is None else f"{last[:16].replace('T', ' ')}Z"
    return f"{count(line.open_faults or 0, 'open fault')}; last transmission: {when}."
