"""`mismatchd notify`: manage alarm notifications."""

from __future__ import annotations

import click

from logger.cli.lazy import LazyGroup

COMMANDS = {
    "test": "notify_test",
}


@click.command("notify", cls=LazyGroup, modules=COMMANDS)
def command() -> None:
    """Manage alarm notifications.

    `notify test` sends a test message to each notifier.
    """
