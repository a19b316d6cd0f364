"""`mismatchd alarms`: list them, acknowledge one."""

from __future__ import annotations

import time
from pathlib import Path

import click

from logger.cli.station import config_option, configuration


@click.group("alarms", invoke_without_command=True)
@config_option
@click.option(
    "--all", "everything", is_flag=True, help="Also those that are cleared and acknowledged."
)
@click.pass_context
def command(context: click.Context, config_path: Path | None, everything: bool) -> None:
    """List alarms that are open or not acknowledged; `alarms ack ID` acknowledges one."""
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
