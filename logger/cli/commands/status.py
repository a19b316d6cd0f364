"""`mismatchd status`: show whether the daemon runs, and its state."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

import click
import msgspec

from logger.cli.listing import to_second
from logger.cli.station import (
    config_sections,
    configuration,
    local_option,
    wrong_coupler,
    zone_of,
)
from logger.cli.stations import each_station, stations_option
from logger.config.load import InfluxOptions, Sections
from logger.errors import CalibrationError, StoreError
from logger.live.status import (
    ClockStatus,
    ForwarderStatus,
    NotifierStatus,
    Status,
    ask,
    expect_access,
)
from logger.local_time import in_zone
from logger.service.upkeep import calibration_due
from logger.store.deliveries import Deliveries
from logger.store.faults import Faults
from logger.store.outbox import Outbox
from logger.store.reader import Store
from logger.store.verifications import Verifications
from logger.utc import format_ns
from logger.verification.schedule import Schedule
from logger.wording import count


@click.command("status")
@stations_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@local_option
def command(config_paths: Sequence[Path], as_json: bool, local: bool | None) -> None:
    """Show the state of the daemon.

    Prints whether it is running, its last pair, rates, drops, backlog, how InfluxDB servers keep
    points if that loses some or doubles sums, age of the calibration and when a check of the
    coupler is due, faults that are not closed and open alarms. Exit code 1 if it is not running,
    or this user may not know. Of several stations each is shown, in JSON as an object a line, and
    the exit code is 1 if one of them is not running.
    """
    running = []
    each_station(
        config_paths, lambda path: running.append(_show(path, as_json, local)), not as_json
    )
    if not all(running):
        sys.exit(1)


def _show(config_path: Path, as_json: bool, local: bool | None) -> bool:
    """Show the state of one daemon; return False if it is not running."""
    sections = config_sections(config_path)
    path = sections.store.path
    live = ask(path)
    if live is None:
        expect_access(path)
    forwarders: Sequence[ForwarderStatus] = () if live is None else live.forwarders
    notifiers: Sequence[NotifierStatus] = () if live is None else live.notifiers
    stored: dict[str, Any] = {"store": str(path)}
    try:
        store = Store.reader(path)
    except StoreError as error:
        stored["store_error"] = str(error)
    else:
        with store:
            stored |= store.counts()
            if live is None and (sections.forwarders or sections.notify):
                config = configuration(config_path)
                outbox, deliveries = Outbox(store.database), Deliveries(store.database)
                stored["forwarders"] = forwarders = [
                    ForwarderStatus.of_totals(server.title, outbox.totals(server.title))
                    for server in config.forwarders
                ]
                stored["notifiers"] = notifiers = [
                    NotifierStatus.of_totals(notifier.title, deliveries.totals(notifier.title))
                    for notifier in config.notifiers
                ]
            schedule = Schedule.of(
                calibration_due(sections), Verifications(store.database).last_ns()
            )
            stored["calibration"] = schedule.columns()
            stored["open_faults"] = [
                {
                    "id": fault.id,
                    "state": fault.state,
                    "severity": fault.severity,
                    "opened_utc": format_ns(fault.opened_ns),
                    "summary": fault.summary,
                }
                for fault in Faults(store.database).headlines()
            ]
            stored["open_alarms"] = [
                {"id": alarm.id, "kind": alarm.kind, "raised_utc": alarm.raised_utc}
                for alarm in store.open_alarms()
            ]
    if (warning := _calibration_warning(sections)) is not None:
        stored["calibration_warning"] = warning
    stored["server_warnings"] = _server_warnings(sections.forwarders) if forwarders else {}
    if as_json:
        answer = {"alive": live is not None, **_columns(live), **stored}
        answer["station"] = sections.station.name
        click.echo(msgspec.json.encode(answer).decode())
    else:
        outlets = [
            line
            for forwarder in forwarders
            for line in _forwarder_lines(forwarder, stored["server_warnings"])
        ]
        outlets += [line for notifier in notifiers for line in _notifier_lines(notifier)]
        if "calibration" in stored and schedule.due_ns is not None:
            outlets.append(("calibration", schedule.describe(time.time_ns())))
        doubt = [("calibration", warning)] if warning else []
        zone = zone_of(config_path, local)
        for name, text in [*daemon_lines(live), *doubt, *outlets, *_store_lines(stored)]:
            click.echo(in_zone(f"{name:14}{text}", zone))
    return live is not None


def _calibration_warning(sections: Sections) -> str | None:
    """Return a warning if the configured calibration is not that of the coupler."""
    if sections.calibration.file is None:
        return None
    from logger.calibration.file import load

    try:
        return wrong_coupler(load(sections.calibration.file), str(sections.driver.get("kind")))
    except CalibrationError as error:  # the daemon has read it; status need not be able to
        return str(error)


def _server_warnings(servers: Sequence[InfluxOptions]) -> dict[str, list[str]]:
    """Return what servers do with points that they should not, by the forwarder's name."""
    from logger.forward.probe import probe

    return {server.title: warnings for server in servers if (warnings := probe(server, os.environ))}


