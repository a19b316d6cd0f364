"""`mismatchd journal`: record and list work on the station; import weather data."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from logger.cli.lazy import ListingGroup
from logger.cli.station import (
    config_option,
    config_sections,
    created_store,
    local_option,
    store_path,
    zone_of,
)
from logger.config.report import one_line
from logger.errors import UsageError
from logger.local_time import in_zone
from logger.store.journal import ANTENNA, KINDS, Journal
from logger.utc import FOREVER, format_ns, parse_time, to_second

F = TypeVar("F", bound=Callable[..., Any])


def _time_option(function: F) -> F:
    return click.option(
        "--time",
        "when",
        metavar="TIME",
        help="When it was done: 2026-03-01T19:00:00Z, or how long ago: 30m, 2h.",
    )(function)


@click.group("journal", cls=ListingGroup)
def command() -> None:
    """Record and list work on the station.

    Also imports the weather. Rules and trends that compare transmissions with earlier ones start
    anew at repairs and adjustments.
    """


@command.command("add")
@click.argument("text")
@click.option(
    "--kind",
    type=click.Choice(KINDS),
    default="remark",
    show_default=True,
    help="Trends restart at a repair or an adjustment; with `antenna`, TEXT is the name of the one"
    " in use from then on.",
)
@_time_option
@config_option
def add(text: str, kind: str, when: str | None, config_path: Path | None) -> None:
    """Add TEXT, dated now unless --time is given. A running daemon takes it into account."""

    text = _one_line(text)
    if kind == ANTENNA:
        config_sections(config_path).antenna(text)  # raises UsageError
    now_ns = time.time_ns() // 1000 * 1000
    time_ns = now_ns if when is None else parse_time(when, now_ns)
    path = store_path(config_path)
    if not os.path.lexists(path):  # what was done before the first run belongs to the record
        with created_store(path):
            pass
    with Journal.editor(path) as journal:
        number = journal.insert(time_ns, kind, text)
    click.echo(f"entry {number}: {to_second(format_ns(time_ns))} {kind}", err=True)


@command.command("edit")
@click.argument("number", type=int, metavar="ID")
@click.option("--text", metavar="TEXT", help="New text of the entry.")
@click.option("--kind", type=click.Choice(KINDS), help="New kind of the entry.")
@_time_option
@config_option
def edit(
    number: int, text: str | None, kind: str | None, when: str | None, config_path: Path | None
) -> None:
    """Correct entry ID."""
    changes: dict[str, Any] = {}
    if text is not None:
        changes["text"] = _one_line(text)
    if kind is not None:
        changes["kind"] = kind
    if when is not None:
        changes["time_ns"] = parse_time(when, time.time_ns())
    if not changes:
        raise UsageError("nothing to correct; give --text, --kind or --time")
    if kind == ANTENNA:  # the text may be that of another kind of entry
        if text is None:
            raise UsageError("--kind antenna: give the antenna's name with --text")
        config_sections(config_path).antenna(changes["text"])  # raises UsageError
    with Journal.editor(store_path(config_path)) as journal:
        is_found = journal.update(number, changes)
    _report(number, is_found, "corrected")


@command.command("remove")
@click.argument("number", type=int, metavar="ID")
@config_option
def remove(number: int, config_path: Path | None) -> None:
    """Remove entry ID."""
    with Journal.editor(store_path(config_path)) as journal:
        is_found = journal.delete(number)
    _report(number, is_found, "removed")


@command.command("list")
@click.option("--kind", type=click.Choice(KINDS), help="Entries of this kind only.")
@click.option("--since", metavar="TIME", help="Start time: 2026-03-01, or how long ago: 90d.")
@click.option("--until", metavar="TIME", help="End time, exclusive.")
@config_option
@local_option
def list_(
    kind: str | None,
    since: str | None,
    until: str | None,
    config_path: Path | None,
    local: bool | None,
) -> None:
    """List entries, oldest first."""
    from logger.store.reader import Store
    from logger.store.tables import JOURNAL

    now_ns = time.time_ns()
    span_ns = (
        FOREVER[0] if since is None else parse_time(since, now_ns),
        FOREVER[1] if until is None else parse_time(until, now_ns),
    )
    sections = config_sections(config_path)
    with Store.reader(sections.store.path) as store:
        records = list(store.records(JOURNAL, *span_ns))
    zone = zone_of(sections, local)
    rows = [record.columns for record in records if kind in (None, record.columns["kind"])]
    for row in rows:
        when = in_zone(f"{row['time_utc'][:19]}Z", zone)
        click.echo(f"{row['id']:>4}  {when}  {row['kind']:11}{one_line(row['text'])}")
    if not rows:
        is_filtered = (kind, since, until) != (None, None, None)
        click.echo("no such entry" if is_filtered else "the journal is empty", err=True)


@command.command("weather")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@config_option
def weather(file: Path, config_path: Path | None) -> None:
    """Import the weather from a CSV FILE, all of it or nothing.

    Its header names time_utc or date, and one or more of temperature_c, rain_mm (since the
    previous row) and wind_m_s. A row replaces a stored one of the same time.
    """
    from logger.store.weather import WeatherRows
    from logger.store.weather_file import count_values, read

    imported = read(file)
    with WeatherRows.editor(store_path(config_path)) as store:
        store.upsert(imported.rows)
    if imported.ignored:
        click.echo(f"ignored: {', '.join(imported.ignored)}", err=True)
    click.echo(f"imported {', '.join(count_values(imported.rows)) or 'nothing'}", err=True)


def _one_line(text: str) -> str:
    text = " ".join(one_line(text).split())
    if not text:
        raise UsageError("the entry is empty; write what was done")
    return text


def _report(number: int, is_found: bool, change: str) -> None:
    if not is_found:
        raise UsageError(f"there is no entry {number}; `mismatchd journal list` shows them")
    click.echo(f"entry {number}: {change}", err=True)
