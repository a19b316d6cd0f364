"""`mismatchd chart capture`: draw the pairs around an alarm or excursion."""

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
from logger.errors import UsageError


@click.command("capture")
@click.argument("capture_id", type=int, metavar="[ID]", required=False)
@config_option
@local_option
@output_option("Chart to write: .png, .svg or .pdf.")
@click.option("--alarm", type=int, metavar="ID", help="The capture of this alarm.")
@click.option("--excursion", type=int, metavar="ID", help="The capture of this excursion.")
def command(
    capture_id: int | None,
    config_path: Path | None,
    output: Path,
    alarm: int | None,
    excursion: int | None,
    local: bool | None,
) -> None:
    """Draw the raw pairs around an alarm or excursion.

    One A4 sheet: incident and reflected power, the reflection with its 95 % interval from noise
    and the usual level, the extent of excursions and the times of alarms, for the whole capture and
    for the event enlarged. `mismatchd export captures` lists the ids.
    """
    if sum(number is not None for number in (capture_id, alarm, excursion)) != 1:
        raise UsageError("name one capture: its ID, --alarm ID or --excursion ID")
    config = configuration(config_path)
    from logger.charts.scenes import capture_of, of_capture
    from logger.charts.sheet import check_suffix, save
    from logger.charts.timeline import draw
    from logger.store.reader import Store

    check_suffix(output)
    with Store.reader(up_to_date(config.store.path)) as store:
        if alarm is not None:
            capture_id = capture_of(store, "alarm", alarm)
        elif excursion is not None:
            capture_id = capture_of(store, "excursion", excursion)
        assert capture_id is not None
        scene = of_capture(
            store,
            capture_id,
            config.station.name,
            config.transmission.min_forward_w,
            calibration_of(config),
        )
    save(draw(scene), output, zone_of(config, local))
    click.echo(f"drew {output}", err=True)
