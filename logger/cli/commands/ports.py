"""`mismatchd ports`: list serial ports, their stable names and probable devices."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import config_option


@click.command("ports")
@click.argument("ports", nargs=-1, metavar="[PORT]...")
@click.option(
    "--identify",
    is_flag=True,
    help="Open each port, query it for a microcontroller bridge and listen for four seconds."
    " Opening a port reboots some boards, and other devices may misread the query of six bytes:"
    " name PORTs (or addresses such as socket://HOST:PORT) to query only these. Default: all.",
)
@click.option(
    "--baud",
    type=click.IntRange(min=1),
    default=115200,
    show_default=True,
    help="Baud rate for --identify.",
)
@config_option
def command(config_path: Path | None, ports: tuple[str, ...], identify: bool, baud: int) -> None:
    """List serial ports.

    Shows their stable names and the probable devices. No port is opened without --identify. A port
    locked by another program, such as the daemon, is left alone.
    """
    from drivers.serial_ports import format_ports, list_ports

    del config_path  # every command accepts it; this one does not need it
    if ports and not identify:
        raise click.UsageError("PORT needs --identify")
    present = [] if ports else list_ports()
    if not ports:
        click.echo(format_ports(present))
    if identify:
        from drivers.identify import identify as ask

        names = ports or tuple(port.device for port in present)
        names = tuple(dict.fromkeys(names))
        for name, words in zip(names, ask(names, baud), strict=True):
            click.echo(f"{name}: {words}")
