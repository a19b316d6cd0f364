"""`mismatchd alarms`: list alarms, explain or acknowledge one, shelve a kind."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence
from pathlib import Path

import click
import msgspec

from logger.cli import station
from logger.cli.listing import AcknowledgeGroup, age, config_of, now_ns, store_path
from logger.cli.station import config_option, local_option, zone_of
from logger.cli.stations import each_station, stations_option
from logger.errors import UsageError
from logger.local_time import in_zone
from logger.utc import format_ns, parse_duration, parse_time, to_second


@click.group("alarms", cls=AcknowledgeGroup, invoke_without_command=True)
@stations_option
@click.option("--all", "everything", is_flag=True, help="Include cleared and acknowledged alarms.")
@local_option
@click.pass_context
def command(
    context: click.Context, config_paths: Sequence[Path], everything: bool, local: bool | None
) -> None:
    """List, explain and acknowledge alarms.

    Lists alarms that are open or not acknowledged, with their age and the number of alarms of the
    same kind. `alarms show ID` explains one, `alarms acknowledge ID` (`ack` for short) marks it as
    seen. `alarms shelve ID` suppresses notifications of its kind for a while, `alarms unshelve ID`
    resumes them. The alarms are recorded either way.
    """
    context.obj = config_paths
    if context.invoked_subcommand is None:
        each_station(config_paths, lambda path: _list(path, everything, local))


def _list(config_path: Path, everything: bool, local: bool | None) -> None:
    from logger.store.alarms import WAITING, Alarms
    from logger.store.reader import Store

    sections = station.config_sections(config_path)
    zone = zone_of(sections, local)
    time_ns = now_ns()
    with Store.reader(sections.store.path) as store:
        alarms = store.alarms(f"{'TRUE' if everything else WAITING} ORDER BY r.raised_ns, r.id")
        repository = Alarms(store.database)
        raises, shelved = repository.raises(), repository.shelved_until(time_ns)
    for alarm in alarms:
        line = (
            f"{alarm.id:>4}  {to_second(alarm.raised_utc)} {age(time_ns - alarm.raised_ns):>5}  "
            f"{alarm.kind:21}{f'x{raises[alarm.kind]}':7}"
            f"{'cleared' if alarm.cleared_utc else 'OPEN':8}"
            f"{'acknowledged' if alarm.acknowledged_utc else '':13}{alarm.detail}"
        )
        click.echo(in_zone(line, zone))
    for kind, until_ns in shelved.items():
        until = in_zone(to_second(format_ns(until_ns)), zone)
        click.echo(f"{kind} is shelved until {until}", err=True)
    if not alarms:
        click.echo("no alarms" if everything else "no open or unacknowledged alarms", err=True)


@command.command("acknowledge")
@click.argument("alarm_ids", type=int, nargs=-1, required=True, metavar="ID...")
@config_option
@click.pass_context
def acknowledge(
    context: click.Context, alarm_ids: tuple[int, ...], config_path: Path | None
) -> None:
    """Acknowledge alarms: mark them as seen, all or none. `alarms ack ID` does the same."""
    from logger.store.alarms import Alarms

    time_ns = now_ns()
    with Alarms.editor(store_path(context, config_path)) as alarms, alarms.database.transaction():
        events = [alarms.acknowledge(number, time_ns) for number in dict.fromkeys(alarm_ids)]
    for _, alarm in events:
        click.echo(f"alarm {alarm.id} ({alarm.kind}) acknowledged", err=True)


@command.command("shelve")
@click.argument("alarm_id", type=int, metavar="ID")
@click.option("--until", metavar="TIME", help="2026-03-01T19:00:00Z or a date; times are UTC.")
@click.option("--for", "span", metavar="SPAN", help="Duration from now: 30m, 2h, 7d.")
@config_option
@click.pass_context
def shelve(
    context: click.Context,
    alarm_id: int,
    until: str | None,
    span: str | None,
    config_path: Path | None,
) -> None:
    """Shelve the kind of alarm ID: alarms are still recorded, but notifiers report them only when
    the time is over, in one message with a count."""
    from logger.store.alarms import Alarms

    time_ns = now_ns()
    if until is not None and span is None:
        until_ns = parse_time(until, time_ns)
    elif span is not None and until is None:
        until_ns = time_ns + parse_duration(span)
    else:
        raise UsageError("say until when: --for 2h, or --until 2026-03-01T19:00:00Z")
    with Alarms.editor(store_path(context, config_path)) as alarms:
        kind = alarms.shelve(alarm_id, until_ns, time_ns)
    click.echo(f"{kind} is shelved until {to_second(format_ns(until_ns))}", err=True)


@command.command("unshelve")
@click.argument("alarm_id", type=int, metavar="ID")
@config_option
@click.pass_context
def unshelve(context: click.Context, alarm_id: int, config_path: Path | None) -> None:
    """Resume notifications of the kind of alarm ID."""
    from logger.store.alarms import Alarms

    with Alarms.editor(store_path(context, config_path)) as alarms:
        kind = alarms.unshelve(alarm_id)
    click.echo(f"{kind} is no longer shelved", err=True)


@command.command("show")
@click.argument("alarm_id", type=int, metavar="ID")
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
    alarm_id: int,
    form: str,
    config_path: Path | None,
    local: bool | None,
) -> None:
    """Explain alarm ID: what happened, likely causes, and what to check next."""
    from logger.diagnosis.alarms import diagnosis_of
    from logger.diagnosis.words import NARROWEST, WIDEST, page
    from logger.store.reader import Store

    with Store.reader(store_path(context, config_path)) as store:
        alarms = store.alarms("r.id = ?", alarm_id)
        if not alarms:
            raise UsageError(
                f"no alarm {alarm_id} in {store.path}; `mismatchd alarms --all` lists them"
            )
        (alarm,) = alarms
        diagnosis = diagnosis_of(store, alarm)
    if form == "json":
        click.echo(msgspec.json.encode({"alarm": alarm, "diagnosis": diagnosis}).decode())
        return
    width = shutil.get_terminal_size().columns
    state = f"cleared {to_second(alarm.cleared_utc)}" if alarm.cleared_utc else "OPEN"
    lines = (
        f"alarm {alarm_id}: {alarm.kind} ({alarm.severity})",
        f"raised {to_second(alarm.raised_utc)}",
        state + (", acknowledged" if alarm.acknowledged_utc else ""),
        *textwrap.wrap(alarm.detail, min(max(width, NARROWEST), WIDEST)),
        "",
        page(diagnosis, width),
    )
    zone = zone_of(station.config_sections(config_of(context, config_path)), local)
    click.echo(in_zone("\n".join(lines), zone))
