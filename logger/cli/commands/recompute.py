"""`mismatchd recompute`: derive stored rows again by the present calibration."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from logger.calibration.coupler import Coupler
from logger.cli.station import calibration_of, config_option, configuration
from logger.recompute import recompute
from logger.recompute.means import MeansSummary as ByMeans
from logger.recompute.raw import Progress
from logger.recompute.raw import RawSummary as ByRaw
from logger.stages.antennas import Antennas, describe_unknown
from logger.store.database import Database
from logger.store.lock import StoreLock
from logger.store.writer import StoreWriter
from logger.wording import count


@click.command("recompute")
@config_option
@click.option("--dry-run", is_flag=True, help="Report the changes without writing them.")
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    metavar="N",
    help="Processes that share the work on raw pairs; all processor cores but one if not given. The"
    " rows are the same for any number.",
)
def command(config_path: Path | None, dry_run: bool, jobs: int | None) -> None:
    """Derive stored rows again.

    Uses the present calibration and rules: from raw pairs where they are archived, else from the
    mean volts of each second; all rows or none. Raised alarms stay; alarms that these rules would
    have raised are added, and removed by a later run that would not raise them. The daemon must not
    be running. Changed rows are forwarded again when it next runs.
    """
    config = configuration(config_path)
    coupler = Coupler(
        calibration_of(config), config.station.frequency_khz, config.station.temperature_range_c
    )
    path = config.store.path
    Database.expect(path)  # a missing store must not be created here
    with contextlib.ExitStack() as stack:
        stack.callback(StoreLock(path).release)
        store = stack.enter_context(StoreWriter.open(path))
        unknown = Antennas(config.antennas, config.station).know_changes(store.notes().antennas)
        if unknown:
            click.echo(f"warning: {describe_unknown(unknown)}", err=True)
        with _progress_bar() as progress:
            by_raw, by_means = recompute(
                store,
                config,
                coupler,
                dry_run=dry_run,
                progress=progress,
                jobs=jobs or max(len(os.sched_getaffinity(0)) - 1, 1),
            )
    for line in _summarize(by_raw, by_means, coupler.id):
        click.echo(line, err=True)
    if dry_run:
        click.echo("nothing was written", err=True)


@contextlib.contextmanager
def _progress_bar() -> Iterator[Progress]:
    """Yield a progress callback; on a terminal it draws a bar."""
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    with click.progressbar(length=1, label="pairs", file=sys.stderr) as bar:

        def progress(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield progress


def _summarize(by_raw: ByRaw, by_means: ByMeans, calibration_id: str) -> Iterator[str]:
    yield f"by calibration {calibration_id}:"
    if by_raw.pairs:
        text = (
            f"from {count(by_raw.pairs, 'raw pair')}:"
            f" {count(by_raw.transmissions, 'transmission')}, {count(by_raw.seconds, 'second')}"
        )
        if by_raw.deleted:
            text += f"; {count(by_raw.deleted, 'transmission')} removed by the present rules"
        if by_raw.alarms:
            text += f"; {count(by_raw.alarms, 'alarm')} added"
        if by_raw.withdrawn:
            text += f"; {count(by_raw.withdrawn, 'alarm')} of an earlier recompute withdrawn"
        yield text
    if by_raw.renamed:
        yield f"by band and journal: another antenna of {count(by_raw.renamed, 'transmission')}"
    if by_means.transmissions:
        changes = [
            f"{name} {change:{form}}"
            for name, change, form in (
                ("incident power", by_means.forward_change, "+.2%"),
                ("reflected power", by_means.reflected_change, "+.2%"),
                ("SWR", by_means.swr_change, "+.3f"),
            )
            if change is not None
        ]
        yield (
            f"from the mean volts of {count(by_means.seconds, 'second')}, where no pairs remain:"
            f" {count(by_means.transmissions, 'transmission')}; median change: {', '.join(changes)}"
        )
    if by_means.without_seconds:
        without = count(by_means.without_seconds, "transmission")
        yield f"{without} without stored seconds, unchanged"
    idle = not (by_raw.pairs or by_raw.renamed or by_means.transmissions)
    if idle and not by_means.without_seconds:
        yield "nothing to do: all transmissions use this calibration, and no pairs are archived"
