"""`mismatchd dashboard`: dashboards of forwarded rows."""

from __future__ import annotations

import click

from logger.cli.lazy import LazyGroup


@click.command("dashboard", cls=LazyGroup, modules={"grafana": "dashboard_grafana"})
def command() -> None:
    """Write a dashboard of the rows that are forwarded to a database."""
