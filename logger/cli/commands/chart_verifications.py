"""`mismatchd chart verifications`: draw the control charts of the coupler."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import config_option, configuration, output_option
from logger.errors import StoreError


@click.command("verifications")
@config_option
@output_option("Chart to write: .png, .svg or .pdf.")
def command(config_path: Path | None, output: Path) -> None:
    """Draw the checks of the coupler against its dummy load.

    One A4 sheet of control charts: forward power and the balance of the ports on the load and into
    an open end, with the limits of Shewhart and of an exponentially weighted average.
    """
    config = configuration(config_path)
    from logger.charts.sheet import check_suffix, save
    from logger.charts.verifications import draw
    from logger.store.verifications import Verifications

    check_suffix(output)
    with Verifications.reader(config.store.path) as store:
        verifications = store.all()
    if not verifications:
        raise StoreError(f"{config.store.path}: no check yet; `mismatchd verify` makes one")
    save(draw(verifications, config.station.name), output)
    click.echo(f"drew {output}", err=True)
