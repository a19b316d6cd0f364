"""`mismatchd faults`: list faults, tell the story of one, acknowledge them."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from logger.cli import station
from logger.cli.listing import AcknowledgeGroup, age, config_of, now_ns, store_path
from logger.cli.station import config_option, local_option, zone_of
from logger.cli.stations import each_station, stations_option
from logger.errors import UsageError
from logger.local_time import in_zone
from logger.utc import to_second
from logger.wording import count

if TYPE_CHECKING:
    from logger.diagnosis.fault_story import FaultStory

ALL = "all"


@click.group("faults", cls=AcknowledgeGroup, invoke_without_command=True)
@stations_option
@click.option("--all", "everything", is_flag=True, help="Include closed faults.")
@local_option
@click.pass_context
def command(
    context: click.Context, config_paths: Sequence[Path], everything: bool, local: bool | None
) -> None:
    """List, explain and acknowledge faults.

    A fault is one trouble of feedline and antenna, of the instrument, or of missing data, from its
    first sign until it is verified gone; alarms and excursions are its signs. Lists the faults that
    are not closed. `faults show ID` tells what happened and what to check next, `faults
    acknowledge ID` (`ack` for short) marks a fault and its alarms as seen. Note a repair with
    `journal add --kind repair`: the transmissions that follow verify it.
    """
    context.obj = config_paths
    if context.invoked_subcommand is None:
        each_station(config_paths, lambda path: _list(path, everything, local))


def _list(config_path: Path, everything: bool, local: bool | None) -> None:
    from logger.store.faults import ACTIVE, Faults

    sections = station.config_sections(config_path)
    zone = zone_of(sections, local)
    with Faults.reader(sections.store.path) as repository:
        faults = repository.select(f"{'TRUE' if everything else ACTIVE} ORDER BY r.opened_ns")
    for fault in faults:
        line = (
            f"{fault.id:>4}  {to_second(fault.opened_utc)} {age(now_ns() - fault.opened_ns):>5}  "
            f"{fault.state:10}{fault.severity:10}{count(fault.alarms or 0, 'alarm'):13}"
            f"{count(fault.excursions or 0, 'excursion'):18}"
            f"{'acknowledged' if fault.acknowledged_utc else '':13}{fault.summary}"
        )
        click.echo(in_zone(line, zone))
    if not faults:
        click.echo("no faults" if everything else "no open faults", err=True)


@command.command("acknowledge")
@click.argument("fault_ids", nargs=-1, required=True, metavar="ID...|all")
@config_option
@click.pass_context
def acknowledge(
    context: click.Context, fault_ids: tuple[str, ...], config_path: Path | None
) -> None:
    """Acknowledge faults: mark them and their alarms as seen. `faults ack ID` does the same.

    `all` acknowledges every fault that is not closed.
    """
    from logger.store.faults import ACTIVE, Faults

    time_ns = now_ns()
    with Faults.editor(store_path(context, config_path)) as faults, faults.database.transaction():
        if fault_ids == (ALL,):
            open_faults = faults.select(f"{ACTIVE} AND r.acknowledged_ns IS NULL")
            numbers = [fault.id for fault in open_faults if fault.id is not None]
        else:
            numbers = [_number(text) for text in dict.fromkeys(fault_ids)]
        acknowledged = [faults.acknowledge(number, time_ns) for number in numbers]
    for fault, events in acknowledged:
        alarms = f", with {len(events)} of its alarms" if events else ""
        click.echo(f"fault {fault.id} acknowledged{alarms}", err=True)
    if not acknowledged:
        click.echo("no open faults that are not acknowledged", err=True)


def _number(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise UsageError(f"{text!r} is not the id of a fault; give ids, or {ALL}") from None


@command.command("show")
@click.argument("fault_id", type=int, metavar="ID")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="Format of the output.",
)
@config_option
@local_option
@click.pass_context
def show(
    context: click.Context,
    fault_id: int,
    form: str,
    config_path: Path | None,
    local: bool | None,
) -> None:
    """Tell the story of fault ID: what happened and when, likely causes, and what to check next."""
    from logger.diagnosis.fault_story import tell_story
    from logger.store.reader import Store

    with Store.reader(store_path(context, config_path)) as store:
        story = tell_story(store, fault_id)
    if form == "json":
        click.echo(msgspec.json.encode(story).decode())
        return
    zone = zone_of(station.config_sections(config_of(context, config_path)), local)
    click.echo(in_zone("\n".join(_lines(story, shutil.get_terminal_size().columns)), zone))


def _lines(story: FaultStory, width: int) -> Iterator[str]:
    from logger.diagnosis.fault_story import paragraph
    from logger.diagnosis.words import NARROWEST, WIDEST, page

    fault = story.fault
    acknowledged = ", acknowledged" if fault.acknowledged_utc else ""
    yield f"fault {fault.id}: {fault.state} ({fault.severity}){acknowledged}"
    text = f"{paragraph(story)} {fault.summary.rstrip('.')}."
    yield from textwrap.wrap(text, min(max(width, NARROWEST), WIDEST))
    yield from ("", "Timeline")
    yield from _timeline(story)
    if any(day.excursions for day in story.days):
        yield from ("", "Days with signs, and excursions per hour on the air")
        for day in story.days:
            rate = day.excursions_per_hour
            yield (
                f"  {day.date}  {day.on_air_s / 60:6.0f} min on the air"
                f"  {count(day.alarms, 'alarm'):>11}  {count(day.excursions, 'excursion'):>16}"
                + ("" if rate is None else f"  {rate:7.3g} per hour")
            )
    yield from ("", page(story.diagnosis, width))
    if story.charts:
        yield from ("", "Charts to draw")
        for chart in story.charts:
            yield f"  mismatchd chart {chart} -o {chart.replace(' ', '-')}.png"


def _timeline(story: FaultStory) -> Iterator[str]:
    """Yield the first sign, the changes and the journal in order of time."""
    entries = [(story.first_utc, "first sign")]
    entries += [(event.utc, f"{event.change}: {event.fault.summary}") for event in story.changes]
    entries += [(entry.time_utc, f"journal, {entry.kind}: {entry.text}") for entry in story.journal]
    for utc, text in sorted(entries, key=lambda entry: entry[0]):
        yield f"  {to_second(utc)}  {text}"
