"""Explains open faults: has them diagnosed, which stores their probable cause.

A diagnosis computes for seconds and would delay alarms in any thread of the daemon, so it is a
process of its own (`logger.diagnosis.__main__`), killed when the daemon ends; the thread here
starts it and waits. Nothing is held open between two reviews, so a replaced store is noticed. The
change `explained` reaches others as those of any other process do: see `Keeper`. If the store
cannot be read or written, the review is repeated later.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, repeat
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import StoreError
from logger.rows import FaultChangeKind, FaultEvent
from logger.store.faults import Faults, Signs
from logger.store.tables import Event

if TYPE_CHECKING:
    import subprocess

log = logging.getLogger("mismatchd")

YOUNG_S = (5.0, 60.0, 300.0, 900.0)  # ages of a fault at its first reviews,
OLD_S = 3600.0  # and the interval of all others
START_S = 60.0  # after the start of the daemon, for faults that are open already
POLL_S = 60.0  # longest interval of looks at the signs
RETRY_S = 60.0
LONGEST_S = 600.0  # of a diagnosis
PROGRAM = (sys.executable, "-P", "-m", "logger.diagnosis")


@dataclass
class _Course:
    """Reviews of a fault: waiting times to come, time of the next, signs at the last."""

    waits_s: Iterator[float]
    due_s: float
    signs: Signs | None = None


class ReviewSchedule:
    """Decides when a fault is to be diagnosed. No clock and no thread: times are arguments."""

    def __init__(self) -> None:
        self._courses: dict[int, _Course] = {}
        self._has_begun = False

    def due(self, faults: Mapping[int, Signs], now_s: float) -> list[int]:
        """Return which of the open faults, given with their signs, are to be diagnosed now.

        They stay due until `finish`.
        """
        self._courses = {
            fault_id: self._courses.get(fault_id) or self._begin(now_s) for fault_id in faults
        }
        self._has_begun = True
        return [
            fault_id
            for fault_id, course in self._courses.items()
            if self._is_due(course, faults[fault_id], now_s)
        ]

    def finish(self, fault_id: int, signs: Signs, now_s: float) -> None:
        """Note that a fault with these signs was diagnosed."""
        course = self._courses[fault_id]
        course.signs = signs
        _advance(course, now_s)

    def wait_s(self, now_s: float) -> float:
        """Return the time until the next review, or the next look at the signs."""
        waits_s = [course.due_s - now_s for course in self._courses.values()]
        return min([POLL_S, *(max(0.0, wait_s) for wait_s in waits_s)])

    def _begin(self, now_s: float) -> _Course:
        if not self._has_begun:
            return _Course(repeat(OLD_S), now_s + START_S)
        first_s, *ages_s = YOUNG_S
        steps_s = (later - age for age, later in zip(YOUNG_S, ages_s, strict=False))
        return _Course(chain(steps_s, repeat(OLD_S)), now_s + first_s)

    @staticmethod
    def _is_due(course: _Course, signs: Signs, now_s: float) -> bool:
        former = course.signs
        if former is not None and former.severity != signs.severity:
            return True
        if course.due_s > now_s:
            return False
        if signs == former:
            _advance(course, now_s)
        return signs != former


def _advance(course: _Course, now_s: float) -> None:
    if course.due_s <= now_s:
        course.due_s = now_s + next(course.waits_s)


class FaultReviewer:
    """Explains the open faults of the store at a path. `run` works until `end` is called."""

    def __init__(self, path: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = path
        self._clock = clock
        self._schedule = ReviewSchedule()
        self._wake = threading.Event()
        self._process: subprocess.Popen[str] | None = None
        self._is_ending = False

    def offer(self, item: Event) -> None:
        """Note an event; never blocks. Called from other threads."""
        if isinstance(item, FaultEvent) and item.change != FaultChangeKind.EXPLAINED:
            self._wake.set()

    def end(self) -> None:
        """End `run` at once, and the diagnosis in progress."""
        self._is_ending = True
        self._wake.set()
        if (process := self._process) is not None:
            process.kill()

    def run(self) -> None:
        """Review faults as they become due."""
        while not self._is_ending:
            wait_s = self.step()
            self._wake.wait(wait_s)
            self._wake.clear()

    def step(self) -> float:
        """Review what is due; return seconds to wait."""
        try:
            with Faults.reader(self._path) as faults:
                signs = faults.open_signs()
        except StoreError:  # reported by those whose rows cannot wait
            return RETRY_S
        for fault_id in self._schedule.due(signs, self._clock()):
            if self._is_ending or not self._diagnose(fault_id):
                return RETRY_S
            self._schedule.finish(fault_id, signs[fault_id], self._clock())
        return self._schedule.wait_s(self._clock())

    def _diagnose(self, fault_id: int) -> bool:
        """Run the diagnosis of a fault; return False if it is to be repeated."""
        import subprocess  # seldom needed

        try:
            self._process = process = subprocess.Popen(
                [*PROGRAM, str(self._path), str(fault_id)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
                start_new_session=True,  # Ctrl-C is for the daemon
            )
        except OSError as error:
            log.warning("cannot start the diagnosis of fault %d: %s", fault_id, error)
            return False
        if self._is_ending:  # before `end` could see it
            process.kill()
        try:
            _, errors = process.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            process.kill()
            _, errors = process.communicate()
        if self._is_ending or process.returncode == os.EX_TEMPFAIL:
            return False
        if process.returncode:  # not repeated at once: it would fail again
            reason = (errors.splitlines() or [f"exit code {process.returncode}"])[-1]
            log.warning("the diagnosis of fault %d failed: %s", fault_id, reason)
        return True
