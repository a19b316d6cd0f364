"""`mismatchd chart`: draw charts for screen and paper."""

from __future__ import annotations

import click

from logger.cli.lazy import LazyGroup

COMMANDS = {
    "calibration": "chart_calibration",
    "capture": "chart_capture",
    "drift": "chart_drift",
    "fault": "chart_fault",
    "transmission": "chart_transmission",
    "tuning": "chart_tuning",
    "verifications": "chart_verifications",
}


@click.command("chart", cls=LazyGroup, modules=COMMANDS)
def command() -> None:
    """Draw a chart as PNG, SVG or PDF."""
