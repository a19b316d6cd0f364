"""`mismatchd calibrate fit`: fit a calibration file to bench points and report on it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from logger.cli.assumptions import assume, assumption_options
from logger.cli.station import output_option
from logger.errors import UsageError

REFERENCES = ("watts", "vrms", "vp", "vpp", "none")


def _percent(context: click.Context, option: click.Parameter, text: str) -> float:
    try:
        percent = float(text.strip().removesuffix("%"))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not a percentage; give one such as 5%") from None
    if not 0 <= percent < 100:
        raise click.BadParameter(f"{text!r} is not between 0% and 100%")
    return percent


class_option = click.option(
    "--reference-class",
    "reference_class_percent",
    callback=_percent,
    default="5%",
    show_default=True,
    metavar="PERCENT",
    help="Accuracy class of the reference meter, % of reading.",
)


@click.command("fit")
@click.argument("points", type=click.Path(path_type=Path), metavar="POINTS.csv")
@output_option("Calibration file to write.")
@click.option(
    "--plot",
    type=click.Path(path_type=Path),
    metavar="PNG",
    help="Draw the calibration too, as `chart calibration` does.",
)
@click.option(
    "--reference",
    type=click.Choice(REFERENCES),
    default="watts",
    show_default=True,
    help="What power_w holds: watts, or volts across the 50 ohm load (rms, peak, peak to peak), or"
    " none: labels only; key-downs with the same label had equal but unknown power.",
)
@class_option
@assumption_options
@click.option(
    "--strongest-w",
    type=click.FloatRange(min=0, min_open=True),
    default=4.0,
    show_default=True,
    help="With --reference none: the assumed highest power.",
)
@click.option(
    "--step-v",
    type=click.FloatRange(min=0, min_open=True),
    help="Converter step in volts, if the points do not show it.",
)
@click.option(
    "--full-scale-v",
    type=click.FloatRange(min=0, min_open=True),
    help="Converter full scale in volts, if the points do not show it.",
)
def command(points: Path, output: Path, plot: Path | None, **options: Any) -> None:
    """Fit the coupler from bench points and say how good it is.

    POINTS.csv has the columns condition,power_w,forward_v,reflected_v and, optionally,
    frequency_khz, temperature_c and attenuation_db (of an attenuator before the coupler); one
    steady key-down a row. Conditions: matched (antenna port on a dummy load), reversed (coupler
    turned round), open, short (antenna port, low power only). Power 0 is the transmitter unkeyed.
    These tell the reflection of the dummy load from the coupler's directivity: matched rows with a
    second dummy load (column load, any name) or behind a line (line_deg, degrees), and mismatched
    (load_ohm: 75, or 25 for two dummy loads in parallel). `calibrate bench` gathers such points.
    """
    fit_and_write(points, output, plot, **options)


def fit_and_write(points: Path, output: Path, plot: Path | None = None, **options: Any) -> None:
    """Fit with `options` of `fit`, write the calibration, print the report.

    Writes nothing if the fit fails. A comment in the file may state the return loss of the load.
    """
    from logger.calibration.bench_points import load
    from logger.calibration.file import dump, identify
    from logger.calibration.fit import fit
    from logger.calibration.points_file import PointsText
    from logger.calibration.report import report

    if plot is not None:
        from logger.charts.calibration import draw
        from logger.charts.sheet import check_suffix, save

        check_suffix(plot)
    bench = load(points)
    if options.get("load_return_loss_db") is None:
        options["load_return_loss_db"] = PointsText(points.read_text("utf-8-sig"), "").load_db
    assumptions = assume(options)
    result = fit(bench, assumptions=assumptions, **options)
    try:
        output.write_text(dump(result.content), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{output}: cannot be written: {error.strerror}") from error
    for line in report(result):
        click.echo(line)
    click.echo(f"wrote {output}, calibration {identify(result.content)}", err=True)
    if plot is not None:
        save(draw(result.content), plot)
        click.echo(f"drew {plot}", err=True)
