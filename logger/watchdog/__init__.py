"""All alarm rules and the alarm life cycle: each cause is raised once and cleared once."""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterable, Mapping, Sequence

import msgspec

from logger.config.load import WatchdogOptions
from logger.rows import AlarmChange, AlarmKind, Excursion, Row, SecondRows, Severity, Transmission
from logger.stages.quarters import QUARTER_NS, Quarters
from logger.stages.view import View
from logger.watchdog import (
    baseline_shift,
    detector_fault,
    heating_joint,
    high_reflected_power,
    high_swr,
    intermittent_contact,
    no_data,
    sudden_change,
)
from logger.watchdog.reflected_limit import ReflectedLimit
from logger.watchdog.rule import Complete, Finding, LearningModule, Rule, RuleModule, recalled

StartAt = Callable[[int], int | None]
AFTER_NS = 1000  # findings from rows get a time of their own just after the last pair

LEARNING: tuple[LearningModule, ...] = (
    sudden_change,
    intermittent_contact,
    detector_fault,
    heating_joint,
    baseline_shift,
)


class Watchdog:
    """All rules of a station.

    open_kinds  alarms already open at the start, which are not raised again
    memories    what the rules had learned before, as `memories` returns it
    hang_ns     a pause shorter than this does not end a transmission
    """

    def __init__(
        self,
        options: WatchdogOptions,
        open_kinds: Iterable[str] = (),
        memories: Mapping[str, bytes] | None = None,
        hang_ns: int = 0,
    ) -> None:
        self._hang_ns = hang_ns
        still_open = set(open_kinds)

        self._learning = [
            (
                module,
                module.rule(
                    options,
                    recalled(module.KIND, memories or {}, module.Memory),
                    active=module.KIND in still_open,
                ),
            )
            for module in LEARNING
        ]
        # Without that rule, one that nobody asks.
        self.detector = next(
            (rule for _, rule in self._learning if isinstance(rule, detector_fault.DetectorFault)),
            detector_fault.rule(options, detector_fault.Memory(), active=False),
        )
        self._takers = {
            kind: [(module, rule) for module, rule in self._learning if kind in rule.takes]
            for kind in (SecondRows, Excursion, Transmission)
        }
        self._work_ns = [0]
        power, swr = options.high_reflected_power, options.high_swr
        self._rules: list[tuple[RuleModule, Rule]] = [
            (high_swr, high_swr.rule(swr, active=high_swr.KIND in still_open)),
            (
                high_reflected_power,
                high_reflected_power.rule(power, active=high_reflected_power.KIND in still_open),
            ),
            *self._learning,
        ]
        self._no_data = no_data.NoData(
            round(options.no_data.after_s * 1e9), active=no_data.KIND in still_open
        )

    @property
    def data_missed(self) -> bool:
        """True if `no-data` is active, so that the next pair clears it."""
        return self._no_data.active

    @property
    def due_ns(self) -> int | None:
        """When the next alarm is raised if nothing changes, None if no hold time is running."""
        return min((rule.due_ns for _, rule in self._rules if rule.due_ns), default=None)

    @property
    def bounds(self) -> list[tuple[float, float]]:
        """Bounds (slope, offset in watts) of reflected over incident power."""
        return [rule.bound for _, rule in self._rules if isinstance(rule, ReflectedLimit)]

    def update(self, view: View, start_at: StartAt) -> list[AlarmChange]:
        """Return the alarm changes of one block in order of time.

        `start_at` returns the start of the transmission in progress at a time.
        """
        return separate(self._by_pairs(view, start_at))

    def _by_pairs(self, view: View, start_at: StartAt) -> list[AlarmChange]:
        times = view.block.time_ns
        changes = [
            self._change(no_data.KIND, no_data.SEVERITY, finding, None)
            for finding in self._no_data.sample(int(times[0]), int(times[-1]))
        ]
        for module, rule in self._rules:
            changes += [
                self._change(module.KIND, module.SEVERITY, finding, start_at(finding.time_ns))
                for finding in rule.update(view)
            ]
        return sorted(changes, key=lambda change: change.time_ns)

    def rows(
        self,
        rows: Sequence[Row],
        quarters: Quarters | None = None,
        start_at: StartAt = lambda _: None,
    ) -> list[AlarmChange]:
        """Return the alarm changes from rows and quarters completed by the last `update`."""
        complete = [
            row
            for row in rows
            if isinstance(row, SecondRows | Excursion)
            or (isinstance(row, Transmission) and row.ended)
        ]
        changes: list[AlarmChange] = []
        for row in sorted(complete, key=_place):
            if quarters is not None and isinstance(row, Transmission):
                # Quarters that end before the end of the transmission is certain.
                own, quarters = quarters.split(row.end_ns + self._hang_ns - QUARTER_NS + 1)
                changes += self._by_quarters(own, start_at)
            changes += self._by_row(row, start_at)
        if quarters is not None:
            changes += self._by_quarters(quarters, start_at)
        return separate(sorted(changes, key=lambda change: change.time_ns))

    def _by_quarters(self, quarters: Quarters, start_at: StartAt) -> list[AlarmChange]:
        return [
            self._change(module.KIND, module.SEVERITY, finding, start_at(finding.time_ns))
            for module, rule in self._learning
            for finding in rule.quarters(quarters)
        ]

    def _by_row(self, row: Complete, start_at: StartAt) -> list[AlarmChange]:
        since_ns = row.time_ns if isinstance(row, Excursion) else row.start_ns
        work_ns = self._work_ns[bisect.bisect_right(self._work_ns, since_ns) - 1]
        changes: list[AlarmChange] = []
        for module, rule in self._takers[type(row)]:
            for finding in rule.row(row, work_ns):
                late_finding = finding._replace(time_ns=finding.time_ns + AFTER_NS)
                start = start_at(row.time_ns) if isinstance(row, Excursion) else row.start_ns
                changes.append(self._change(module.KIND, module.SEVERITY, late_finding, start))
        return changes

    def know_work(self, times_ns: Iterable[int]) -> None:
        """Set all times of repairs and adjustments; later transmissions may differ."""
        self._work_ns = [0, *sorted(times_ns)]

    def memories(self) -> dict[str, bytes]:
        """Return what each learning rule has learned, as JSON, by kind."""
        return {module.KIND: msgspec.json.encode(rule.memory) for module, rule in self._learning}

    def tick(self, now_ns: int) -> list[AlarmChange]:
        """Return the alarm changes caused by time passing without a pair."""
        return [
            self._change(no_data.KIND, no_data.SEVERITY, finding, None)
            for finding in self._no_data.tick(now_ns)
        ]

    @staticmethod
    def _change(
        kind: AlarmKind, severity: Severity, finding: Finding, start_ns: int | None
    ) -> AlarmChange:
        return AlarmChange(
            kind=kind,
            change=finding.change,
            time_ns=finding.time_ns,
            severity=severity,
            value=finding.value,
            limit=finding.limit,
            start_ns=start_ns,
            detail=finding.detail,
        )


def _place(row: Complete) -> tuple[int, bool]:
    """Sort key of rows: a transmission follows everything within it."""
    if isinstance(row, Transmission):
        return row.end_ns, True
    return (row.time_ns if isinstance(row, Excursion) else int(row.time_ns[-1])), False


def separate(changes: list[AlarmChange]) -> list[AlarmChange]:
    """Give every change a distinct time, as a point in InfluxDB needs one.

    Two rules may report at the same pair.
    """
    changes_apart: list[AlarmChange] = []
    for change in changes:
        if changes_apart and change.time_ns <= changes_apart[-1].time_ns:
            change = msgspec.structs.replace(change, time_ns=changes_apart[-1].time_ns + 1000)
        changes_apart.append(change)
    return changes_apart
