"""Diagnosis as text, for a terminal or a message."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from logger.diagnosis.rules import NOTHING
from logger.diagnosis.scoring import Diagnosis, Weighed

WIDEST = 80
NARROWEST = 24
HOW_LIKELY = ((0.95, "almost certainly"), (0.75, "probably"), (0.4, "perhaps"), (0.1, "possibly"))
UNLIKELY = "unlikely:"
MOST_CAUSES = 3
WORTH_TELLING = 0.04
MOST_CHECKS = 2  # in a message


def likely(share: float) -> str:
    """Return a probability in a word or two."""
    return next((word for least, word in HOW_LIKELY if share >= least), UNLIKELY)


def page(diagnosis: Diagnosis, width: int) -> str:
    """Return the whole text, no line wider than `width` (NARROWEST at least, WIDEST at most)."""
    width = min(max(width, NARROWEST), WIDEST)
    return "\n".join(
        line
        for indent, mark, text in _lines(diagnosis)
        for line in textwrap.wrap(
            text,
            width,
            initial_indent=" " * indent + mark,
            subsequent_indent=" " * (indent + len(mark)),
            break_on_hyphens=False,
        )
        or [""]
    )


def _lines(diagnosis: Diagnosis) -> Iterator[tuple[int, str, str]]:
    """Yield indent, mark and text of each paragraph."""
    yield 0, "", diagnosis.pattern
    shown = [
        cause
        for cause in diagnosis.causes[:MOST_CAUSES]
        if cause.name != NOTHING and cause.likely >= WORTH_TELLING
    ]
    if shown:
        yield 0, "", ""
        yield 0, "", "Likely cause" if diagnosis.sure else "What it might be"
    for number, cause in enumerate(shown):
        yield from _cause(cause, with_reasons=number == 0 or not diagnosis.sure)
    if diagnosis.more:
        yield 0, "", ""
        yield 0, "", "Missing evidence"
        for text in diagnosis.more:
            yield 2, "- ", text
    if diagnosis.checks:
        yield 0, "", ""
        yield 0, "", "What to check next, cheapest first"
    first_numbers: dict[tuple[str, ...], int] = {}
    for number, check in enumerate(diagnosis.checks, 1):
        yield 2, f"{number}. ", check.text
        if check.cautions in first_numbers:
            yield 5, "! ", f"Cautions as for {first_numbers[check.cautions]}: {check.caution}."
        elif check.cautions:
            first_numbers[check.cautions] = number
            for caution in check.cautions:
                yield 5, "! ", caution


def _cause(cause: Weighed, *, with_reasons: bool) -> Iterator[tuple[int, str, str]]:
    yield 2, "", f"{likely(cause.likely)} {cause.title}"
    for text in cause.for_:
        yield 4, "+ ", text
    for text in cause.against:
        yield 4, "- ", text
    for text in cause.behind if with_reasons else ():
        yield 4, "> ", text


def sentences(diagnosis: Diagnosis) -> list[str]:
    """Return a summary for a message: the pattern, the cause with its evidence, the next checks.

    Each check is followed by its cautions.
    """
    lines = [diagnosis.pattern]
    blamed = [cause for cause in diagnosis.causes if cause.name != NOTHING]
    if diagnosis.sure and diagnosis.causes[0].name != NOTHING:
        first = diagnosis.causes[0]
        lines.append(f"{likely(first.likely).capitalize()} {first.title}.")
        lines += [f"For it: {text}." for text in first.for_[:2]]
        lines += [f"Against it: {text}." for text in first.against[:1]]
    elif blamed:
        names = ", or ".join(cause.title for cause in blamed[:MOST_CAUSES])
        lines.append(f"It might be {names}.")
        lines += [f"Missing evidence: {text}." for text in diagnosis.more[:2]]
    for check in diagnosis.checks[:MOST_CHECKS]:
        lines.append(" ".join(["Next:", check.text, *check.cautions]))
    return lines
