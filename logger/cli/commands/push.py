"""`mismatchd push`: copy the store to an object store."""

from __future__ import annotations

import os
import time
from pathlib import Path

import click

from logger.cli.station import config_option, config_sections, up_to_date
from logger.errors import UsageError
from logger.wording import count


@click.command("push")
@config_option
def command(config_path: Path | None) -> None:
    """Copy raw pairs and rows to the object store of `store.remote`.

    Also while the daemon runs. Sends what has changed since the last push; run it once a day. Raw
    pairs are deleted here only after they are acknowledged there.
    """
    sections = config_sections(config_path)
    if sections.store.remote is None:
        raise UsageError("store.remote is not configured; see `mismatchd handbook stations`")
    from logger.fleet.push import push
    from logger.fleet.remote import Remote

    remote = Remote(sections.store.remote, os.environ)
    totals = push(up_to_date(sections.store.path), remote, sections, time.time_ns())
    megabytes = totals.bytes / 1e6
    click.echo(f"{remote.url}: {count(totals.objects, 'object')}, {megabytes:.3f} MB", err=True)
    for date in totals.late:
        click.echo(
            f"{date}: pairs were added after others of that day had expired; they stay here only",
            err=True,
        )
