"""The faults that are not closed, and the changes of them since they were last taken."""

from __future__ import annotations

from logger.faults import evidence, words
from logger.faults.memory import FaultMemory, TrackerMemory
from logger.faults.signature import Signature, signature_of
from logger.rows import FaultChange, FaultChangeKind, FaultFamily, FaultState


class Book:
    """Faults in the memory of a tracker; records each change of them."""

    def __init__(self, memory: TrackerMemory) -> None:
        self.memory = memory
        self.changes: list[FaultChange] = []

    def free_ns(self, time_ns: int) -> int:
        """Return a time from then on at which no fault was opened: it is their identity."""
        while any(fault.opened_ns == time_ns for fault in self.memory.faults):
            time_ns += 1
        return time_ns

    def open(self, fault: FaultMemory, time_ns: int, summary: str) -> None:
        """Add a fault."""
        fault.opened_ns = time_ns
        self.memory.faults.append(fault)
        self.change(fault, FaultChangeKind.OPENED, time_ns, summary)

    def return_(self, fault: FaultMemory, time_ns: int, detail: str) -> None:
        """Open a fault again that was quiet, or that was being verified."""
        text = words.returned(fault, detail)
        fault.state = FaultState.OPEN
        self.change(fault, FaultChangeKind.RETURNED, time_ns, text)
        fault.work_ns, fault.after = None, {}
        evidence.adopt(fault)

    def close(self, fault: FaultMemory, time_ns: int, summary: str) -> None:
        """Close a fault and forget it."""
        fault.state = FaultState.CLOSED
        if fault.work_ns is not None and may_move_level(fault):
            self.memory.levels |= fault.after
        self.change(fault, FaultChangeKind.CLOSED, time_ns, summary)
        self.memory.faults.remove(fault)

    def change(
        self, fault: FaultMemory, change: FaultChangeKind, time_ns: int, summary: str
    ) -> None:
        """Record a change of a fault."""
        fault.changed_ns = time_ns
        self.changes.append(
            FaultChange(
                opened_ns=fault.opened_ns,
                family=fault.family,
                change=change,
                time_ns=time_ns,
                state=fault.state,
                severity=fault.severity,
                summary=summary,
                first_ns=fault.first_ns,
                work_ns=fault.work_ns,
            )
        )


def may_move_level(fault: FaultMemory) -> bool:
    """True if the level may be that of a fault, so that it is not learned as the usual one."""
    if fault.family != FaultFamily.FEEDLINE or fault.state == FaultState.QUIET:
        return False
    return fault.state == FaultState.OPEN or signature_of(fault) != Signature.PASSING
