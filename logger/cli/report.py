"""`mismatchd report`: the state of the feedline in words, charts and a table."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import click
import msgspec

from logger.cli.station import config_option, configuration
from logger.cli.station_account import account_of, span_options
from logger.errors import UsageError


@click.command("report")
@config_option
@span_options
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write it as one HTML file that loads nothing.",
)
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text")
def command(
    config_path: Path | None, since: str | None, until: str | None, html: Path | None, form: str
) -> None:
    """Say how the feedline is: its state in a sentence, what changed since last month, last year
    and the last repair, alarms, trend, forecast and what to check next; then charts and a table.

    Alarms and forecasts are a convenience; they do not replace a look at the station.
    """
    from logger.feedline.course import courses
    from logger.report.gather import diagnosed, last_tuning
    from logger.report.summary import summary
    from logger.report.words import state
    from logger.store.line_losses import LineLosses

    config = configuration(config_path)
    store = LineLosses.reader(config.store.path)
    try:
        account = account_of(store, config, since, until, time.time_ns(), explained=True)
        tuning = last_tuning(store)
        told = summary(account, diagnosed(store, account), courses(store.readings()), tuning)
    finally:
        store.close()
    told = msgspec.structs.replace(told, sentence=state(told))
    if html is not None:
        from logger.report.html import page as html_page

        try:
            html.write_text(html_page(told, account, tuning and tuning[1]), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{html}: cannot be written: {error.strerror}") from error
        click.echo(f"wrote {html}", err=True)
    elif form == "json":
        click.echo(msgspec.json.encode(told).decode())
    else:
        from logger.report.text import page

        click.echo(page(told, account, shutil.get_terminal_size().columns))
