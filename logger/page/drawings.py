"""Charts and the report for pages.

Called in the chart renderer's process, the only one that imports the drawing libraries. Raises
MismatchdError.
"""

from __future__ import annotations

import re
import time
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from xml.etree import ElementTree

from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile
from logger.charts.palette import VARIABLES
from logger.config.load import FeedlineOptions, StationOptions
from logger.errors import UsageError
from logger.live.status import have_stored
from logger.local_time import in_zone
from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.utc import DAY_NS
from logger.verification.schedule import CalibrationDue

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from logger.page.multiples import Multiples
    from logger.report.gather import Report
    from logger.report.summary import FaultLine
    from logger.report.words import ReportSection

WIDTH_MM, HEIGHT_MM = 100.0, 118.0
DRIFT_MM = 84.0
FAULT_MM = 130.0
MOST_CHANNELS = 12
EVER = -(1 << 63), (1 << 63) - 1
SVG = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"
LEFT_OUT = ("metadata", "style")


class Station(NamedTuple):
    """Station of the page; `limit` is the SWR of the alarm."""

    store: Path
    name: str
    limit: float
    min_forward_w: float
    calibration: CalibrationFile
    options: StationOptions
    line_db: float | None = None  # loss of the installed line, None if unknown
    due: CalibrationDue | None = None
    zone: tzinfo = UTC  # of the times on charts
    line: FeedlineOptions = FeedlineOptions()

    @property
    def coupler(self) -> Coupler:
        """The calibrated coupler."""
        options = self.options
        return Coupler(self.calibration, options.frequency_khz, options.temperature_range_c)


class Drawing(NamedTuple):
    """Chart with its caption and notes."""

    caption: str
    svg: str
    notes: tuple[str, ...] = ()


class ReportView(NamedTuple):
    """Content of the report page."""

    when: str
    state: str
    sentence: str
    sections: list[ReportSection]
    figures: list[tuple[str, ...]]
    charts: list[Drawing]
    hidden: int  # channels without a chart
    entries: list[str]


class Overview(NamedTuple):
    """What the home page shows of the feedline: its state, the first open fault, its last days."""

    state: str
    sentence: str
    fault: FaultLine | None
    story: str
    days: Multiples


