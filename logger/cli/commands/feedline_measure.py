"""`mismatchd feedline measure`: measure the loss of the installed line."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import click

from logger.calibration.bench_session import LOW_W
from logger.cautions import MEASURE_LINE, before_keying
from logger.cli.guides.carriers import Carriers
from logger.cli.guides.session import (
    confirm,
    offer_resume,
    print_result,
    reserve,
    result_option,
    stoppable,
)
from logger.cli.guides.terminal import Terminal
from logger.cli.station import config_option, configuration, make_ready
from logger.config.load import Config
from logger.feedline.cables import attenuation
from logger.feedline.findings import BOTH_ENDS, ENDS, entry, findings
from logger.feedline.frequency import USUAL_MHZ, mhz_of
from logger.feedline.measurement import FAR_ENDS, LineLoss
from logger.feedline.session import KIND, MeasuringSession, MeasuringState, progress, restore
from logger.live.measuring import khz_of, line_loss
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.store.tables import LINE_LOSSES
from logger.store.work_session import WorkSession

SAVED = "`mismatchd feedline measure` continues from here"
DAEMON = (
    "The daemon keeps running: it will raise high-swr for this, and a notifier `inhibit` may cut"
    " the carrier off."
)


@click.command("measure")
@config_option
@click.option(
    "--far-end",
    type=click.Choice(FAR_ENDS),
    default="open",
    show_default=True,
    help="State of the far end. Measure with both, one after the other: their mean is right even if"
    " the impedance of the line is not exactly that of the coupler.",
)
@click.option("--cable", metavar="NAME", help="The installed cable. Default: feedline.cable.")
@click.option("--antenna", metavar="NAME", help="Measure the line to this configured antenna.")
@click.option(
    "--length",
    type=click.FloatRange(0, min_open=True),
    metavar="M",
    help="Its length in metres. Default: feedline.length_m.",
)
@click.option(
    "--frequency",
    type=click.FloatRange(0.1, 3000),
    metavar="MHZ",
    help="In MHz, if neither the bridge nor the configuration gives frequency or channel.",
)
@result_option
@click.pass_context
def command(
    context: click.Context,
    config_path: Path | None,
    far_end: str,
    cable: str | None,
    antenna: str | None,
    length: float | None,
    frequency: float | None,
    form: str | None,
) -> None:
    """Measure the loss of the installed line with its far end open or shorted, at low power.

    Half the return loss is the loss one way. It is shown with its 95 % interval, beside the
    nominal loss of the cable; directivity widens the interval as the loss grows. It is stored
    (`export line_losses`) and noted in the journal. Measure with the far end open and again with
    it shorted: where the impedance of the line is not exactly that of the coupler, one reads too
    much and the other too little, and their mean is right. The next run, or the page, resumes an
    interrupted measurement. Works whether or not the daemon is running.
    """
    config = configuration(config_path or context.obj)
    terminal = Terminal()
    line = config.line_of(antenna)
    cable, length = cable or line.cable, length or line.length_m
    if cable is not None:
        # Reject an unknown cable before measuring.
        attenuation(cable, mhz_of(config.station, frequency) or USUAL_MHZ)
    carriers = Carriers(config, terminal)
    make_ready(config, carriers.coupler)
    work = reserve(WorkSession(config.store.path, KIND, restore, time.time_ns))
    with stoppable(
        terminal,
        lambda: f"stopped; {SAVED if work.session else 'nothing was saved'}",
        lambda: f"the input ended; {SAVED if work.session else 'nothing was saved'}",
    ):
        offer_resume(terminal, work, progress)
        session = work.session or MeasuringSession(
            MeasuringState(far_end, cable, length, antenna, frequency)
        )
        state = session.state
        texts = [*before_keying(MEASURE_LINE), "", BOTH_ENDS, ENDS[state.far_end]]
        confirm(
            terminal,
            [*texts, DAEMON] if carriers.of_daemon else texts,
            "Is all of this done, and is nobody near the far end? (yes or no):",
        )
        if work.session is None:
            work.begin(session)
        carrier = carriers.wait(2 * LOW_W)
    khz = khz_of(carrier, config.station, state.frequency_mhz)
    reading = line_loss(carrier, state.far_end, state.cable, state.length_m, khz, state.antenna)
    earlier, record = _insert(config, reading)
    work.end()
    terminal.say("")
    for text in findings(reading, carrier.flags, earlier):
        terminal.say(text)
    terminal.say("Release the key, put the antenna back on and see that the SWR is as before.")
    print_result(record, form)


def _insert(config: Config, reading: LineLoss) -> tuple[list[LineLoss], dict[str, Any]]:
    """Store the reading; return the earlier readings, and this one as exported."""
    with LineLosses.editor(config.store.path) as losses:
        earlier = losses.readings()
        number = losses.insert(reading, entry(reading.far_end))
        (record,) = Store(losses.database).select(LINE_LOSSES, "r.id = ?", number)
        return earlier, record.columns
