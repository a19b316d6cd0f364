"""`mismatchd recompute`: stored rows by the present calibration."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from logger.cli.station import calibration_of, config_option, configuration
from logger.recompute import Progress, Summary, recompute
from logger.store.database import Store
from logger.store.lock import StoreLock


@click.command("recompute")
@config_option
@click.option("--dry-run", is_flag=True, help="Say what would change and write nothing.")
def command(config_path: Path | None, dry_run: bool) -> None:
    """Derive stored watts and SWR again by the present calibration.

    From the mean volts of each second, all rows or none; alarms stay as they were raised. The
    daemon must not be running. What changed is forwarded again when it next runs.
    """
    config = configuration(config_path)
    content = calibration_of(config)
    path = config.store.path
    Store.reader(path).close()  # a store that is missing is not to be created here
    with contextlib.ExitStack() as stack:
        if dry_run:
            store = Store.reader(path)
        else:
            stack.callback(StoreLock(path).release)
            store = Store.open(path)
        stack.callback(store.close)
        with _shown() as progress:
            summary = recompute(store, content, dry_run=dry_run, progress=progress)
    click.echo(_said(summary, dry_run), err=True)


@contextlib.contextmanager
def _shown() -> Iterator[Progress]:
    """How far it has got, on a terminal."""
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    with click.progressbar(length=1, label="seconds", file=sys.stderr) as bar:

        def progress(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield progress


def _said(summary: Summary, dry_run: bool) -> str:
    if not summary.transmissions + summary.without_seconds:
        return f"nothing to do: every transmission is by calibration {summary.calibration_id}"
    changes = [
        f"{name} {change:{form}}"
        for name, change, form in (
            ("incident power", summary.forward_change, "+.2%"),
            ("reflected power", summary.reflected_change, "+.2%"),
            ("SWR", summary.swr_change, "+.3f"),
        )
        if change is not None
    ]
    text = (
        f"{'would derive' if dry_run else 'derived'} {summary.transmissions} transmissions and"
        f" {summary.seconds} seconds again by calibration {summary.calibration_id}, from the mean"
        f" volts of each second"
    )
    if changes:
        text += f"; median change: {', '.join(changes)}"
    if summary.without_seconds:
        text += f"; {summary.without_seconds} transmissions without seconds stay as they were"
    return text + ("; nothing was written" if dry_run else "")
