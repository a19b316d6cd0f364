"""`mismatchd chart calibration`: draw the coupler's calibration on one sheet."""

from __future__ import annotations

from pathlib import Path

import click

from logger.calibration.file import load
from logger.cli.station import calibration_of, config_option, configuration, output_option


@click.command("calibration")
@config_option
@output_option("Chart to write: .png, .svg or .pdf.")
@click.option(
    "--calibration",
    "calibration_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Calibration file to draw. Default: that of the configuration.",
)
def command(config_path: Path | None, output: Path, calibration_path: Path | None) -> None:
    """Draw the coupler's calibration.

    One A4 sheet: both detector laws with their bench points, the residuals of the points, and the
    smallest SWR that can be claimed at each power.
    """
    if calibration_path is not None:
        content = load(calibration_path)
    else:
        content = calibration_of(configuration(config_path))
    from logger.charts.calibration import draw
    from logger.charts.sheet import save

    save(draw(content), output)
    click.echo(f"drew {output}", err=True)
