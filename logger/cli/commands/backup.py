"""`mismatchd backup`: a verified copy of the store."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import config_option, configuration, up_to_date
from logger.store.backup import back_up
from logger.wording import count


@click.command("backup")
@config_option
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def command(config_path: Path | None, file: Path) -> None:
    """Copy the store to FILE, also while the daemon runs.

    FILE is replaced only by a complete copy that was read back without a fault.
    """
    rows = back_up(up_to_date(configuration(config_path).store.path), file)
    words = ", ".join(count(number, name.removesuffix("s")) for name, number in rows.items())
    click.echo(f"{file}: {words}", err=True)
