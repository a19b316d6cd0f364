"""Pages of the store's content, and the forms that change it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, TypeVar

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from logger.charts.palette import INK, PAPER, style_sheet
from logger.diagnosis.alarms import diagnosis_of
from logger.diagnosis.rules import NOTHING
from logger.diagnosis.scoring import Diagnosis, Weighed
from logger.diagnosis.words import MOST_CAUSES, WORTH_TELLING
from logger.errors import MissingPackageError, StoreError, UsageError
from logger.live.figures import span_text, swr_text, watts_text
from logger.page import drawings
from logger.page.site import site_of
from logger.places import with_antenna
from logger.store.alarms import WAITING, Alarms
from logger.store.journal import NOTES, Journal
from logger.store.reader import Store
from logger.store.tables import ALARMS, CAPTURES, EXCURSIONS, JOURNAL, TRANSMISSIONS, Record, Table
from logger.utc import format_ns, parse_duration
from logger.wording import likely

N = TypeVar("N", int, None)

ROWS = 40  # per page
RECENT = 5  # on the home page
LONGEST_TEXT = 2000
SHELVES = {"1h": "1 hour", "8h": "8 hours", "1d": "1 day", "7d": "7 days"}
LATEST = 1 << 62


class Missing(Exception):  # noqa: N818 - a response, not an error
    """No such row."""


def home(request: Request) -> Response:
    """Show the live reading and, as parts that take a moment, the state of the feedline."""
    site = site_of(request)
    return site.page(request, "home.html", {"live": site.initial_state()})


def recent(request: Request) -> Response:
    """Show the last transmissions, as part of a page."""
    try:
        rows, _ = list_rows(request, TRANSMISSIONS)
    except StoreError:  # before the first run; the overview says so
        rows = []
    values = {"rows": [_transmission(row) for row in rows[:RECENT]]}
    return site_of(request).page(request, "recent.html", values)


async def overview(request: Request) -> Response:
    """Show the state of the feedline and its last days, as part of a page."""
    site = site_of(request)
    try:
        content = await site.renderer.render(drawings.overview)
    except (StoreError, MissingPackageError) as error:  # before the first run, or without scipy
        return site.page(request, "trouble.html", {"words": str(error), "title": "Feedline"})
    values = {"overview": content, "limit": site.station.limit}
    return site.page(request, "overview.html", values)


def transmissions(request: Request) -> Response:
    """List transmissions, newest first."""
    rows, further = list_rows(request, TRANSMISSIONS)
    values = {"rows": [_transmission(row) for row in rows], "further": further}
    return site_of(request).page(request, "transmissions.html", values)


def transmission(request: Request) -> Response:
    """Show a transmission."""
    row = row_of(request, TRANSMISSIONS)
    with site_of(request).opened() as store:
        within = "r.transmission_id = ? ORDER BY r.id LIMIT 50"
        excursions = store.select(EXCURSIONS, within, row.id)
        alarms = store.alarms(within, row.id)
    values = {
        "row": _transmission(row),
        "columns": row.columns,
        "excursions": [row.columns for row in excursions],
        "alarms": alarms,
    }
    return site_of(request).page(request, "transmission.html", values)


def captures(request: Request) -> Response:
    """List captures, newest first."""
    rows, further = list_rows(request, CAPTURES)
    values = {"rows": [row.columns for row in rows], "further": further}
    return site_of(request).page(request, "captures.html", values)


def capture(request: Request) -> Response:
    """Show a capture."""
    row = row_of(request, CAPTURES)
    return site_of(request).page(request, "capture.html", {"columns": row.columns})


def alarms(request: Request) -> Response:
    """List open or unacknowledged alarms, then the others, newest first; all or of one fault."""
    fault_id = _number(request.query_params.get("fault"), None)
    of_fault = "TRUE" if fault_id is None else f"r.fault_id = {fault_id}"
    with site_of(request).opened() as store:
        waiting = store.alarms(f"{WAITING} AND {of_fault} ORDER BY r.raised_ns DESC LIMIT {ROWS}")
        shelved = _list_shelved(store)
    rows, further = list_rows(request, ALARMS, f"NOT {WAITING} AND {of_fault}")
    if further is not None and fault_id is not None:
        further += f"&fault={fault_id}"
    values = {"waiting": waiting, "rows": [row.columns for row in rows], "fault_id": fault_id}
    values |= {"further": further, "shelved": shelved}
    return site_of(request).page(request, "alarms.html", values)


def alarm(request: Request) -> Response:
    """Show an alarm with its possible causes."""
    with site_of(request).opened() as store:
        alarms = store.alarms("r.id = ?", request.path_params["id"])
        if not alarms:
            raise Missing
        diagnosis = diagnosis_of(store, alarms[0])
        shelved = _list_shelved(store)
    values = {
        "alarm": alarms[0],
        "diagnosis": diagnosis,
        "causes": list_causes(diagnosis),
        "shelved": shelved.get(alarms[0].kind),
        "spans": SHELVES,
    }
    return site_of(request).page(request, "alarm.html", values)


def _list_shelved(store: Store) -> dict[str, str]:
    """Return the end of shelving, UTC, of each shelved kind of alarm."""
    shelved = Alarms(store.database).shelved_until(now_ns())
    return {kind: format_ns(until_ns) for kind, until_ns in shelved.items()}


def list_causes(diagnosis: Diagnosis) -> list[tuple[str, Weighed]]:
    """Return the causes worth showing, with their probability in words."""
    return [
        (likely(cause.likely), cause)
        for cause in diagnosis.causes[:MOST_CAUSES]
        if cause.name != NOTHING and cause.likely >= WORTH_TELLING
    ]


def acknowledge(request: Request) -> Response:
    """Acknowledge an alarm."""
    number = request.path_params["id"]
    with Alarms.editor(site_of(request).station.store) as alarms:
        alarms.acknowledge(number, now_ns())
    return RedirectResponse(f"/alarms/{number}", 303)


def shelve(request: Request) -> Response:
    """Shelve the kind of an alarm for the time chosen, or report it again."""
    number, span = request.path_params["id"], request.scope["visit"].fields.get("for", "")
    with Alarms.editor(site_of(request).station.store) as alarms:
        if span == "":
            alarms.unshelve(number)
        elif span in SHELVES:
            alarms.shelve(number, now_ns() + parse_duration(span), now_ns())
        else:
            raise UsageError(f"a kind is shelved for one of: {', '.join(SHELVES)}")
    return RedirectResponse(f"/alarms/{number}", 303)


def journal(request: Request) -> Response:
    """List the journal, newest first, with a form for a new entry."""
    rows, further = list_rows(request, JOURNAL)
    values = {"rows": [row.columns for row in rows], "further": further, "kinds": NOTES}
    return site_of(request).page(request, "journal.html", values)


def note(request: Request) -> Response:
    """Add a journal entry."""
    insert_entry(request, request.scope["visit"].fields.get("kind", ""))
    return RedirectResponse("/journal", 303)


def insert_entry(request: Request, kind: str) -> None:
    """Add the submitted text to the journal. Raise UsageError if it cannot be an entry."""
    text = " ".join(request.scope["visit"].fields.get("text", "").split())
    if not text or len(text) > LONGEST_TEXT:
        raise UsageError(f"write what was done, in {LONGEST_TEXT} characters at most")
    if kind not in NOTES:
        raise UsageError(f"an entry is one of: {', '.join(NOTES)}")
    with Journal.editor(site_of(request).station.store) as journal:
        journal.insert(now_ns(), kind, text)


async def report(request: Request) -> Response:
    """Show the report: the state of the feedline in words, charts and figures."""
    site = site_of(request)
    report = await site.renderer.render(drawings.report)
    from logger.report.html import HEADS

    return site.page(request, "report.html", {"report": report, "heads": HEADS})


async def drift(request: Request) -> Response:
    """Show the drift charts of the report alone."""
    site = site_of(request)
    return site.page(request, "drift.html", {"report": await site.renderer.render(drawings.report)})


async def report_file(request: Request) -> Response:
    """Return the report as one HTML file to download."""
    text = await site_of(request).renderer.render(drawings.report_file)
    name = {"Content-Disposition": 'attachment; filename="feedline.html"'}
    return Response(text, media_type="text/html; charset=utf-8", headers=name)


CHARTS: dict[str, Callable[..., list[drawings.Drawing]]] = {
    "fault": drawings.fault,
    "transmission": drawings.transmission,
    "capture": drawings.capture,
    "tuning": drawings.tuning,
    "calibration": drawings.calibration,
    "verifications": drawings.verifications,
}


async def chart(request: Request) -> Response:
    """Show the charts of a transmission, capture or tuning session, as part of a page."""
    site, number = site_of(request), request.path_params["id"]
    make = CHARTS.get(request.path_params["kind"])
    if make is None:
        raise Missing
    step = request.query_params.get("step", "")[:20]  # of a tuning session in progress
    charts = await site.renderer.render(make, number, *([step] if make is drawings.tuning else []))
    return site.page(request, "chart.html", {"drawings": charts})


async def palette(_: Request) -> Response:
    """Return the colours of the page as CSS variables, light and dark."""
    return Response(style_sheet(), media_type="text/css")


def manifest(request: Request) -> Response:
    """Return what a phone needs to install the page; it does nothing without the network."""
    site = site_of(request)
    icons = [
        {"src": f"/static/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png"}
        for size in (192, 512)
    ]
    content = {
        "name": site.title,
        "short_name": site.title[:12],
        "start_url": f"{site.prefix}/",
        "display": "standalone",
        "background_color": PAPER,
        "theme_color": INK,
        "icons": [{**icon, "purpose": "any maskable"} for icon in icons],
    }
    return JSONResponse(content, media_type="application/manifest+json")


def list_rows(
    request: Request, table: Table, where: str = "TRUE"
) -> tuple[list[Record], str | None]:
    """Return the rows before a time, newest first, and the address of the next page or None."""
    before_ns = _number(request.query_params.get("before"), LATEST)
    with site_of(request).opened() as store:
        rows = store.select(
            table,
            f"{where} AND {table.time} < ? ORDER BY {table.time} DESC LIMIT {ROWS + 1}",
            before_ns,
        )
    if len(rows) <= ROWS:
        return rows, None
    return rows[:ROWS], f"?before={rows[ROWS - 1].time_ns}"


def _number(text: str | None, otherwise: N) -> int | N:
    if text is None:
        return otherwise
    try:
        return max(-LATEST, min(int(text), LATEST))
    except ValueError:
        raise UsageError(f"{text[:40]!r} is not a number") from None


def row_of(request: Request, table: Table) -> Record:
    """Return the row that a page is about. Raise Missing if there is none."""
    with site_of(request).opened() as store:
        rows = store.select(table, "r.id = ?", request.path_params["id"])
    if not rows:
        raise Missing
    return rows[0]


def _transmission(row: Record) -> dict[str, Any]:
    """Return the figures of a transmission as text."""
    columns = row.columns
    swr, low, high = columns["swr"], columns["swr_low"], columns["swr_high"]
    readable = swr is not None and low is not None and high is not None
    return {
        "id": row.id,
        "start": columns["start_utc"],
        "lasted": span_text(columns["duration_s"]),
        "channel": with_antenna("-" if row.channel is None else str(row.channel), row.antenna),
        "forward": watts_text(columns["forward_w_mean"]),
        "reflected": watts_text(columns["reflected_w_mean"]),
        "swr": swr_text(swr) if readable else "-",
        "interval": f"{swr_text(low)} to {swr_text(high)}" if readable else "not readable",
        "highest": "-" if columns["swr_max"] is None else swr_text(columns["swr_max"]),
        "flags": columns["flags"],
    }


def now_ns() -> int:
    """Return the present time in whole microseconds."""
    return time.time_ns() // 1000 * 1000
