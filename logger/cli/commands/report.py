"""`mismatchd report`: report the state of the feedline in words, charts and a table."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Sequence
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click
import msgspec

from logger.cli.station import configuration, local_option, up_to_date
from logger.cli.station_account import account_of, priors_of, span_options
from logger.cli.stations import STATION_ERRORS, name_stations, stations_option
from logger.errors import UsageError
from logger.local_time import in_zone, reader_zone
from logger.utc import format_ns

if TYPE_CHECKING:
    from logger.charts.fault_scene import FaultScene
    from logger.report.gather import Report


class Wanted(NamedTuple):
    """What the options ask for."""

    since: str | None
    until: str | None
    local: bool | None
    form: str  # "text", "json" or "html"
    width: int


class StationReport(NamedTuple):
    """Report of one station, its first open fault to draw, and the zone of its reader."""

    report: Report
    fault: FaultScene | None
    zone: tzinfo


@click.command("report")
@stations_option
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
    config_paths: Sequence[Path],
    since: str | None,
    until: str | None,
    html: Path | None,
    form: str,
    local: bool | None,
) -> None:
    """Report the state of the feedline.

    Prints the state in a sentence, changes since last month, last year and the last repair or
    adjustment, alarms, trend, forecast and what to check next; then charts and a table. Of several
    stations it prints a summary first. If one of them cannot be read, the others are reported, and
    the exit code is 1. Alarms and forecasts are a convenience; they do not replace a look at the
    station.
    """
    wanted = Wanted(
        since, until, local, form if html is None else "html", shutil.get_terminal_size().columns
    )
    if len(config_paths) == 1:
        output, is_complete = _one(config_paths[0], wanted), True
    else:
        output, is_complete = _several(config_paths, wanted)
    if html is None:
        click.echo(output)
    else:
        try:
            html.write_text(output, encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{html}: cannot be written: {error.strerror}") from error
        click.echo(f"wrote {html}", err=True)
    if not is_complete:
        sys.exit(1)


def _one(path: Path, wanted: Wanted) -> str:
    report, fault, zone = _read(path, wanted)
    if wanted.form == "json":
        return msgspec.json.encode(report.summary).decode()
    if wanted.form == "html":
        from logger.report.html import page as html_page

        return in_zone(html_page(*report, fault), zone)
    from logger.report.text import page

    return in_zone(page(report.summary, report.account, wanted.width), zone)


def _several(config_paths: Sequence[Path], wanted: Wanted) -> tuple[str, bool]:
    """Return the report on several stations; False if one of them cannot be read."""
    from logger.report.html import body, document
    from logger.report.several import StationLine, heading, html_of, line_of, text_of
    from logger.report.text import page

    lines, reports = [], []
    first_zone: tzinfo = UTC
    for number, (path, name) in enumerate(
        zip(config_paths, name_stations(config_paths), strict=True), 1
    ):
        own = ""
        try:
            report, fault, zone = _read(path, wanted)
        except STATION_ERRORS as error:
            click.echo(f"mismatchd: {name}: {error}", err=True)
            lines.append(StationLine(station=name, config=str(path), error=str(error)))
        else:
            first_zone = zone if first_zone is UTC else first_zone
            summary = report.summary
            lines.append(line_of(name, str(path), summary))
            report = report._replace(summary=msgspec.structs.replace(summary, station=name))
            if wanted.form == "html":
                own = "\n".join(body(*report, fault, f"s{number}-"))
            elif wanted.form == "text":
                own = page(report.summary, report.account, wanted.width)
        reports.append(own)
    title = heading(lines, format_ns(time.time_ns()))
    if wanted.form == "json":
        output = msgspec.json.encode({"stations": lines}).decode()
    elif wanted.form == "html":
        output = in_zone(document(title, html_of(title, lines, reports)), first_zone)
    else:
        output = in_zone(text_of(title, lines, reports, wanted.width), first_zone)
    return output, all(line.error is None for line in lines)


def _read(path: Path, wanted: Wanted) -> StationReport:
    from logger.report.gather import first_fault, report
    from logger.service.upkeep import calibration_due
    from logger.store.reader import Store

    config = configuration(path)
    zone = reader_zone(wanted.local, config.time_zone, os.environ)
    fault = None
    with Store.reader(up_to_date(config.store.path)) as store:
        account = account_of(store, config, wanted.since, wanted.until, time.time_ns(), joint=True)
        priors = priors_of(config, account.now_ns)
        usual = None if priors is None else priors.excursions()
        result = report(store, account, calibration_due(config), usual)
        if wanted.form == "html" and wanted.until is None:
            fault = first_fault(store, result.summary)
    return StationReport(result, fault and fault._replace(zone=zone), zone)
