"""`mismatchd report`: report the state of the feedline in words, charts and a table."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import click
import msgspec

from logger.cli.station import config_option, configuration, local_option, zone_of
from logger.cli.station_account import account_of, span_options
from logger.errors import UsageError
from logger.local_time import in_zone


@click.command("report")
@config_option
@span_options
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a self-contained HTML file.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="Format of the output.",
)
@local_option
def command(
    config_path: Path | None,
    since: str | None,
    until: str | None,
    html: Path | None,
    form: str,
    local: bool | None,
) -> None:
    """Report the state of the feedline.

    Prints the state in a sentence, changes since last month, last year and the last repair or
    adjustment, alarms, trend, forecast and what to check next; then charts and a table. Alarms and
    forecasts are a convenience; they do not replace a look at the station.
    """
    from logger.report.gather import first_fault, report
    from logger.service.upkeep import calibration_due
    from logger.store.reader import Store

    config = configuration(config_path)
    with Store.reader(config.store.path) as store:
        account = account_of(store, config, since, until, time.time_ns(), joint=True)
        result = report(store, account, calibration_due(config))
        fault = None if html is None or until is not None else first_fault(store, result.summary)
    zone = zone_of(config.path, local)
    if fault is not None:
        fault = fault._replace(zone=zone)
    if html is not None:
        from logger.report.html import page as html_page

        try:
            html.write_text(in_zone(html_page(*result, fault), zone), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{html}: cannot be written: {error.strerror}") from error
        click.echo(f"wrote {html}", err=True)
    elif form == "json":
        click.echo(msgspec.json.encode(result.summary).decode())
    else:
        from logger.report.text import page

        text = page(result.summary, account, shutil.get_terminal_size().columns)
        click.echo(in_zone(text, zone))
