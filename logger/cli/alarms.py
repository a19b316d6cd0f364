"""`mismatchd alarms`: list alarms, explain or acknowledge one, shelve a kind."""

from __future__ import annotations

import shutil
import textwrap
import time
from pathlib import Path

import click
import msgspec

from logger.cli.station import config_option, configuration
from logger.errors import UsageError
from logger.utc import format_ns, parse_duration, parse_time


class AlarmsGroup(click.Group):
    """Subcommands of `alarms`; `ack` is short for `acknowledge`."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        return super().get_command(ctx, "acknowledge" if cmd_name == "ack" else cmd_name)


@click.group("alarms", cls=AlarmsGroup, invoke_without_command=True)
@config_option
@click.option("--all", "everything", is_flag=True, help="Include cleared and acknowledged alarms.")
@click.pass_context
def command(context: click.Context, config_path: Path | None, everything: bool) -> None:
    """List, explain and acknowledge alarms.

    Lists alarms that are open or not acknowledged, with their age and the count of their kind.
    `alarms show ID` explains one, `alarms acknowledge ID` (`ack` for short) marks it as seen.
    `alarms shelve ID` suppresses notifications of its kind for a while, `alarms unshelve ID`
    resumes them. The alarms are recorded either way.
    """
    context.obj = config_path
    if context.invoked_subcommand is not None:
        return
    from logger.cli.export import FOREVER
    from logger.store.alarms import Alarms
    from logger.store.reader import Store
    from logger.store.tables import ALARMS

    store = Store.reader(configuration(config_path).store.path)
    now_ns = _now_ns()
    try:
        alarms = Alarms(store.database)
        raises, shelved = alarms.raises(), alarms.shelved_until(now_ns)
        shown = 0
        for record in store.records(ALARMS, *FOREVER):
            row = record.columns
            if row["cleared_utc"] and row["acknowledged_utc"] and not everything:
                continue
            shown += 1
            click.echo(
                f"{row['id']:>4}  {row['raised_utc'][:19]}Z {age(now_ns - record.time_ns):>5}  "
                f"{row['kind']:21}{_count(raises[row['kind']]):7}"
                f"{'cleared' if row['cleared_utc'] else 'OPEN':8}"
                f"{'acknowledged' if row['acknowledged_utc'] else '':13}{row['detail']}"
            )
        for kind, until_ns in shelved.items():
            click.echo(f"{kind} is shelved until {format_ns(until_ns)[:19]}Z", err=True)
    finally:
        store.close()
    if not shown:
        click.echo("no alarms" if everything else "no open or unacknowledged alarms", err=True)


@command.command("acknowledge")
@click.argument("alarm_id", type=int, metavar="ID")
@config_option
@click.pass_context
def acknowledge(context: click.Context, alarm_id: int, config_path: Path | None) -> None:
    """Acknowledge alarm ID: mark it as seen. `alarms ack ID` does the same."""
    from logger.store.alarms import Alarms

    with Alarms.editor(configuration(config_path or context.obj).store.path) as alarms:
        item = alarms.acknowledge(alarm_id, _now_ns())
    click.echo(f"alarm {alarm_id} ({item.columns['kind']}) acknowledged", err=True)


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
    the time is over, in one message with their number."""
    from logger.store.alarms import Alarms

    now_ns = _now_ns()
    if until is not None and span is None:
        until_ns = parse_time(until, now_ns)
    elif span is not None and until is None:
        until_ns = now_ns + parse_duration(span)
    else:
        raise UsageError("say until when: --for 2h, or --until 2026-03-01T19:00:00Z")
    with Alarms.editor(configuration(config_path or context.obj).store.path) as alarms:
        kind = alarms.shelve(alarm_id, until_ns, now_ns)
    click.echo(f"{kind} is shelved until {format_ns(until_ns)[:19]}Z", err=True)


@command.command("unshelve")
@click.argument("alarm_id", type=int, metavar="ID")
@config_option
@click.pass_context
def unshelve(context: click.Context, alarm_id: int, config_path: Path | None) -> None:
    """Resume notifications of the kind of alarm ID."""
    from logger.store.alarms import Alarms

    with Alarms.editor(configuration(config_path or context.obj).store.path) as alarms:
        kind = alarms.unshelve(alarm_id)
    click.echo(f"{kind} is no longer shelved", err=True)


def age(span_ns: int) -> str:
    """Return a duration in its largest whole unit."""
    seconds = max(0, span_ns) // 1_000_000_000
    for unit, length in (("d", 86400), ("h", 3600), ("m", 60)):
        if seconds >= length:
            return f"{seconds // length}{unit}"
    return f"{seconds}s"


def _count(raises: int) -> str:
    return f"x{raises}"


def _now_ns() -> int:
    return time.time_ns() // 1000 * 1000


@command.command("show")
@click.argument("alarm_id", type=int, metavar="ID")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text")
@config_option
@click.pass_context
def show(context: click.Context, alarm_id: int, form: str, config_path: Path | None) -> None:
    """Explain alarm ID: what happened, likely causes, and what to check next."""
    from logger.diagnosis import diagnosis_of
    from logger.diagnosis.words import NARROWEST, WIDEST, page
    from logger.store.reader import Store
    from logger.store.tables import ALARMS

    path = configuration(config_path or context.obj).store.path
    with Store.reader(path) as store:
        found = store.select(ALARMS, "r.id = ?", alarm_id)
        if not found:
            raise UsageError(f"no alarm {alarm_id} in {path}; `mismatchd alarms --all` lists them")
        alarm = found[0].columns
        diagnosis = diagnosis_of(store, alarm)
    if form == "json":
        click.echo(msgspec.json.encode({"alarm": alarm, "diagnosis": diagnosis}).decode())
        return
    width = shutil.get_terminal_size().columns
    state = f"cleared {alarm['cleared_utc'][:19]}Z" if alarm["cleared_utc"] else "OPEN"
    click.echo(f"alarm {alarm_id}: {alarm['kind']} ({alarm['severity']})")
    click.echo(f"raised {alarm['raised_utc'][:19]}Z")
    click.echo(state + (", acknowledged" if alarm["acknowledged_utc"] else ""))
    click.echo("\n".join(textwrap.wrap(alarm["detail"], min(max(width, NARROWEST), WIDEST))))
    click.echo("\n" + page(diagnosis, width))
