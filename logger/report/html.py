"""The report as a self-contained HTML file: no scripts, all external text escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from importlib.resources import files

from logger.charts.drift import small
from logger.charts.fault_scene import FaultScene
from logger.charts.palette import VARIABLES, style_sheet
from logger.charts.sheet import svg
from logger.report.summary import Summary, TrendLine
from logger.report.words import FAULTS, sections
from logger.trend.account import Account, ChannelAccount, date
from logger.tune.session import TuningState
from logger.wording import count

HEADS = ("", "SWR", "a year", "95 %", "season", "verdict", "since", "days")
MOST_CHARTS = 8  # the most used channels
WIDTH_MM, HEIGHT_MM, FAULT_MM = 100.0, 84.0, 105.0


def page(
    summary: Summary,
    account: Account,
    tuning: TuningState | None = None,
    fault: FaultScene | None = None,
) -> str:
    """Return the file; `tuning` is the last tuning session, `fault` an open fault to draw."""
    return document(f"Feedline at {summary.station}", body(summary, account, tuning, fault))


def document(title: str, lines: Iterable[str]) -> str:
    """Return a file with a body of these lines."""
    template, css = (
        (files("logger.report") / name).read_text("utf-8") for name in ("report.html", "report.css")
    )
    return template.format(
        title=escape(title), css=f"{style_sheet()}\n{css}".rstrip(), body="\n".join(lines)
    )


def body(
    summary: Summary,
    account: Account,
    tuning: TuningState | None = None,
    fault: FaultScene | None = None,
    prefix: str = "",
) -> Iterator[str]:
    """Yield the report of one station; ids in it begin with `prefix`."""
    yield f"<h1>Feedline at {escape(summary.station)}</h1>"
    when = f"Written {summary.generated_utc[:16].replace('T', ' ')} UTC"
    if summary.first is not None:
        when += f"; readings from {summary.first} to {summary.last}"
    yield f'<p class="when">{when}.</p>'
    yield f'<p class="state {summary.state}">{escape(summary.sentence)}</p>'
    for section in sections(summary):
        yield f"<h2>{escape(section.title)}</h2>"
        yield from _list_items("ul", section.lines)
        yield from _list_items("ol", section.steps)
        if section.title == FAULTS and fault is not None:
            yield from _draw_fault(fault, prefix)
    if account.channels:
        yield "<h2>Charts</h2>"
        yield '<div class="charts">'
        for number, channel in enumerate(account.channels[:MOST_CHARTS], 1):
            yield _figure(account, channel, f"{prefix}c{number}")
        yield "</div>"
        omitted = len(account.channels) - MOST_CHARTS
        if omitted > 0:
            more = count(omitted, "more channel")
            yield f"<p>{more}: <code>mismatchd chart drift --channel N</code>.</p>"
        yield from _table(summary)
    if tuning is not None:
        yield "<h2>Positions of the last adjustment</h2>"
        yield _draw_tuning(tuning, prefix)
    yield from _journal(account)


def _list_items(kind: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        yield f"<{kind}>"
        yield from (f"<li>{escape(line)}</li>" for line in lines)
        yield f"</{kind}>"


def _figure(account: Account, channel: ChannelAccount, prefix: str) -> str:
    label = f"Daily SWR of {channel.name} with its trend"
    figure = small(account, channel, WIDTH_MM, HEIGHT_MM)
    return (
        f"<figure><figcaption>{escape(channel.name)}</figcaption>"
        f"{_embed(svg(figure), prefix, label)}</figure>"
    )


def _draw_fault(scene: FaultScene, prefix: str) -> Iterator[str]:
    """Yield the chart of a fault, and what its numbers mean."""
    from logger.charts.fault import list_notes
    from logger.charts.fault import small as small_fault

    label = f"Course of fault {scene.fault.id}"
    picture = svg(small_fault(scene, 1.4 * WIDTH_MM, FAULT_MM))
    yield f'<figure class="fault"><figcaption>{label}</figcaption>'
    yield f"{_embed(picture, f'{prefix}f', label)}</figure>"
    yield from _list_items("ol", list_notes(scene))


def _draw_tuning(state: TuningState, prefix: str) -> str:
    from logger.charts.tuning import small as small_tuning

    figure = small_tuning(state, 1.4 * WIDTH_MM, HEIGHT_MM)
    picture = _embed(svg(figure), f"{prefix}tuning", "SWR at each position")
    return f"<figure>{picture}</figure>"


def _embed(picture: str, prefix: str, label: str) -> str:
    """Return an SVG for embedding, with its own ids and the colours of the page."""
    picture = picture[picture.index("<svg") :]
    picture = re.sub(r"<metadata>.*?</metadata>", "", picture, flags=re.DOTALL)
    picture = re.sub(r'\b(id="|href="#|url\(#)', rf"\g<1>{prefix}-", picture)
    for colour, variable in VARIABLES.items():
        picture = re.sub(rf"{colour}\b", f"var(--{variable})", picture, flags=re.IGNORECASE)
    picture = re.sub(r' (width|height)="[\d.]+pt"', "", picture, count=2)
    label = escape(label, quote=True)
    return picture.replace("<svg", f'<svg role="img" aria-label="{label}"', 1)


def _table(summary: Summary) -> Iterator[str]:
    yield '<h2>Figures</h2>\n<div class="wide" tabindex="0"><table>'
    yield f"<tr>{''.join(f'<th>{head}</th>' for head in HEADS)}</tr>"
    for line in summary.trend:
        cells = "".join(f"<td>{escape(cell)}</td>" for cell in row_of(line))
        yield f"<tr><th>{escape(line.name)}</th>{cells}</tr>"
    yield "</table></div>"


def row_of(line: TrendLine) -> tuple[str, ...]:
    """Return the figures of a channel under `HEADS`, without its name."""
    has_slope = line.slope_per_year is not None and line.slope_low is not None
    return (
        f"{line.level:.2f}",
        f"{line.slope_per_year:+.3f}" if has_slope else "–",
        f"{line.slope_low:+.3f} to {line.slope_high:+.3f}" if has_slope else "–",
        "–" if line.season_amplitude is None else f"±{line.season_amplitude:.2f}",
        line.verdict,
        line.since,
        str(line.days),
    )


def _journal(account: Account) -> Iterator[str]:
    """Yield the journal; entries are numbered as their marks on the charts."""
    if not account.entries:
        return
    yield "<h2>Journal</h2>"
    lines = [f"{date(entry.day)} {entry.kind}: {entry.text}" for entry in account.entries]
    yield from _list_items("ol", lines)
