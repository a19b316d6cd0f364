"""`mismatchd calibrate bench`: guided session at the live coupler that writes bench points."""

from __future__ import annotations

from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import click

from logger.calibration.bench_points import WATTS_PER_VOLT2
from logger.calibration.bench_session import (
    FURTHER,
    LOW_W,
    USUAL_CONDITIONS,
    conditions_of,
    propose_powers_w,
    steps,
)
from logger.calibration.points_file import PointsFile
from logger.cli.assumptions import LOAD_DB, assumption_options
from logger.cli.commands.calibrate_fit import class_option, fit_and_write
from logger.cli.guides.bench import UNITS, BenchGuide, PowerScale
from logger.cli.guides.session import stoppable
from logger.cli.guides.terminal import Terminal
from logger.cli.numbers import numbers
from logger.cli.station import config_option, configuration, output_option
from logger.errors import BenchPointError, MismatchdError, UsageError
from logger.extras import require
from logger.live.status import ask
from logger.wording import parse_positive

HIGHEST_W = 4.0  # proposed if the points file states none


def _conditions(context: click.Context, option: click.Parameter, text: str) -> tuple[str, ...]:
    names = tuple(dict.fromkeys(part.strip().lower() for part in text.split(",")))
    for name in names:
        if not conditions_of(name):
            listed = ", ".join((*USUAL_CONDITIONS, *FURTHER))
            raise click.BadParameter(f"{name!r} is not one of {listed}")
    return names


def _ask_highest_w(terminal: Terminal, file: PointsFile) -> float:
    """Ask for the station's highest power, watts, and record it in the file. Raises Stop."""
    proposed = file.highest_w or HIGHEST_W
    prompt = f"Highest transmit power of the station [{proposed:g} W]:"
    while True:
        answer = terminal.answer(prompt)
        highest_w = parse_positive(answer.rstrip(" Ww")) if answer else proposed
        if highest_w is not None:
            break
        terminal.say(f"{answer!r} is not a valid answer; give Enter, watts such as 12, or q")
    if highest_w != file.highest_w:
        file.state_highest_w(highest_w)
    return highest_w


def _ask_load(terminal: Terminal, file: PointsFile) -> float | None:
    """Ask for the return loss of the dummy load, dB, and record it. Raises Stop."""
    known_db = file.load_db
    proposed = "unknown" if known_db is None else f"{known_db:g} dB"
    while True:
        answer = terminal.answer(
            f"Return loss of the dummy load, from its data sheet [{proposed}]:"
        )
        if not answer:
            return known_db
        if answer == "unknown":
            file.state_load_db(None)
            return None
        load_db = parse_positive(answer.removesuffix("db").strip().lstrip("-"))
        if load_db is not None and LOAD_DB[0] <= load_db <= LOAD_DB[1]:
            file.state_load_db(load_db)
            return load_db
        terminal.say(f"{answer!r} is not a valid answer; give Enter, dB such as 26, or q")


@click.command("bench")
@config_option
@click.argument("points", type=click.Path(path_type=Path, dir_okay=False), metavar="POINTS.csv")
@output_option("Calibration file to write at the end.")
@click.option(
    "--powers",
    callback=numbers,
    metavar="W,W,...",
    help="Powers to measure, in watts. Default: proposed up to the station's highest power. Into an"
    f" open, a short or a mismatch, only those up to {LOW_W:g} W.",
)
@click.option(
    "--conditions",
    callback=_conditions,
    default=",".join(USUAL_CONDITIONS),
    show_default=True,
    metavar="NAME,...",
    help="Conditions to measure, in this order. Further ones tell the dummy load from the coupler:"
    " second-load, line-45 (the load behind a line of 45 degrees), mismatched-75 (a 75 ohm"
    " resistor), mismatched-25 (two dummy loads in parallel).",
)
@click.option(
    "--reference",
    type=click.Choice(list(UNITS)),
    default="watts",
    show_default=True,
    help="What the reference instrument shows: watts or volts across the load; none: no reference;"
    " powers only label the settings.",
)
@class_option
@assumption_options
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 10),
    default=2.0,
    show_default=True,
    help="How long to average a key-down.",
)
def command(
    config_path: Path | None,
    points: Path,
    output: Path,
    powers: tuple[float, ...],
    conditions: tuple[str, ...],
    reference: str,
    reference_class_percent: float,
    seconds: float,
    **options: Any,
) -> int:
    """Take bench points from the live coupler, step by step, then fit a calibration to them.

    Each point is written to POINTS.csv at once; the same command continues an earlier session.
    Of the configuration, only the driver is used.
    """
    require("scipy")  # rather than after an evening of measuring
    config = configuration(config_path)
    if not output.absolute().parent.is_dir():
        raise UsageError(f"{output}: cannot be written: there is no folder {output.parent}")
    if (status := ask(config.store.path)) is not None:
        raise MismatchdError(
            f"the daemon (pid {status.pid}) reads the bridge; stop it for the session, for example"
            " with `sudo systemctl stop mismatchd`, then start it again"
        )
    file = PointsFile(points)
    driver = config.make_driver()
    terminal = Terminal()
    guide: BenchGuide | None = None

    def stopped() -> str:
        if guide is None:
            return "stopped before the first step"
        return f"stopped: {guide.progress()}; the same command continues from there"

    def ended() -> str:
        progress = "nothing was read" if guide is None else guide.progress()
        return f"the input ended before the session was complete: {progress}"

    with stoppable(terminal, stopped, ended):
        if not powers:
            powers = propose_powers_w(_ask_highest_w(terminal, file))
            proposed = ", ".join(f"{power:g}" for power in powers)
            terminal.say(f"Powers: {proposed} W; s skips a step.")
            if options["load_return_loss_db"] is None:
                options["load_return_loss_db"] = _ask_load(terminal, file)
        session_steps = steps(conditions, powers)
        taken = {step.name for step in session_steps if step.power_w > 0}
        left_out = set(conditions) - taken
        if left_out:
            raise UsageError(
                f"--powers: {' and '.join(sorted(left_out))} must not exceed {LOW_W:g} W; add a"
                " lower power, or name other --conditions"
            )
        guide = BenchGuide(driver, terminal, file, session_steps, PowerScale(reference), seconds)
        with closing(driver):
            driver.open()
            guide.run()
    counts = Counter("unkeyed" if p.power_w == 0 else p.condition for p in file.points)
    listed = ", ".join(f"{count} {name}" for name, count in counts.items())
    terminal.say("")
    terminal.say(f"all points taken: {listed} in {points}")
    # The file holds watts, whose class is twice that of the volts of a meter.
    factor = 2 if reference in WATTS_PER_VOLT2 else 1
    try:
        fit_and_write(
            points,
            output,
            reference="none" if reference == "none" else "watts",
            reference_class_percent=factor * reference_class_percent,
            **options,
        )
    except BenchPointError as error:
        terminal.say(f"no calibration written: {error}")
        terminal.say(
            "The points are kept; delete a row to measure that point again, or name more --powers."
        )
        return 1
    return 0
