"""`mismatchd notify`: send a test message through every notifier, without the daemon."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import click

from drivers.contract import LinkError, Sends
from logger.cli.lazy import ListingGroup
from logger.cli.station import config_option, configuration
from logger.config.load import Config


@click.group("notify", cls=ListingGroup)
def command() -> None:
    """Manage notifications of faults and alarms.

    `notify test` sends a test message to each notifier.
    """


@command.command("test")
@config_option
def test(config_path: Path | None) -> None:
    """Send a test message through every notifier and report each delivery. Exit
    code 1 if one was not.

    A notifier of kind `inhibit` inhibits and releases at once; it needs the port of the
    microcontroller bridge, which a running daemon holds.
    """
    from logger.notify import messages
    from logger.notify.build import build_channel
    from logger.notify.channel import ChannelContext, NotDelivered
    from logger.store.identity import read_id

    config = configuration(config_path)
    station = config.station.name
    context = ChannelContext(
        station,
        config.path.parent,
        os.environ,
        lambda data: _send(config, data),
        station_id=read_id(config.store.path),
    )
    failed = 0
    for options in config.notifiers:
        channel = build_channel(options, context)
        try:
            message = messages.test(station, time.time_ns() // 1000 * 1000)
            channel.deliver(messages.identify(message, context.station_id))
            result = "delivered"
        except NotDelivered as error:
            failed += 1
            result = f"NOT delivered: {error}"
        finally:
            channel.close()
        click.echo(f"{options.title}: {result}")
    if not config.notifiers:
        click.echo("no notifier: `notify` in the configuration is empty", err=True)
    if failed:
        sys.exit(1)


def _send(config: Config, data: bytes) -> None:
    """Send to the bridge over a port opened only for this."""
    driver = config.make_driver()
    if not isinstance(driver, Sends):
        raise LinkError(f"driver {config.kind!r} accepts no messages")
    driver.open()
    try:
        driver.send(data)
    finally:
        driver.close()
