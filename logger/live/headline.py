"""One line about the faults that are not closed, for live view and page."""

from __future__ import annotations

from collections.abc import Sequence

from logger.store.faults import Headline


def fault_text(fault: Headline) -> str:
    """Return a fault in a line, as in "fault 3 open: SWR ..."."""
    return f"fault {fault.id} {fault.state}: {fault.summary}"


def list_states(faults: Sequence[Headline]) -> str:
    """Return the states of one fault or more, as in "faults 1 open, 3 quiet"."""
    states = ", ".join(f"{fault.id} {fault.state}" for fault in faults)
    return f"fault{'s' * (len(faults) > 1)} {states}"
