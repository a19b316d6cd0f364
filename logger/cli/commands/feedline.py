"""`mismatchd feedline`: compare the losses of cables; `measure` measures the installed line."""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import msgspec

from logger.cli.lazy import LazyGroup
from logger.cli.numbers import numbers
from logger.cli.station import config_option, configuration_if_any
from logger.config.load import Config
from logger.errors import UsageError
from logger.feedline.cables import attenuation, cable, published, published_at
from logger.feedline.comparison import Terms, choices
from logger.feedline.frequency import mhz_of_antenna
from logger.feedline.words import remarks, sources, table

LENGTHS_M = (10.0, 20.0, 30.0)


class ComparisonOptions(msgspec.Struct, frozen=True):
    """Options of `feedline` that say what is compared."""

    frequency: float | None
    cables: tuple[str, ...]
    antenna: str | None
    lengths: tuple[float, ...]
    swr: float
    where: str
    power: float


@click.group(
    "feedline",
    cls=LazyGroup,
    modules={"measure": "feedline_measure"},
    invoke_without_command=True,
)
@config_option
@click.option("--frequency", type=click.FloatRange(0.1, 3000), metavar="MHZ", help="In MHz.")
@click.option(
    "--cable",
    "cables",
    multiple=True,
    metavar="NAME",
    help=f"{', '.join(published())}, or NAME=DB from a data sheet, dB per 100 m; may be repeated."
    " Default: all of these with data at the frequency, that of the installed line first.",
)
@click.option(
    "--antenna",
    metavar="NAME",
    help="The configured antenna at its end, for the cable and length of its line and its band.",
)
@click.option("--length", "lengths", callback=numbers, metavar="M,M,...", help="Lengths in metres.")
@click.option(
    "--swr",
    type=click.FloatRange(1, 99),
    default=1.5,
    show_default=True,
    help="SWR of the line, see --at.",
)
@click.option(
    "--at",
    "where",
    type=click.Choice(["antenna", "shack"]),
    default="antenna",
    show_default=True,
    help="Place where the line has this SWR.",
)
@click.option(
    "--power",
    type=click.FloatRange(0, min_open=True),
    default=4.0,
    show_default=True,
    metavar="W",
    help="Net power into the line: forward less reflected.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv"]),
    default="text",
    show_default=True,
    help="Format of the output.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Also draw a chart: .png, .svg or .pdf.",
)
@click.pass_context
def command(
    context: click.Context,
    /,
    config_path: Path | None,
    form: str,
    output: Path | None,
    **options: Any,
) -> None:
    """Compare the losses of cables.

    Prints the matched loss, the total loss with the SWR, both also in S-units of 6 dB, the power
    that reaches the antenna and the SWR at both ends. Attenuation is the median of the published
    values of a standard designation; the column `sources` shows the total loss computed from the
    lowest and the highest published value. Frequency (or that of the channel) and length default to
    the configuration, which is optional here. `feedline measure` measures the loss of the installed
    line.
    """
    context.obj = config_path
    if context.invoked_subcommand is not None:
        return
    wanted = ComparisonOptions(**options)
    config = configuration_if_any(config_path)
    terms, lengths = _terms(wanted, config)
    names = wanted.cables or _names(wanted, config, terms.frequency_mhz)
    if not names:
        raise UsageError(
            f"no cable has published data at {terms.frequency_mhz:g} MHz; give --cable NAME=DB"
        )
    cables = [attenuation(name, terms.frequency_mhz) for name in names]
    rows = list(choices(cables, lengths, terms))
    if form == "csv":
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(rows[0]._fields)
        writer.writerows([_short(value) for value in row] for row in rows)
    else:
        for line in (*table(rows, terms), "", *sources(cables)):
            click.echo(line)
    for line in remarks(rows, cables, len(lengths)):
        click.echo(line, err=True)
    if output is not None:
        from logger.charts.feedline import draw
        from logger.charts.sheet import save

        save(draw(cables, lengths, terms), output)
        click.echo(f"drew {output}", err=True)


def _terms(wanted: ComparisonOptions, config: Config | None) -> tuple[Terms, Sequence[float]]:
    """Return the terms and the lengths, m, of the comparison. Raises UsageError."""
    if wanted.antenna is not None and config is None:
        raise UsageError("--antenna: no configuration to take it from; name one with -c FILE")
    mhz, lengths = wanted.frequency, wanted.lengths
    if mhz is None and config is not None:
        antenna = None if wanted.antenna is None else config.antenna(wanted.antenna)
        mhz = mhz_of_antenna(config.station, antenna)
    if mhz is None:
        raise UsageError(
            "frequency missing; give --frequency MHZ (27.2 for the citizens band), or"
            " station.channel or station.frequency_mhz in the configuration"
        )
    if not lengths:
        installed_m = None if config is None else config.line_of(wanted.antenna).length_m
        lengths = LENGTHS_M if installed_m is None else (installed_m,)
    return Terms(mhz, wanted.swr, wanted.where == "antenna", wanted.power), lengths


def _names(wanted: ComparisonOptions, config: Config | None, mhz: float) -> list[str]:
    """Return the cables to compare by default: that of the installed line, if any, first."""
    names = published_at(mhz)
    own = None if config is None else config.line_of(wanted.antenna).cable
    if own is None:
        return names
    if "=" in own:  # its loss is that at the frequency of the station
        return [own, *names] if wanted.frequency is None else names
    return sorted(names, key=lambda name: name != cable(own).name)


def _short(value: object) -> object:
    return round(value, 4) if isinstance(value, float) else value
