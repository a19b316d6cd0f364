"""`mismatchd alarms`: list them, show what may be behind one, acknowledge one."""

from __future__ import annotations

import shutil
import textwrap
import time
from pathlib import Path

import click
import msgspec

from logger.cli.station import config_option, configuration


@click.group("alarms", invoke_without_command=True)
@config_option
@click.option(
    "--all", "everything", is_flag=True, help="Also those that are cleared and acknowledged."
)
@click.pass_context
def command(context: click.Context, config_path: Path | None, everything: bool) -> None:
    """List alarms that are open or not acknowledged; `alarms show ID` says what may be behind one,
    `alarms ack ID` acknowledges it."""
    context.obj = config_path
    if context.invoked_subcommand is not None:
        return
    from logger.cli.export import FOREVER
    from logger.store.database import Store
    from logger.store.tables import ALARMS

    store = Store.reader(configuration(config_path).store.path)
    try:
        shown = 0
        for record in store.records(ALARMS, *FOREVER):
            row = record.columns
            if row["cleared_utc"] and row["acknowledged_utc"] and not everything:
                continue
            shown += 1
            click.echo(
                f"{row['id']:>4}  {row['raised_utc'][:19]}Z  {row['kind']:21}"
                f"{'cleared' if row['cleared_utc'] else 'OPEN':8}"
                f"{'acknowledged' if row['acknowledged_utc'] else '':13}{row['detail']}"
            )
    finally:
        store.close()
    if not shown:
        click.echo("no alarms" if everything else "no alarms waiting", err=True)


@command.command("ack")
@click.argument("alarm_id", type=int, metavar="ID")
@config_option
@click.pass_context
def acknowledge(context: click.Context, alarm_id: int, config_path: Path | None) -> None:
    """Acknowledge alarm ID: somebody has seen it."""
    from logger.store.database import Store

    store = Store.reader(configuration(config_path or context.obj).store.path)
    try:
        item = store.acknowledge(alarm_id, time.time_ns() // 1000 * 1000)
    finally:
        store.close()
    click.echo(f"alarm {alarm_id} ({item.columns['kind']}) acknowledged", err=True)


@command.command("show")
@click.argument("alarm_id", type=int, metavar="ID")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text")
@config_option
@click.pass_context
def show(context: click.Context, alarm_id: int, form: str, config_path: Path | None) -> None:
    """Say what alarm ID was, what may be behind it, and what to check next."""
    from logger.diagnosis import diagnosis_of
    from logger.diagnosis.words import NARROWEST, WIDEST, page
    from logger.errors import UsageError
    from logger.store.database import Store
    from logger.store.tables import ALARMS

    path = configuration(config_path or context.obj).store.path
    store = Store.reader(path)
    try:
        found = store.select(ALARMS, "r.id = ?", alarm_id)
        if not found:
            raise UsageError(f"no alarm {alarm_id} in {path}; `mismatchd alarms --all` lists them")
        alarm = found[0].columns
        diagnosis = diagnosis_of(store, alarm)
    finally:
        store.close()
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