def _columns(live: Status | None) -> dict[str, Any]:
    """Return the daemon's part of the JSON object."""
    if live is None:
        return {}
    columns = msgspec.structs.asdict(live)
    if (last_ns := columns.pop("last_pair_ns")) is not None:
        columns["last_pair_utc"] = format_ns(last_ns)
        columns["last_pair_age_s"] = round((time.time_ns() - last_ns) / 1e9, 3)
    return columns


def _clock(clock: ClockStatus) -> str:
    text = clock.times
    if clock.steps:
        text += f", set {count(clock.steps, 'time')}"
    if clock.ahead_s:
        text += f", row times {clock.ahead_s:g} s ahead of the clock"
    if clock.mended:
        text += f", {count(clock.mended, 'timestamp')} that ran backwards corrected"
    return text


def daemon_lines(live: Status | None) -> list[tuple[str, str]]:
    """Return the lines on the daemon, each with its name."""
    if live is None:
        return [("daemon", "not running")]
    last = "none yet"
    if live.last_pair_ns is not None:
        last = f"{to_second(format_ns(live.last_pair_ns))}, {live.pairs_per_s:g} pairs/s"
    counters = ", ".join(f"{n} {name}" for name, n in live.counters.items() if n)
    lines = [
        ("daemon", f"running for {live.running_s:.0f} s, pid {live.pid}"),
        ("last pair", last),
        ("key", "down" if live.keyed else "up"),
        ("input", counters or (count(live.pairs, "pair") if live.pairs else "nothing read yet")),
        ("gaps", f"{live.gaps} since the start"),
        ("clock", _clock(live.clock)),
    ]
    if live.rows_dropped:
        lines.append(("dropped", f"{count(live.rows_dropped, 'row')} and raw pairs"))
    if live.store_error:
        lines.append(("store", live.store_error))
    if live.stalled_s:
        text = f"the disk has not responded for {live.stalled_s:.1f} s; alarms are still delivered"
        lines.append(("disk", text))
    elif live.stalls:
        lines.append(("disk", f"{count(live.stalls, 'stall')} of more than 0.25 s since the start"))
    return lines


def _store_lines(stored: dict[str, Any]) -> list[tuple[str, str]]:
    if "store_error" in stored:
        return [("store", stored["store_error"])]
    faults = [
        (
            "fault",
            f"{fault['id']} {fault['state']}, since {to_second(fault['opened_utc'])}:"
            f" {fault['summary']}",
        )
        for fault in stored["open_faults"]
    ]
    alarms = [
        ("open alarm", f"{alarm['id']} {alarm['kind']} since {to_second(alarm['raised_utc'])}")
        for alarm in stored["open_alarms"]
    ]
    return [
        (
            "store",
            f"{stored['store']}: {count(stored['transmissions'], 'transmission')},"
            f" {count(stored['seconds'], 'second')}, {count(stored['faults'], 'fault')},"
            f" {count(stored['alarms'], 'alarm')}",
        ),
        *(faults or [("fault", "none")]),
        *(alarms or [("open alarm", "none")]),
    ]


def _notifier_lines(notifier: NotifierStatus) -> list[tuple[str, str]]:
    last = notifier.last_delivered_utc
    delivered = f"last delivery {to_second(last)}" if last else "nothing delivered yet"
    waiting = count(notifier.waiting, "message")
    lines = [
        ("notify", f"{notifier.name}: {waiting} waiting; {delivered}"),
        *_progress_lines(notifier),
    ]
    if notifier.given_up:
        lines.append(("", f"{count(notifier.given_up, 'recent message')} refused and dropped"))
    return lines


def _forwarder_lines(
    forwarder: ForwarderStatus, warnings: Mapping[str, Sequence[str]] = MappingProxyType({})
) -> list[tuple[str, str]]:
    last = forwarder.last_success_utc
    accepted = f"rows last accepted {to_second(last)}" if last else "no rows accepted yet"
    backlog = count(forwarder.backlog, "row")
    lines = [
        ("influxdb", f"{forwarder.name}: {backlog} waiting; {accepted}"),
        *_progress_lines(forwarder),
        *(("", f"the server {warning}") for warning in warnings.get(forwarder.name, ())),
    ]
    if forwarder.refused:
        lines.append(("", f"{forwarder.refused} refused and skipped, the latest:"))
        lines += [
            ("", f"{row.table} {row.id} of {to_second(row.time_utc)}: {row.reason}")
            for row in forwarder.refused_rows
        ]
    return lines


def _progress_lines(outlet: ForwarderStatus | NotifierStatus) -> list[tuple[str, str]]:
    lines = []
    if outlet.delivering_since_utc:
        lines.append(("", f"delivering since {to_second(outlet.delivering_since_utc)}"))
    if outlet.last_error:
        state = "failing" if outlet.failing else "resolved"
        last = to_second(outlet.last_error_utc)
        lines.append(("", f"{state}: {outlet.last_error} (last {last})"))
    return lines
