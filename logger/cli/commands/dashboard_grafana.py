"""`mismatchd dashboard grafana`: a dashboard as a file for Grafana."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import config_option, configuration_if_any
from logger.dashboard.model import SOURCES
from logger.errors import UsageError


@click.command("grafana")
@config_option
@click.option(
    "--datasource",
    "source",
    type=click.Choice(list(SOURCES)),
    required=True,
    help="Database that the rows are forwarded to.",
)
@click.option(
    "--provisioning",
    is_flag=True,
    help="Write data source and dashboard into the folder FILE, which Grafana reads at its start.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="File to write; default: standard output.",
)
def command(config_path: Path | None, source: str, provisioning: bool, output: Path | None) -> None:
    """Write a dashboard for Grafana.

    It shows all stations in a table and one of them in detail: power now, transmissions, SWR with
    its interval by channel, excursions, alarms, faults, drift by month, health of the instrument;
    journal, faults and new calibrations are marked. Import the file, or let --provisioning install
    it together with its data source, whose address is that of the first section of `influxdb`.
    """
    from logger.dashboard.provisioning import files, text

    if not provisioning:
        if output is None:
            click.echo(text(source), nl=False)
            return
        contents = {output: text(source)}
    elif output is None or output.is_file():
        raise UsageError("--provisioning writes several files; name a folder with -o")
    else:
        config = configuration_if_any(config_path)
        servers = config.forwarders if config else []
        contents = files(source, servers[0] if servers else None, output)
    for path, content in contents.items():
        try:
            if provisioning:
                path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(content)
        except OSError as error:
            raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
        click.echo(f"wrote {path}", err=True)
