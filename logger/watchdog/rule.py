"""Interfaces of the alarm rules, and the memory of those that learn.

A rule processes pairs (`update`), quarter seconds (`quarters`), rows (`row`) or several of these.
Its findings must not depend on how the pairs were cut into blocks, and must be the same on replay
from the archive: so its memory, which is everything stored between runs, changes only in `row`, at
ended transmissions, when it is stored.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any, NamedTuple, Protocol, TypeVar

import msgspec

from logger.config.load import WatchdogOptions
from logger.rows import AlarmKind, ChangeKind, Excursion, SecondRows, Severity, Transmission
from logger.stages.quarters import Quarters
from logger.stages.view import View

log = logging.getLogger("mismatchd")

M = TypeVar("M", bound=msgspec.Struct)
Complete = SecondRows | Excursion | Transmission


class Finding(NamedTuple):
    """Change of state of a rule at a time."""

    time_ns: int
    change: ChangeKind
    value: float | None
    limit: float | None
    detail: str


class Rule:
    """Rule that ignores all input; rules override what they process."""

    takes: tuple[type, ...] = ()  # kinds of rows that it processes

    @property
    def due_ns(self) -> int | None:
        """When a hold time that is running ends if nothing changes, None if there is none."""
        return None

    def update(self, view: View) -> list[Finding]:
        """Return the changes of state in one block of pairs."""
        return []

    def quarters(self, quarters: Quarters) -> list[Finding]:
        """Return the changes of state in some quarters, those of a transmission before its row."""
        return []

    def row(self, row: Any, work_ns: int) -> list[Finding]:
        """Return the changes of state caused by the next row of a kind in `takes`.

        These are some seconds of a transmission, an excursion, or an ended transmission, which
        follows those within it.

        work_ns  last repair or adjustment before that transmission began, 0 if unknown
        """
        return []


class LearningRule(Rule):
    """Rule with a memory: a small struct of JSON types, with a default for each field."""

    memory: Any  # everything to store between runs


class RuleModule(Protocol):
    """Module of a rule."""

    KIND: AlarmKind
    SEVERITY: Severity


class LearningModule(RuleModule, Protocol):
    """Module of a learning rule."""

    Memory: Any  # the class of its memory

    def rule(self, options: WatchdogOptions, memory: Any, *, active: bool) -> LearningRule:
        """Return the rule's state machine; `active` if its alarm is open from before."""
        ...


def recalled(kind: str, memories: Mapping[str, bytes], form: type[M]) -> M:
    """Return the memory of a rule from its JSON, a fresh one if missing or unreadable."""
    if kind not in memories:
        return form()
    try:
        return msgspec.json.decode(memories[kind], type=form)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        log.warning("memory of %s has another format (%s); learning starts again", kind, error)
        return form()
