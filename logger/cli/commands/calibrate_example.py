"""`mismatchd calibrate example`: write the simulated coupler's calibration file."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import output_option
from logger.errors import UsageError


@click.command("example")
@output_option("File to write.")
def command(output: Path) -> None:
    """Write the exact calibration of the simulated coupler, to show the format."""
    from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
    from logger.calibration.file import dump, identify
    from logger.calibration.simulated import calibration

    truth = SimulatedDriver(SimulatedOptions()).truth()
    content = calibration(truth.coupler, truth.adc)
    try:
        output.write_text(dump(content), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{output}: cannot be written: {error.strerror}") from error
    click.echo(f"wrote {output}, calibration {identify(content)}", err=True)
