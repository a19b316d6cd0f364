"""`mismatchd ports`: serial ports, their stable names and what is probably behind them."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import config_option


@click.command("ports")
@config_option
def command(config_path: Path | None) -> None:
    """List serial ports with their stable names and what is probably behind them."""
    from drivers.serial_ports import format_ports, list_ports

    del config_path  # every command takes it; this one has no use for it
    click.echo(format_ports(list_ports()))