def overview(station: Station) -> Overview:
    """Return the overview."""
    from logger.diagnosis.fault_story import paragraph, tell_story
    from logger.page.multiples import DAYS, draw_days
    from logger.store.days import DailyValues

    now_ns = time.time_ns()
    with Store.reader(station.store) as store:
        summary = _report(station, store).summary
        fault = summary.faults[0] if summary.faults else None
        story = ""
        if fault is not None and fault.id is not None:
            story = paragraph(tell_story(store, fault.id, now_ns))
    with DailyValues.reader(station.store) as values:
        days = values.days(now_ns - (DAYS - 1) * DAY_NS, now_ns)
    drawings = draw_days(days, now_ns // DAY_NS, station.limit)
    return Overview(summary.state, summary.sentence, fault, story, drawings)


def transmission(station: Station, number: int) -> list[Drawing]:
    """Return the chart of a transmission."""
    from logger.charts.scenes import of_transmission
    from logger.charts.timeline import small

    have_stored(station.store)
    with Store.reader(station.store) as store:
        scene = of_transmission(
            store, number, station.name, station.min_forward_w, station.calibration
        )
    svg = _svg(small(scene, WIDTH_MM, HEIGHT_MM), f"t{number}", scene.title)
    return [Drawing("Power and reflection", svg, tuple(scene.notes))]


def capture(station: Station, number: int) -> list[Drawing]:
    """Return the charts of a capture: the event, then the whole capture."""
    from logger.charts.scenes import of_capture
    from logger.charts.timeline import small

    have_stored(station.store)
    with Store.reader(station.store) as store:
        scene = of_capture(store, number, station.name, station.min_forward_w, station.calibration)
    charts = []
    if scene.detail is not None:
        figure = small(scene, WIDTH_MM, HEIGHT_MM, detail=True)
        name = f"{scene.title}, the event"
        charts.append(Drawing("The event", _svg(figure, f"e{number}", name)))
    svg = _svg(small(scene, WIDTH_MM, HEIGHT_MM), f"c{number}", scene.title)
    return [*charts, Drawing("The whole capture", svg, tuple(scene.notes))]


def fault(station: Station, number: int) -> list[Drawing]:
    """Return the chart of a fault; the numbers on it are those of the page's timeline."""
    from logger.charts.fault import small
    from logger.charts.fault_scene import of_fault

    with Store.reader(station.store) as store:
        scene = of_fault(store, number, station.name)
    scene = scene._replace(zone=station.zone)
    svg = _svg(small(scene, WIDTH_MM, FAULT_MM), f"f{number}", f"Course of fault {number}")
    return [Drawing("Excursions per hour on the air, level, signs and states", svg)]


def calibration(station: Station, _: int) -> list[Drawing]:
    """Return the calibration sheet."""
    from logger.charts.calibration import draw

    return [Drawing("Calibration", _sheet(draw(station.calibration), "k", "Calibration sheet"))]


def verifications(station: Station, _: int) -> list[Drawing]:
    """Return the control charts of the checks of the coupler."""
    from logger.charts.verifications import draw
    from logger.store.verifications import Verifications

    with Verifications.reader(station.store) as store:
        checks = store.all()
    if not checks:
        raise UsageError("no check yet")
    return [Drawing("Checks", _sheet(draw(checks, station.name), "v", "Control charts"))]


def report(station: Station) -> ReportView:
    """Return the report with a drift chart for each channel."""
    from logger.charts.drift import small
    from logger.report.html import row_of
    from logger.report.words import sections
    from logger.trend.account import date

    with Store.reader(station.store) as store:
        summary, account, _ = _report(station, store)
    when = f"Written {summary.generated_utc[:16].replace('T', ' ')} UTC"
    if summary.first is not None:
        when += f"; readings from {summary.first} to {summary.last}"
    charts = [
        Drawing(
            channel.name,
            _svg(
                small(account, channel, WIDTH_MM, DRIFT_MM),
                f"d{place}",
                f"Daily SWR of {channel.name} with its trend",
            ),
        )
        for place, channel in enumerate(account.channels[:MOST_CHANNELS])
    ]
    return ReportView(
        when=f"{when}.",
        state=summary.state,
        sentence=summary.sentence,
        sections=sections(summary),
        figures=[(trend.name, *row_of(trend)) for trend in summary.trend],
        charts=charts,
        hidden=max(0, len(account.channels) - MOST_CHANNELS),
        entries=[f"{date(entry.day)} {entry.kind}: {entry.text}" for entry in account.entries],
    )


def report_file(station: Station) -> str:
    """Return the report as a self-contained HTML file."""
    from logger.report.gather import first_fault
    from logger.report.html import page

    with Store.reader(station.store) as store:
        content = _report(station, store)
        fault = first_fault(store, content.summary)
        if fault is not None:
            fault = fault._replace(zone=station.zone)
        return in_zone(page(*content, fault), station.zone)


def tuning(station: Station, number: int, step: str) -> list[Drawing]:
    """Return the chart of a tuning session at a step: SWR at each position."""
    from logger.charts.tuning import small
    from logger.tune.session import KIND, decode_state

    with Sessions.reader(station.store) as store:
        sessions = [session for session in store.sessions(KIND) if session.id == number]
    if not sessions or not (state := decode_state(sessions[0].content)).read:
        raise UsageError("nothing to draw yet")
    svg = _svg(
        small(state, WIDTH_MM, DRIFT_MM), f"a{number}-{len(state.read)}", "SWR at each position"
    )
    return [Drawing("SWR at each position; dotted: wanted resonance", svg)]


def _report(station: Station, store: Store) -> Report:
    from logger.report.gather import report
    from logger.trend.gather import account, read_history

    history = read_history(store, time.time_ns(), EVER)
    history_account = account(
        history, station.name, station.limit, joint=True, plan=station.options.channels
    )
    return report(store, history_account, station.due)


def _svg(figure: Figure, prefix: str, name: str) -> str:
    from logger.charts.sheet import svg
    from logger.charts.values import list_values

    return for_page(svg(figure).encode(), prefix, name, list_values(figure))


def _sheet(figure: Figure, prefix: str, name: str) -> str:
    """Return a sheet without its margins."""
    import numpy as np

    svg = _svg(figure, prefix, name)
    left, bottom, right, top = 72 * np.asarray(figure.get_tightbbox().padded(0.1).extents)
    high = 72 * figure.get_figheight()
    box = f'viewBox="{left:.0f} {high - top:.0f} {right - left:.0f} {top - bottom:.0f}"'
    return re.sub(r'viewBox="[^"]*"', box, svg, count=1)


def for_page(svg: bytes, prefix: str, name: str, values: str = "") -> str:
    """Return a drawing as SVG that can be embedded in a page, with the values of its points.

    The page's policy forbids inline styles, so they become attributes. Colours become those of the
    page, ids get `prefix`, and everything but shapes and text is removed.
    """

    def coloured(value: str) -> str:
        variable = VARIABLES.get(value.strip().lower())
        return value.strip() if variable is None else f"var(--{variable}, {value.strip()})"

    def clean(element: ElementTree.Element) -> None:
        element.tag = element.tag.removeprefix(SVG)
        attributes = dict(element.attrib)
        element.attrib.clear()
        for part in attributes.pop("style", "").split(";"):
            key, colon, value = part.partition(":")
            if colon and key.strip() != "font-family":
                attributes[key.strip()] = value
        if LINK in attributes:
            attributes["href"] = attributes.pop(LINK)
        for key, value in attributes.items():
            if key == "id":
                value = f"{prefix}-{value}"
            elif key == "href":
                value = f"#{prefix}-{value.removeprefix('#')}"
            element.set(key, coloured(re.sub(r"url\(#", f"url(#{prefix}-", value)))
        for child in list(element):
            if child.tag.removeprefix(SVG) in LEFT_OUT:
                element.remove(child)
            else:
                clean(child)

    root = ElementTree.fromstring(svg)
    clean(root)
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.attrib |= {"role": "img", "aria-label": name, "class": "chart"}
    if values:
        root.attrib |= {"data-values": values, "tabindex": "0"}
        root.attrib["aria-label"] += "; arrow keys read the values"
    root.attrib |= {"stroke-linejoin": "round", "stroke-linecap": "butt"}
    return ElementTree.tostring(root, encoding="unicode")
