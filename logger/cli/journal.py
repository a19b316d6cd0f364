"""`mismatchd journal`: what was done to the station, noted and listed."""

from __future__ import annotations

import time
from pathlib import Path

import click

from logger.cli.station import config_option, configuration
from logger.errors import UsageError
from logger.journal import KINDS
from logger.utc import format_ns, parse_time


@click.group("journal")
def command() -> None:
    """Note what was done to the station, and list it.

    Rules that compare transmissions with earlier ones begin anew at repairs and adjustments.
    """


@command.command("add")
@click.argument("text")
@click.option("--kind", type=click.Choice(KINDS), default="remark", show_default=True)
@click.option(
    "--time",
    "when",
    metavar="TIME",
    help="When it was done, if not just now: 2026-03-01T19:00:00Z, or how long ago: 30m, 2h.",
)
@config_option
def add(text: str, kind: str, when: str | None, config_path: Path | None) -> None:
    """Note TEXT. The daemon may be running, and hears of it."""
    from logger.store.database import Store

    text = " ".join(text.split())
    if not text:
        raise UsageError("the entry is empty; say what was done")
    now_ns = time.time_ns() // 1000 * 1000
    time_ns = now_ns if when is None else parse_time(when, now_ns)
    store = Store.reader(configuration(config_path).store.path)
    try:
        number = store.note(time_ns, kind, text)
    finally:
        store.close()
    click.echo(f"entry {number}: {format_ns(time_ns)} {kind}", err=True)


@command.command("list")
@config_option
def list_(config_path: Path | None) -> None:
    """List all entries, oldest first."""
    from logger.cli.export import FOREVER
    from logger.store.database import Store
    from logger.store.tables import JOURNAL

    store = Store.reader(configuration(config_path).store.path)
    try:
        records = list(store.records(JOURNAL, *FOREVER))
    finally:
        store.close()
    for record in records:
        row = record.columns
        click.echo(f"{row['id']:>4}  {row['time_utc'][:19]}Z  {row['kind']:11}{row['text']}")
    if not records:
        click.echo("the journal is empty", err=True)
