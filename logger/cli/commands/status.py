"""`mismatchd status`: show whether the daemon runs, and its state."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import msgspec

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
    ForwarderStatus,
    NotifierStatus,
    Status,
    ask,
    expect_access,
)
from logger.live.status_lines import describe_daemon, describe_forwarder, describe_notifier
from logger.local_time import in_zone
from logger.store.faults import Faults
from logger.store.reader import Store
from logger.store.verifications import Verifications
from logger.utc import format_ns, format_optional, to_second
from logger.verification.schedule import CalibrationDue, Schedule
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
    calibrated, warning = _calibration(sections)
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
            stored["station_id"] = store.station_id
            if (remote := sections.store.remote) is not None:
                from logger.store.pushed import Pushed

                last_ns = Pushed(store.database, remote.url, store.station_id).last_ns()
                stored["remote"] = {"url": remote.url, "last_push_utc": format_optional(last_ns)}
            stored |= store.counts()
            if live is None and (sections.forwarders or sections.notify):
                config = configuration(config_path)
                from logger.store.deliveries import Deliveries
                from logger.store.outbox import Outbox

                outbox, deliveries = Outbox(store.database), Deliveries(store.database)
                stored["forwarders"] = forwarders = [
                    ForwarderStatus.of_totals(server.title, outbox.totals(server.title))
                    for server in config.forwarders
                ]
                stored["notifiers"] = notifiers = [
                    NotifierStatus.of_totals(notifier.title, deliveries.totals(notifier.title))
                    for notifier in config.notifiers
                ]
            schedule = Schedule.of(calibrated, Verifications(store.database).last_ns())
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
    if warning is not None:
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
            for line in describe_forwarder(forwarder, stored["server_warnings"])
        ]
        outlets += [line for notifier in notifiers for line in describe_notifier(notifier)]
        if (pushed := stored.get("remote")) is not None:
            last = pushed["last_push_utc"]
            when = f"last push {to_second(last)}" if last else "nothing pushed yet"
            outlets.append(("remote", f"{pushed['url']}: {when}"))
        if "calibration" in stored and schedule.due_ns is not None:
            outlets.append(("calibration", schedule.describe(time.time_ns())))
        doubt = [("calibration", warning)] if warning else []
        zone = zone_of(sections, local)
        named = [
            ("station", " ".join(filter(None, [sections.station.name, stored.get("station_id")])))
        ]
        for name, text in [*named, *describe_daemon(live), *doubt, *outlets, *_store_lines(stored)]:
            click.echo(in_zone(f"{name:14}{text}", zone))
    return live is not None


def _calibration(sections: Sections) -> tuple[CalibrationDue, str | None]:
    """Return when the configured calibration was made, and a warning if it is not the coupler's."""
    options = sections.calibration
    if options.file is None:
        return CalibrationDue(None, options.verify_every_days), None
    from logger.calibration.file import load

    try:
        content = load(options.file)
    except CalibrationError as error:  # the daemon has read it; status need not be able to
        return CalibrationDue(None, options.verify_every_days), str(error)
    warning = wrong_coupler(content, str(sections.driver.get("kind")))
    return CalibrationDue(content.date, options.verify_every_days), warning


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
