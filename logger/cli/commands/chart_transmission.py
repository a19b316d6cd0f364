"""`mismatchd chart transmission`: draw one transmission from key-down to key-up."""

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


@click.command("transmission")
@click.argument("transmission_id", type=int, metavar="ID")
@config_option
@local_option
@output_option("Chart to write: .png, .svg or .pdf.")
def command(
    transmission_id: int, config_path: Path | None, output: Path, local: bool | None
) -> None:
    """Draw a transmission.

    One A4 sheet: incident and reflected power, the reflection with its 95 % interval from noise,
    excursions and alarms, from its raw pairs, or from the means of its seconds where the pairs are
    past retention.
    """
    config = configuration(config_path)
    from logger.charts.scenes import of_transmission
    from logger.charts.sheet import check_suffix, save
    from logger.charts.timeline import draw
    from logger.store.reader import Store

    check_suffix(output)
    with Store.reader(up_to_date(config.store.path)) as store:
        scene = of_transmission(
            store,
            transmission_id,
            config.station.name,
            config.transmission.min_forward_w,
            calibration_of(config),
        )
    save(draw(scene), output, zone_of(config, local))
    click.echo(f"drew {output}", err=True)
