"""Pages of the faults: the list, the story of one, and the forms to acknowledge and repair it."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from logger.charts.fault_scene import Note, times_of
from logger.diagnosis.fault_story import paragraph, tell_story
from logger.errors import UsageError
from logger.page.site import site_of
from logger.page.views import insert_entry, list_causes, list_rows, now_ns, row_of
from logger.rows import FaultState
from logger.store.faults import Faults
from logger.store.tables import FAULTS
from logger.utc import format_ns, format_optional

CAPTURE = "capture "  # argument of `mismatchd chart`


def faults(request: Request) -> Response:
    """List the faults that are not closed, then the closed ones, newest first."""
    site = site_of(request)
    with site.opened() as store:
        waiting = Faults(store.database).active()
    rows, further = list_rows(request, FAULTS, f"r.state = '{FaultState.CLOSED}'")
    values = {"waiting": waiting[::-1], "rows": [row.columns for row in rows], "further": further}
    return site.page(request, "faults.html", values)


def fault(request: Request) -> Response:
    """Show the story of a fault."""
    fault_id = row_of(request, FAULTS).id
    with site_of(request).opened() as store:
        story = tell_story(store, fault_id)
        notes = times_of(store, fault_id).notes
    is_open = story.fault.state == FaultState.OPEN
    values = {
        "fault": story.fault,
        "shown_fault": fault_id,
        "noted_utc": format_optional(unread_repair_ns(notes)) if is_open else None,
        "since_work": story.transmissions_since_work,
        "paragraph": paragraph(story),
        "timeline": [(format_ns(note.time_ns), note) for note in notes],
        "diagnosis": story.diagnosis,
        "causes": list_causes(story.diagnosis),
        "captures": [
            name.removeprefix(CAPTURE) for name in story.charts if name.startswith(CAPTURE)
        ],
    }
    return site_of(request).page(request, "fault.html", values)


def unread_repair_ns(notes: Sequence[Note]) -> int | None:
    """Return when a repair was noted that the daemon has not read, if there is one.

    Once it has, a change of the fault follows the entry in `notes`, which are in order of time.
    """
    noted_ns = None
    for note in notes:
        if note.is_change:
            noted_ns = None
        elif note.kind == "repair":
            noted_ns = note.time_ns
    return noted_ns


def acknowledge(request: Request) -> Response:
    """Acknowledge a fault and its alarms."""
    fault_id = row_of(request, FAULTS).id
    with Faults.editor(site_of(request).station.store) as repository:
        repository.acknowledge(fault_id, now_ns())
    return RedirectResponse(f"/faults/{fault_id}", 303)


def repair(request: Request) -> Response:
    """Note a repair in the journal, which starts the verification of the fault."""
    row = row_of(request, FAULTS)
    if row.columns["state"] == FaultState.CLOSED:
        raise UsageError(f"fault {row.id} is closed; note other work in the journal")
    insert_entry(request, "repair")
    return RedirectResponse(f"/faults/{row.id}", 303)
