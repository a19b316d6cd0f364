"""`mismatchd calibrate`: calibrate the coupler."""

from __future__ import annotations

import click

from logger.cli.lazy import LazyGroup

COMMANDS = {
    "plan": "calibrate_plan",
    "fit": "calibrate_fit",
    "bench": "calibrate_bench",
    "example": "calibrate_example",
    "report": "calibrate_report",
    "temperature": "calibrate_temperature",
}


@click.command("calibrate", cls=LazyGroup, modules=COMMANDS)
def command() -> None:
    """Calibrate the coupler."""
