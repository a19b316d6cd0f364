"""`mismatchd fleet recompute`: derive the rows of stations again into another archive."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from logger.cli.fleet import (
    archive_argument,
    choose_stations,
    default_workers,
    engine_options,
    progress_bar,
    stations_option,
)
from logger.errors import UsageError
from logger.wording import count

AHEAD = 2  # stations begun for each worker, whose months fill the workers


@click.command("recompute")
@archive_argument
@click.option(
    "-o",
    "--output",
    "target",
    required=True,
    metavar="TARGET",
    help="Archive to write to: s3://bucket/prefix or a folder, not ARCHIVE itself.",
)
@stations_option
@click.option(
    "--calibration",
    "calibrations",
    multiple=True,
    metavar="ID=FILE",
    help="Calibration file of a station; may be given several times. Default: the calibration of"
    " its last transmission.",
)
@engine_options
def command(
    archive: str,
    target: str,
    station_ids: tuple[str, ...],
    calibrations: tuple[str, ...],
    scheduler: str | None,
    workers: int | None,
) -> None:
    """Derive the rows of the stations of ARCHIVE again, into TARGET.

    Uses the rules of this program, the settings that each station pushed, and a calibration: the
    rows are those that `mismatchd recompute` would give on the station. TARGET is an archive as
    well, with the same raw pairs, for the other commands and `mismatchd restore`; its key must be
    allowed to read both and to write there. What is done already is not done again.
    """
    from logger.fleet.engine import Engine
    from logger.fleet.recompute import Job, Outcome, begin
    from logger.fleet.remote import open_archive

    if target.rstrip("/") == archive.rstrip("/"):
        raise UsageError("-o must name another archive: ARCHIVE is not changed")
    texts = dict(map(_read_calibration, calibrations))
    ids = choose_stations(open_archive(archive, os.environ), station_ids)
    if unknown := texts.keys() - {*ids}:
        raise UsageError(f"--calibration: no station {', '.join(sorted(unknown))} to recompute")
    failed = done = transmissions = objects = 0
    with (
        Engine(scheduler, workers or default_workers()) as engine,
        progress_bar(len(ids), "stations") as count_one,
    ):
        jobs = (Job(archive, target, number, texts.get(number)) for number in ids)
        for job, result in engine.run(begin, jobs, AHEAD):
            count_one()
            if not isinstance(result, Outcome):
                failed += 1
                click.echo(f"mismatchd: station {job.station_id}: {result}", err=True)
                continue
            done += result.was_done
            transmissions += result.transmissions
            objects += result.objects
    click.echo(
        f"{target}: {count(len(ids) - done - failed, 'station')} derived again"
        f" ({count(transmissions, 'transmission')} from raw pairs, {count(objects, 'object')}"
        f" written), {done} done before, {failed} failed",
        err=True,
    )
    if failed:
        sys.exit(1)


def _read_calibration(text: str) -> tuple[str, str]:
    """Return station and content of ID=FILE. Raise UsageError, CalibrationError."""
    from logger.calibration.file import load

    number, separator, name = text.partition("=")
    if not separator:
        raise UsageError(f"--calibration {text}: write ID=FILE")
    load(Path(name))  # so that a mistake is told before any work
    return number, Path(name).read_text("utf-8")
