"""`mismatchd chart drift`: draw daily SWR and trend of channels."""

from __future__ import annotations

import time
from pathlib import Path

import click

from logger.cli.station import config_option, configuration, output_option, up_to_date
from logger.cli.station_account import account_of, span_options
from logger.errors import StoreError, UsageError


@click.command("drift")
@config_option
@output_option("Chart to write: .png, .svg or .pdf.")
@click.option(
    "--channel",
    "channels",
    type=int,
    multiple=True,
    metavar="N",
    help="Draw this channel; up to four of them. Default: the four most used.",
)
@click.option("--antenna", metavar="NAME", help="Only this one of several configured antennas.")
@span_options
def command(
    config_path: Path | None,
    output: Path,
    channels: tuple[int, ...],
    antenna: str | None,
    since: str | None,
    until: str | None,
) -> None:
    """Draw daily SWR and its trend.

    One A4 sheet: the level with its 95 % interval, the seasonal variation, journal entries,
    alarms, and the weather where it is known.
    """
    config = configuration(config_path)
    from logger.charts.drift import MOST_CHANNELS, draw
    from logger.charts.sheet import check_suffix, save
    from logger.store.reader import Store

    check_suffix(output)
    if antenna is not None:
        config.antenna(antenna)  # raises UsageError
    if len(set(channels)) > MOST_CHANNELS:
        raise UsageError(f"--channel: a sheet has room for {MOST_CHANNELS}; draw several sheets")
    with Store.reader(up_to_date(config.store.path)) as store:
        account = account_of(
            store, config, since, until, time.time_ns(), channels, MOST_CHANNELS, antenna=antenna
        )
    readable = {trend.days.channel for trend in account.channels}
    missing = [str(channel) for channel in dict.fromkeys(channels) if channel not in readable]
    if missing:
        raise StoreError(
            f"{config.store.path}: no readable transmission on channel {', '.join(missing)} in the"
            " period requested"
        )
    if not account.channels:
        raise StoreError(
            f"{config.store.path}: no readable transmission in the period requested; nothing to"
            " draw"
        )
    save(draw(account), output)
    click.echo(f"drew {output}", err=True)
