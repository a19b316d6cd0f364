"""`mismatchd calibrate temperature`: the detectors' temperature coefficient from transmissions."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from logger.cli.station import calibration_of, config_option, configuration
from logger.errors import UsageError

EVER_NS = 1 << 62
DECIMALS = 4


@click.command("temperature")
@config_option
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Calibration file to write: the present one with the coefficient.",
)
@click.option(
    "--bench-temperature",
    "bench_c",
    type=click.FloatRange(-20, 60),
    metavar="C",
    help="Temperature of the coupler at the bench in °C, if the calibration does not state it.",
)
def command(config_path: Path | None, output: Path | None, bench_c: float | None) -> None:
    """Learn the temperature coefficient of the detectors from stored transmissions.

    The bridge has to report the coupler's temperature as temperature_c. Different powers on the
    same days, over some weeks or a season, determine the coefficient; one power does not. Report
    and charts take it out of the trends by themselves. With -o it is put into a calibration file,
    which then corrects each pair. Nothing is changed that is stored: name the file under
    `calibration:` and run `mismatchd recompute` for that.
    """
    from logger.calibration.file import dump, identify
    from logger.store.reader import Store
    from logger.trend.readings import learn_all, read_readings

    config = configuration(config_path)
    content = calibration_of(config)
    name = identify(content)
    with Store.reader(config.store.path) as store:
        found = learn_all(read_readings(store, (0, EVER_NS)), {name: content}).get(name)
    if found is None:
        raise UsageError(
            f"no transmission of calibration {name} is stored with the coupler's temperature; the"
            " bridge has to send a column `temperature_c`"
        )
    click.echo(found.describe())
    if output is None:
        return
    if not found.is_learned:
        raise UsageError("the transmissions do not determine it; transmit at different powers")
    if content.temperature_c is not None:
        bench_c = content.temperature_c
    if bench_c is None:
        raise UsageError(
            "the calibration does not state the temperature of its bench; give"
            " --bench-temperature, such as 21"
        )
    per_c = round(found.per_c, DECIMALS)
    ports = {
        side: msgspec.structs.replace(getattr(content, side), r_is_per_c=per_c)
        for side in ("forward", "reflected")
    }
    changed = msgspec.structs.replace(content, temperature_c=bench_c, **ports)
    try:
        output.write_text(dump(changed), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{output}: cannot be written: {error.strerror}") from error
    click.echo(
        f"wrote {output}, calibration {identify(changed)}; name it under `calibration:`, and"
        " `mismatchd recompute` corrects the stored rows",
        err=True,
    )
