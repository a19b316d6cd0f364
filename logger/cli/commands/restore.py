"""`mismatchd restore`: put a copy made by `backup` in place of the store."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import config_option, configuration
from logger.store.backup import restore


@click.command("restore")
@config_option
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def command(config_path: Path | None, file: Path) -> None:
    """Put FILE, a copy made by `mismatchd backup`, in place of the store.

    The daemon must not be running. The present store is renamed, not deleted.
    """
    path = configuration(config_path).store.path
    aside = restore(path, file)
    click.echo(f"{path}: restored from {file}", err=True)
    if aside is not None:
        click.echo(f"the former store is {aside.name}", err=True)
