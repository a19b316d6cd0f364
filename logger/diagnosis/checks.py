"""Next checks of causes, each with its cautions."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from logger.cautions import AT_PLACE, Place
from logger.diagnosis.rules import BY_NAME, SILENT, Check


class CautionedCheck(msgspec.Struct, frozen=True):
    """A check with its cautions, in full and in short."""

    text: str
    cautions: tuple[str, ...]
    caution: str


def checks_of(names: Sequence[str]) -> tuple[CautionedCheck, ...]:
    """Return the checks of these causes without duplicates.

    Those of a single cause are in its order; those of several causes are sorted by place, cheapest
    first.
    """
    order = {place: rank for rank, place in enumerate(Place)}
    checks = list(dict.fromkeys(check for name in names for check in BY_NAME[name].checks))
    if len(names) > 1:
        checks.sort(key=lambda check: order[check.place])
    return tuple(map(_with_cautions, checks))


def checks_without_data() -> tuple[CautionedCheck, ...]:
    """Return the checks for a bridge that sends no readings."""
    return tuple(map(_with_cautions, SILENT))


def _with_cautions(check: Check) -> CautionedCheck:
    return CautionedCheck(check.text, AT_PLACE[check.place].full, AT_PLACE[check.place].short)
