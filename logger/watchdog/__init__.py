"""The rules together, and the alarm life cycle: raised once for a cause, cleared once."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import msgspec

from logger.config import WatchdogOptions
from logger.rows import AlarmChange
from logger.watchdog import detector_fault, high_reflected_power, high_swr, no_data
from logger.watchdog.view import Finding, View

StartAt = Callable[[int], int | None]


class Watchdog:
    """All rules of a station.

    open_kinds  alarms that are open from before, so that they are not raised again
    """

    def __init__(self, options: WatchdogOptions, open_kinds: Iterable[str] = ()) -> None:
        still_open = set(open_kinds)

        def active(kind: str) -> bool:
            return kind in still_open

        self._rules = (
            (high_swr, high_swr.rule(options.high_swr, active=active(high_swr.KIND))),
            (
                high_reflected_power,
                high_reflected_power.rule(
                    options.high_reflected_power, active=active(high_reflected_power.KIND)
                ),
            ),
            (
                detector_fault,
                detector_fault.DetectorFault(active=active(detector_fault.KIND)),
            ),
        )
        self._no_data = no_data.NoData(
            round(options.no_data.after_s * 1e9), active=active(no_data.KIND)
        )

    @property
    def data_missed(self) -> bool:
        """Whether `no-data` stands, so that the next pair is news."""
        return self._no_data.active

    def update(self, view: View, start_at: StartAt) -> list[AlarmChange]:
        """Alarm changes of one block in the order of their times; `start_at` gives the start of
        the transmission under way at a time."""
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
        return _apart(sorted(changes, key=lambda change: change.time_ns))

    def tick(self, now_ns: int) -> list[AlarmChange]:
        """Alarm changes because time has passed without a pair."""
        return [
            self._change(no_data.KIND, no_data.SEVERITY, finding, None)
            for finding in self._no_data.tick(now_ns)
        ]

    @staticmethod
    def _change(kind: str, severity: str, finding: Finding, start_ns: int | None) -> AlarmChange:
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


def _apart(changes: list[AlarmChange]) -> list[AlarmChange]:
    """Two rules may find at the same pair; a point in InfluxDB needs a time of its own."""
    apart: list[AlarmChange] = []
    for change in changes:
        if apart and change.time_ns <= apart[-1].time_ns:
            change = msgspec.structs.replace(change, time_ns=apart[-1].time_ns + 1000)
        apart.append(change)
    return apart
