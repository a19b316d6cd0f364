"""What a rule is, seen from the watchdog, and the memory of rules that learn.

A rule works on pairs (`update`), on quarter seconds (`quarters`), on rows (`row`) or on several.
What it finds must not depend on how the pairs were cut into blocks, and must be the same when the
archive is played again: so its memory, all that lasts from run to run, changes only in `row`, with
ended transmissions, since that is when it is stored.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any, Protocol, TypeVar, runtime_checkable

import msgspec

from logger.config.load import WatchdogOptions
from logger.rows import Excursion, Second, Transmission
from logger.stages.quarters import Quarters
from logger.stages.view import View
from logger.watchdog.finding import Finding

log = logging.getLogger("mismatchd")

M = TypeVar("M", bound=msgspec.Struct)
Complete = Second | Excursion | Transmission


@runtime_checkable
class PairRule(Protocol):
    """Works on pairs."""

    def update(self, view: View) -> list[Finding]:
        """Changes of state in one block."""
        ...


@runtime_checkable
class QuarterRule(Protocol):
    """Works on the levels of quarter seconds, those of a transmission before its row."""

    def quarters(self, quarters: Quarters) -> list[Finding]:
        """Changes of state in some quarters."""
        ...


@runtime_checkable
class RowRule(Protocol):
    """Works on rows."""

    takes: tuple[type, ...]

    def row(self, row: Any, work_ns: int) -> list[Finding]:
        """Changes of state by the next row of a kind that it takes: a second, an excursion, or a
        transmission that has ended, which comes after those within it.

        work_ns  when somebody last repaired or adjusted something before that transmission began,
                 0 if that is not known
        """
        ...


class LearningRule(Protocol):
    """Remembers. `memory` has JSON types only, a default for each field, and is small."""

    @property
    def memory(self) -> msgspec.Struct:
        """All that is to last from run to run."""
        ...


class RuleModule(Protocol):
    """The module of a rule."""

    KIND: str
    SEVERITY: str


class LearningModule(RuleModule, Protocol):
    """The module of a learning rule."""

    Memory: Any  # the class of its memory

    def rule(self, options: WatchdogOptions, memory: Any, *, active: bool) -> LearningRule:
        """The rule's state machine; `active` if an alarm of it is open from before."""
        ...


def recalled(kind: str, memories: Mapping[str, bytes], form: type[M]) -> M:
    """The memory of a rule from its JSON, a fresh one if there is none that can be read."""
    if kind not in memories:
        return form()
    try:
        return msgspec.json.decode(memories[kind], type=form)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        log.warning("what %s had learned is of another form (%s); it begins anew", kind, error)
        return form()
