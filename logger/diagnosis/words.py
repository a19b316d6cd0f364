"""Diagnosis as text, for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from logger.diagnosis.rules import NOTHING
from logger.diagnosis.scoring import Diagnosis, Weighed
from logger.wording import likely

WIDEST = 80
NARROWEST = 24
MOST_CAUSES = 3
WORTH_TELLING = 0.04


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
