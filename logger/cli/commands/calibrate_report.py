"""`mismatchd calibrate report`: the error budget of a calibration."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path

import click

from logger.cli.numbers import numbers
from logger.cli.station import calibration_of, config_option, configuration
from logger.errors import UsageError
from logger.physics.reflection import COVERAGE

SWRS = (1.2, 1.5, 3.0)
WIDTH = 76  # characters per line
NEGLIGIBLE = 0.005  # share of the variance


@click.command("report")
@config_option
@click.option(
    "--calibration",
    "path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Calibration file. Default: that of the configuration.",
)
@click.option(
    "--powers",
    callback=numbers,
    metavar="W,W,...",
    help="Powers of the readings, in watts. Default: the highest of the bench.",
)
@click.option(
    "--swr",
    "swrs",
    callback=numbers,
    metavar="SWR,...",
    help="SWRs of the readings. Default: 1.2,1.5,3.",
)
@click.option(
    "--pairs",
    type=click.IntRange(1, 1_000_000),
    default=100,
    show_default=True,
    help="Number of pairs in the mean.",
)
def command(
    config_path: Path | None,
    path: Path | None,
    powers: tuple[float, ...],
    swrs: tuple[float, ...],
    pairs: int,
) -> None:
    """List what makes a reading uncertain, the largest first, and what to do about it."""
    from logger.calibration.budget import describe, make_budget, watts_budget
    from logger.calibration.coupler import Coupler
    from logger.calibration.file import load

    if any(swr <= 1 for swr in swrs):
        raise UsageError("--swr: an SWR is above 1; give for example 1.2,1.5,3")
    if path is not None:
        coupler = Coupler(load(path))
    else:
        config = configuration(config_path)
        coupler = Coupler(
            calibration_of(config), config.station.frequency_khz, config.station.temperature_range_c
        )
    highest_w = coupler.content.valid.forward_w[1]
    for line in describe(coupler):
        click.echo(line)
    for watts in powers or (highest_w,):
        for swr in swrs or SWRS:
            budget = make_budget(coupler, watts, swr, pairs)
            click.echo("")
            if not budget.is_readable:
                click.echo(f"SWR {swr:.2f} at {watts:.3g} W: below the readable floor")
                continue
            click.echo(
                f"SWR {swr:.2f} at {watts:.3g} W, mean of {pairs} pairs: 95 %"
                f" {budget.low:.2f} to {budget.high:.2f}"
            )
            click.echo(f"  {'component':<17}{'u of SWR':>9}{'share':>8}  what makes it smaller")
            for part in budget.components:
                if part.share >= NEGLIGIBLE:
                    click.echo(
                        f"  {part.name:<17}{part.u:9.4f}{100 * part.share:6.0f} %  {part.remedy}"
                    )
            click.echo(
                f"  {'combined':<17}{budget.u:9.4f}          root of the sum of squares;"
                f" k = {budget.factor:.2f}"
            )
        if coupler.relative_watts:
            continue
        parts = watts_budget(coupler, watts)
        percent = 100 * math.sqrt(sum(part.u**2 for part in parts))
        listed = ", ".join(
            f"{part.name} {100 * part.u:.2g}\u00a0%" for part in parts if part.share >= NEGLIGIBLE
        )
        click.echo("")
        click.echo(
            f"{watts:.3g} W: standard uncertainty {percent:.2g} %, 95 % within"
            f" {COVERAGE * percent:.2g} %"
        )
        for line in textwrap.wrap(listed, WIDTH):
            click.echo(f"  {line}".replace("\u00a0", " "))
