"""`mismatchd export`: print stored rows."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli.station import config_option, configuration, up_to_date
from logger.errors import UsageError
from logger.store.export import FORMATS, write_records, write_samples
from logger.store.tables import DAYS, TABLES
from logger.utc import FOREVER, parse_time

if TYPE_CHECKING:
    from logger.store.reader import Store

SAMPLES = "samples"
PARQUET = "parquet"


@click.command("export")
@click.argument("table", type=click.Choice([*TABLES, SAMPLES]), metavar="TABLE")
@config_option
@click.option(
    "--since",
    metavar="TIME",
    help="Start time: 2026-03-01, 2026-03-01T19:00:00Z, or"
    " how long ago: 30m, 2h, 7d. Times are UTC.",
)
@click.option("--until", metavar="TIME", help="End time, exclusive.")
@click.option("--capture", type=int, metavar="ID", help="With samples: the pairs of a capture.")
@click.option(
    "--format",
    "form",
    type=click.Choice([*FORMATS, PARQUET]),
    default="csv",
    show_default=True,
    help="Format of the output; parquet for transmissions, seconds, days and samples.",
)
def command(
    table: str,
    config_path: Path | None,
    since: str | None,
    until: str | None,
    capture: int | None,
    form: str,
) -> None:
    """Print stored rows.

    TABLE: transmissions, seconds, days, alarms, excursions, faults, captures, journal,
    line_losses, verifications, weather, health, or samples (raw pairs).
    """
    from logger.store.days import DailyValues
    from logger.store.reader import Store

    if form == PARQUET and sys.stdout.isatty():
        raise UsageError("parquet is not text; write it to a file: `> rows.parquet`")
    if capture is not None and table != SAMPLES:
        raise UsageError("--capture is valid only with `export samples`")
    config = configuration(config_path)
    now_ns = time.time_ns()
    since_ns = FOREVER[0] if since is None else parse_time(since, now_ns)
    until_ns = FOREVER[1] if until is None else parse_time(until, now_ns)
    path = up_to_date(config.store.path)
    if table == DAYS.name:
        with DailyValues.editor(path) as days:
            days.update()
    with Store.reader(path) as store:
        if capture is not None:
            first_ns, last_ns = store.capture(capture)
            since_ns, until_ns = max(since_ns, first_ns), min(until_ns, last_ns + 1)
        if form == PARQUET:
            _write_parquet(store, table, since_ns, until_ns)
        elif table == SAMPLES:
            write_samples(lambda: store.archive.blocks(since_ns, until_ns), form, sys.stdout)
        else:
            records = store.records(TABLES[table], since_ns, until_ns)
            station = (config.station.name, store.station_id)
            write_records(TABLES[table], records, form, *station, sys.stdout)
        sys.stdout.flush()


def _write_parquet(store: Store, name: str, since_ns: int, until_ns: int) -> None:
    from logger.store import parquet

    out = sys.stdout.buffer
    if name == SAMPLES:
        parquet.write_samples(lambda: store.archive.blocks(since_ns, until_ns), out)
        return
    columns = store.database.query("SELECT name, type FROM pragma_table_info(?)", (name,))
    records = store.records(TABLES[name], since_ns, until_ns)
    parquet.write_records(TABLES[name], dict(columns), records, out)
