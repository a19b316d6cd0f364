"""What commands that list and acknowledge alarms and faults share."""

from __future__ import annotations

import time
from pathlib import Path

import click

from logger.cli import station
from logger.cli.lazy import ListingGroup
from logger.cli.stations import only


class AcknowledgeGroup(ListingGroup):
    """Group of subcommands; `ack` is short for `acknowledge`."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        return super().get_command(ctx, "acknowledge" if cmd_name == "ack" else cmd_name)


def config_of(context: click.Context, config_path: Path | None) -> Path:
    """Return the configuration of a subcommand, else of its group. Raise UsageError."""
    return config_path or only(context.obj)


def store_path(context: click.Context, config_path: Path | None) -> Path:
    """Return the path of the store, by a subcommand's or its group's configuration."""
    return station.store_path(config_of(context, config_path))


def age(span_ns: int) -> str:
    """Return a duration in its largest whole unit."""
    seconds = max(0, span_ns) // 1_000_000_000
    for unit, length in (("d", 86400), ("h", 3600), ("m", 60)):
        if seconds >= length:
            return f"{seconds // length}{unit}"
    return f"{seconds}s"


def now_ns() -> int:
    """Return the present time in whole microseconds."""
    return time.time_ns() // 1000 * 1000
