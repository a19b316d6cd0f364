"""First checks for a message, by the stored cause of a fault, or else by its signs alone.

They come from tables within microseconds, since threads of the daemon compose the messages.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from logger.diagnosis.checks import CautionedCheck, checks_of, checks_without_data
from logger.diagnosis.rules import BY_NAME, SILENT_PATTERN, STATED, SUSPECTS
from logger.faults.signature import BREAKS
from logger.rows import AlarmKind, Fault
from logger.wording import capitalize, likely

MOST_CHECKS = 2


def advise(fault: Fault | None, kinds: Collection[str]) -> list[str]:
    """Return the suspicion, and the next checks with their cautions, in one or two sentences each.

    fault    the fault, if any, with its probable cause once it has been diagnosed
    kinds    kinds of the alarms of the fault, or the kind of one alarm; unknown kinds are ignored
    """
    if AlarmKind.NO_DATA in kinds:
        return [SILENT_PATTERN, *_next_checks(checks_without_data())]
    cause = None if fault is None else BY_NAME.get(fault.probable_cause or "")
    if fault is not None and cause is not None and (fault.probability or 0.0) >= STATED:
        reason = f"{capitalize(likely(fault.probability or 0.0))} {cause.title}."
        lines = [] if cause.title in fault.summary else [reason]
        return [*lines, *_next_checks(checks_of([cause.name]))]
    names = _suspects(fault, kinds)
    if not names:
        return []
    first = BY_NAME[names[0]]
    titles = ", or ".join(BY_NAME[name].title for name in names)
    suspicion = f"It might be {titles}. The first suspect is {first.behind[0]}."
    return [suspicion, *_next_checks(checks_of(names))]


def _suspects(fault: Fault | None, kinds: Collection[str]) -> Sequence[str]:
    if fault is not None and (fault.excursions or 0) >= BREAKS:
        kinds = {*kinds, AlarmKind.INTERMITTENT_CONTACT}
    return next((names for kind, names in SUSPECTS.items() if kind in kinds), ())


def _next_checks(checks: Sequence[CautionedCheck]) -> list[str]:
    """Return the first checks as sentences, with repeated cautions in short form."""
    lines: list[str] = []
    given: tuple[str, ...] = ()
    for check in checks[:MOST_CHECKS]:
        cautions = check.cautions
        if cautions and cautions == given:
            cautions = (f"Cautions as before: {check.caution}.",)
        lines.append(" ".join(["Next:", check.text, *cautions]))
        given = check.cautions
    return lines
