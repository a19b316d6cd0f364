"""`mismatchd status`: show whether the daemon runs, and its state."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import click
import msgspec

from logger.cli.station import config_option, configuration
from logger.errors import StoreError
from logger.wording import count

FRESH_S = 5.0


@click.command("status")
@config_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(config_path: Path | None, as_json: bool) -> None:
    """Show the state of the daemon.

    Prints whether it is running, its last pair, rates, drops, backlog and open alarms. Exit code 1
    if it is not running.
    """
    from logger.live.status import ask
    from logger.store.deliveries import Deliveries
    from logger.store.outbox import Outbox
    from logger.store.reader import Store
    from logger.utc import format_ns

    config = configuration(config_path)
    live = ask(config.store.path)
    stored: dict[str, Any] = {"store": str(config.store.path)}
    try:
        store = Store.reader(config.store.path)
    except StoreError as error:
        stored["store_error"] = str(error)
    else:
        with store:
            stored |= store.counts()
            if live is None:
                outbox, deliveries = Outbox(store.database), Deliveries(store.database)
                stored["forwarders"] = [
                    {"name": server.title, **outbox.totals(server.title).columns()}
                    for server in config.forwarders
                ]
                stored["notifiers"] = [
                    {"name": notifier.title, **deliveries.totals(notifier.title).columns()}
                    for notifier in config.notifiers
                ]
            stored["open_alarms"] = [
                {"id": alarm.id, "kind": alarm.kind, "raised_utc": format_ns(alarm.raised_ns)}
                for alarm in store.open_alarms()
            ]
    if live is not None and (last_ns := live.pop("last_pair_ns")) is not None:
        live["last_pair_utc"] = format_ns(last_ns)
        live["last_pair_age_s"] = round((time.time_ns() - last_ns) / 1e9, 3)
    if as_json:
        answer = {"alive": live is not None, **(live or {}), **stored}
        click.echo(msgspec.json.encode(answer).decode())
    else:
        for name, text in _lines(live, stored):
            click.echo(f"{name:14}{text}")
    if live is None:
        sys.exit(1)


def _clock(clock: dict[str, Any]) -> str:
    text = str(clock["times"])
    if clock.get("steps"):
        text += f", set {clock['steps']} times"
    if clock.get("ahead_s"):
        text += f", row times {clock['ahead_s']:g} s ahead of it"
    if clock.get("mended"):
        text += f", {clock['mended']} times went back and were mended"
    return text


def _lines(live: dict[str, Any] | None, stored: dict[str, Any]) -> list[tuple[str, str]]:
    lines = []
    if live is None:
        lines.append(("daemon", "not running"))
    else:
        lines.append(("daemon", f"running for {live['running_s']:.0f} s, pid {live['pid']}"))
        last = live.get("last_pair_utc")
        lines.append(
            ("last pair", f"{last}, {live['pairs_per_s']:g} pairs/s" if last else "none yet")
        )
        lines.append(("key", "down" if live["keyed"] else "up"))
        counters = ", ".join(f"{n} {name}" for name, n in live["counters"].items() if n)
        lines.append(("input", counters or "nothing read yet"))
        lines.append(("gaps", f"{live['gaps']} since the start"))
        lines.append(("clock", _clock(live["clock"])))
        if live["rows_dropped"]:
            lines.append(("dropped", f"{live['rows_dropped']} rows and raw pairs"))
        if live["store_error"]:
            lines.append(("store", live["store_error"]))
    for forwarder in live["forwarders"] if live else stored.get("forwarders", []):
        lines += _forwarder_lines(forwarder)
    for notifier in live["notifiers"] if live else stored.get("notifiers", []):
        lines += _notifier_lines(notifier)
    if "store_error" in stored:
        lines.append(("store", stored["store_error"]))
        return lines
    lines.append(
        (
            "store",
            f"{stored['store']}: {count(stored['transmissions'], 'transmission')},"
            f" {count(stored['seconds'], 'second')}, {count(stored['alarms'], 'alarm')}",
        )
    )
    lines += [
        ("open alarm", f"{alarm['id']} {alarm['kind']} since {alarm['raised_utc']}")
        for alarm in stored["open_alarms"]
    ]
    if not stored["open_alarms"]:
        lines.append(("open alarm", "none"))
    return lines


def _notifier_lines(notifier: dict[str, Any]) -> list[tuple[str, str]]:
    last = notifier["last_delivered_utc"]
    delivered = f"last delivery {last}" if last else "nothing delivered yet"
    waiting = count(notifier["waiting"], "message")
    lines = [("notify", f"{notifier['name']}: {waiting} waiting; {delivered}")]
    if notifier.get("last_error"):
        state = "failing" if notifier["failing"] else "over"
        lines.append(("", f"{state}: {notifier['last_error']} (last {notifier['last_error_utc']})"))
    if notifier["given_up"]:
        lines.append(("", f"{notifier['given_up']} of the latest were refused and dropped"))
    return lines


def _forwarder_lines(forwarder: dict[str, Any]) -> list[tuple[str, str]]:
    last = forwarder["last_success_utc"]
    accepted = f"rows last accepted {last}" if last else "no rows accepted yet"
    backlog = count(forwarder["backlog"], "row")
    lines = [("influxdb", f"{forwarder['name']}: {backlog} waiting; {accepted}")]
    if forwarder.get("last_error"):
        state = "failing" if forwarder["failing"] else "over"
        lines.append(
            ("", f"{state}: {forwarder['last_error']} (last {forwarder['last_error_utc']})")
        )
    if forwarder["refused"]:
        lines.append(("", f"{forwarder['refused']} refused and skipped, the latest:"))
        lines += [
            ("", f"{row['table']} {row['id']} of {row['time_utc']}: {row['reason']}")
            for row in forwarder["refused_rows"]
        ]
    return lines
