"""`mismatchd calibrate plan`: predict the values of a coupler before it is built."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli.station import config_option

if TYPE_CHECKING:
    from logger.calibration.plan import Plan

FEW_STEPS = 20  # a reading of fewer steps determines little


class ConverterType(click.ParamType[tuple[int, float]]):
    """A converter such as 12bit/3.3V: bits, and volts at full scale."""

    name = "converter"

    def convert(
        self, value: str, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, float]:
        match = re.fullmatch(r"(\d+) ?bits?/(\d+(?:\.\d+)?) ?V", value, re.IGNORECASE)
        if match is None or not 6 <= int(match[1]) <= 24 or float(match[2]) == 0:
            self.fail(f"{value!r} is not a converter; write 12bit/3.3V", param, ctx)
        return int(match[1]), float(match[2])


@click.command("plan")
@config_option
@click.option(
    "--turns", type=click.IntRange(2, 200), required=True, help="Turns on each of the two cores."
)
@click.option(
    "--power",
    "highest_w",
    type=click.FloatRange(min=0, min_open=True),
    required=True,
    metavar="W",
    help="Highest power of the station, peaks of the envelope included.",
)
@click.option(
    "--converter",
    type=ConverterType(),
    default="12bit/3.3V",
    show_default=True,
    metavar="BITS/VOLTS",
    help="Resolution and full scale of the converter.",
)
@click.option(
    "--load",
    "load_ohm",
    type=click.FloatRange(min=1000),
    default=47_000.0,
    show_default=True,
    metavar="OHM",
    help="Load resistance of each detector, the divider included.",
)
def command(
    config_path: Path | None,
    turns: int,
    highest_w: float,
    converter: tuple[int, float],
    load_ohm: float,
) -> None:
    """Predict the values of a coupler of two transformers.

    Computes coupling, detector volts, the divider that the converter needs, the power in the
    terminations, the lowest power at which an SWR can be read, and the bench points to take. It
    assumes 50 ohm and Schottky detector diodes; `mismatchd handbook build` has the schematic.
    """
    from logger.calibration.plan import plan_coupler

    del config_path  # every command accepts it; this one does not need it
    bits, full_scale_v = converter
    plan = plan_coupler(turns, highest_w, bits, full_scale_v, load_ohm)
    for name, text in _rows(plan, highest_w, full_scale_v, load_ohm):
        click.echo(f"{name:<20} {text}")
    click.echo("\nBench points, besides the transmitter unkeyed:\n")
    click.echo("     W       V   steps  conditions")
    for point in plan.points:
        count = point.reading_v / plan.step_v
        click.echo(
            f"{point.power_w:6.3g}  {point.reading_v:6.3f}  {count:6.0f}  "
            f"{', '.join(point.conditions)}{'; few steps' if count < FEW_STEPS else ''}"
        )


def _rows(
    plan: Plan, highest_w: float, full_scale_v: float, load_ohm: float
) -> list[tuple[str, str]]:
    from logger.calibration.plan import NOISE_STEPS

    divider = "not needed"
    if plan.divider > 1:
        divider = f"{plan.divider:.2f}:1, {_ohms(plan.upper_ohm)} above {_ohms(plan.lower_ohm)}"
    percent = 100 * plan.detector_v / plan.divider / full_scale_v
    return [
        ("coupling", f"{plan.coupling_db:.1f} dB"),
        ("insertion loss", f"{plan.loss_db:.3f} dB"),
        (
            "terminations",
            f"50 ohm, {_watts(plan.dissipation_w)} each at {highest_w:g} W; rated for twice that",
        ),
        ("RF at the detector", f"{plan.peak_v:.2f} V peak"),
        ("detector", f"{plan.detector_v:.2f} V into {_ohms(load_ohm)}"),
        ("diode", f"{plan.inverse_v:.1f} V peak inverse voltage"),
        ("divider", f"{divider}; full reflection gives {percent:.0f} % of full scale"),
        (
            "readable floor",
            f"{plan.floor_w:.2g} W, for one pair with noise of {NOISE_STEPS:g} step rms",
        ),
    ]


def _ohms(value: float) -> str:
    return f"{value / 1000:.3g} kohm"


def _watts(value: float) -> str:
    return f"{1000 * value:.3g} mW" if value < 1 else f"{value:.3g} W"
