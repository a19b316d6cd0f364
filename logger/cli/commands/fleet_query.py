"""`mismatchd fleet query`: SQL over the rows of all stations."""

from __future__ import annotations

import os
import sys

import click

from logger.cli.fleet import NONE_READABLE, archive_argument, choose_stations, stations_option
from logger.errors import RefusedError
from logger.wording import count

FORMATS = ("table", "csv", "jsonl")


@click.command("query")
@archive_argument
@click.argument("sql", metavar="SQL")
@stations_option
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="table",
    show_default=True,
    help="Format of the output.",
)
def command(archive: str, sql: str, station_ids: tuple[str, ...], form: str) -> None:
    """Print the result of SQL, a SELECT of DuckDB, over the rows of all stations of ARCHIVE.

    The tables are those of the store (transmissions, seconds, alarms, faults, ...) with the columns
    station_id, year and month; `pairs`, the raw pairs; and `stations`, with name and last push.
    Times are UTC. A condition on year and month saves reading. `DESCRIBE transmissions` lists
    columns.
    """
    from logger.fleet.query import query, write
    from logger.fleet.remote import open_archive
    from logger.fleet.restore import read_stations

    remote = open_archive(archive, os.environ)
    stations, refused, failed = [], 0, 0
    for station_id, station in read_stations(remote, choose_stations(remote, station_ids)):
        if isinstance(station, RefusedError):
            refused += 1
        elif isinstance(station, Exception):
            failed += 1
            click.echo(f"mismatchd: station {station_id} is left out: {station}", err=True)
        else:
            stations.append(station)
    if refused and not stations:
        raise RefusedError(NONE_READABLE)
    if refused:
        click.echo(f"{count(refused, 'station')} cannot be read with this key", err=True)
    write(query(remote, stations, sql), form, sys.stdout)
    if failed:
        sys.exit(1)
