"""`mismatchd chart fault`: draw the story of a fault."""

from __future__ import annotations

from pathlib import Path

import click

from logger.cli.station import (
    calibration_of,
    config_option,
    configuration,
    local_option,
    output_option,
    up_to_date,
    zone_of,
)


@click.command("fault")
@click.argument("fault_id", type=int, metavar="ID")
@config_option
@local_option
@output_option("Chart to write: .png, .svg or .pdf.")
def command(fault_id: int, config_path: Path | None, output: Path, local: bool | None) -> None:
    """Draw the story of a fault.

    One A4 sheet: excursions per hour on the air with their 95 % interval, the level of the
    transmissions, alarms, the states of the fault, journal entries, and up to four captures.
    `mismatchd faults --all` lists the ids.
    """
    config = configuration(config_path)
    from logger.charts.fault import draw
    from logger.charts.fault_scene import of_fault
    from logger.charts.sheet import check_suffix, save
    from logger.store.reader import Store

    check_suffix(output)
    with Store.reader(up_to_date(config.store.path)) as store:
        scene = of_fault(
            store,
            fault_id,
            config.station.name,
            config.transmission.min_forward_w,
            calibration_of(config),
        )
    save(draw(scene._replace(zone=zone_of(config, local))), output)
    click.echo(f"drew {output}", err=True)
