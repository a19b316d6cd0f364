"""`mismatchd fleet learn`: what is usual for stations of a cable and age, for other stations."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import click

from logger.cli.fleet import (
    archive_argument,
    choose_stations,
    engine_options,
    stations_option,
    summarize_all,
)
from logger.errors import UsageError
from logger.wording import count


@click.command("learn")
@archive_argument
@stations_option
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help="File to write.",
)
@engine_options
def command(
    archive: str,
    station_ids: tuple[str, ...],
    output: Path,
    scheduler: str | None,
    workers: int | None,
) -> None:
    """Learn from the stations of ARCHIVE what is usual by cable and age.

    Writes slopes of the SWR and excursions in a keyed hour of each class of stations, drawn towards
    all as far as a class is small. A station uses the file only if it is named in its configuration
    as `priors`. Classes of fewer than 3 stations are left out.
    """
    from logger.fleet.learning.facts import priors_of
    from logger.fleet.remote import open_archive
    from logger.trend.priors import write

    now_ns = time.time_ns()
    ids = choose_stations(open_archive(archive, os.environ), station_ids)
    summaries, refused = summarize_all(archive, ids, now_ns, scheduler, workers)
    for summary in summaries:
        if summary.error is not None:
            click.echo(f"station {summary.station_id} is left out: {summary.error}", err=True)
    if refused:
        click.echo(f"{count(refused, 'station')} cannot be read with this key", err=True)
    facts = [summary.facts for summary in summaries if summary.facts is not None]
    priors = priors_of(facts, now_ns)
    if not priors.ageing and not priors.excursions:
        raise UsageError(
            f"nothing to learn from {count(len(facts), 'station')}: it takes 5 with a year of"
            " transmissions, or with excursions"
        )
    try:
        write(priors, output)
    except OSError as error:
        raise UsageError(f"{output}: cannot be written: {error.strerror}") from error
    click.echo(
        f"wrote {output}: {len(priors.ageing)} classes of slopes, {len(priors.excursions)} of"
        f" excursions, from {count(len(facts), 'station')}",
        err=True,
    )
    if len(facts) < len(summaries):
        sys.exit(1)
