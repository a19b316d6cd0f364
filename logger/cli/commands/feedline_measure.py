"""`mismatchd feedline measure`: measure the loss of the installed line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import msgspec

from logger.calibration.bench_session import LOW_W
from logger.calibration.coupler import Coupler
from logger.cautions import MEASURE_LINE, before_keying
from logger.cli.guides.carriers import Carriers
from logger.cli.guides.session import confirm, stoppable
from logger.cli.guides.terminal import Terminal
from logger.cli.station import config_option, configuration, make_ready
from logger.config.load import Config, StationOptions
from logger.errors import MismatchdError
from logger.feedline.cables import attenuation
from logger.feedline.findings import findings
from logger.feedline.frequency import USUAL_MHZ, mhz_of
from logger.feedline.measurement import FAR_ENDS, LineLoss, loss_of_swr
from logger.live.carrier import Carrier
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.store.tables import LINE_LOSSES

BOTH_ENDS = (
    "A full measurement takes two readings, one with the far end open and one with it shorted: if"
    " the line is not exactly 50 ohms, one shows too much loss and the other too little."
)
ENDS = {
    "open": "Take the antenna off the far end of the line and leave the line's plug open.",
    "short": "Take the antenna off the far end of the line and short the line's plug: pin to"
    " sleeve, the shortest way.",
}
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
@click.pass_context
def command(
    context: click.Context,
    config_path: Path | None,
    far_end: str,
    cable: str | None,
    antenna: str | None,
    length: float | None,
    frequency: float | None,
) -> None:
    """Measure the loss of the installed line with its far end open or shorted, at low power.

    Half the return loss is the loss one way. It is shown with its 95 % interval, beside the
    nominal loss of the cable; directivity widens the interval as the loss grows. It is stored
    (`export line_losses`) and noted in the journal. Measure with the far end open and again with
    it shorted: where the impedance of the line is not exactly that of the coupler, one reads too
    much and the other too little, and their mean is right. Works whether or not the daemon is
    running.
    """
    config = configuration(config_path or context.obj)
    terminal = Terminal()
    station = config.station
    line = config.line_of(antenna)
    cable, length = cable or line.cable, length or line.length_m
    if cable is not None:
        # Reject an unknown cable before measuring.
        attenuation(cable, mhz_of(station, frequency) or USUAL_MHZ)
    with stoppable(
        terminal,
        lambda: "stopped; nothing was saved",
        lambda: "the input ended without a carrier; nothing was saved",
    ):
        carriers = Carriers(config, terminal)
        texts = [*before_keying(MEASURE_LINE), "", BOTH_ENDS, ENDS[far_end]]
        confirm(
            terminal,
            [*texts, DAEMON] if carriers.of_daemon else texts,
            "Is all of this done, and is nobody near the far end? (yes or no):",
        )
        carrier = carriers.wait(2 * LOW_W)
    khz = _khz(carrier, station, frequency)
    reading = _line_loss(carrier, far_end, cable, length, khz, antenna)
    earlier, record = _insert(config, carriers.coupler, reading)
    terminal.say("")
    for text in findings(reading, carrier.flags, earlier):
        terminal.say(text)
    terminal.say("Release the key, put the antenna back on and see that the SWR is as before.")
    click.echo(msgspec.json.encode(record).decode())


def _khz(carrier: Carrier, station: StationOptions, mhz: float | None) -> float | None:
    """Return the frequency in kHz: as given, as reported by the bridge, or of the channel."""
    reported = None if carrier.frequency_khz is None else carrier.frequency_khz / 1e3
    used_mhz = mhz_of(station, reported if mhz is None else mhz, carrier.channel)
    return None if used_mhz is None else 1e3 * used_mhz


def _line_loss(
    carrier: Carrier,
    far_end: str,
    cable: str | None,
    length_m: float | None,
    khz: float | None,
    antenna: str | None,
) -> LineLoss:
    """Return the line loss from a carrier. Raises MismatchdError if it was too weak."""
    swr = carrier.reading
    if swr is None:
        raise MismatchdError(
            f"{carrier.forward_w:.2g} W is too little for this coupler to read; use a little more"
        )
    bounds = loss_of_swr(*swr)
    nominal: list[float | None] = [None] * 3
    if cable is not None and length_m is not None and khz is not None:
        per_100m = attenuation(cable, khz / 1e3)
        nominal = [db * length_m / 100 for db in (per_100m.nominal, per_100m.low, per_100m.high)]
    return LineLoss(
        time_ns=carrier.end_ns,
        far_end=far_end,
        loss_db=bounds.loss_db,
        loss_low_db=bounds.low_db,
        loss_high_db=bounds.high_db,
        swr=swr.swr,
        forward_w=carrier.forward_w,
        channel=carrier.channel,
        frequency_khz=khz,
        cable=cable,
        length_m=length_m,
        nominal_db=nominal[0],
        nominal_low_db=nominal[1],
        nominal_high_db=nominal[2],
        calibration_id=carrier.calibration_id,
        transmission_id=carrier.id,
        antenna=antenna or carrier.antenna,
    )


def _insert(
    config: Config, coupler: Coupler, reading: LineLoss
) -> tuple[list[LineLoss], dict[str, Any]]:
    """Store the reading; return the earlier readings, and this one as exported."""
    text = f"feedline measured with its far end {reading.far_end}:"
    text += " antenna disconnected and reconnected"
    make_ready(config, coupler)
    with LineLosses.editor(config.store.path) as losses:
        earlier = losses.readings()
        number = losses.insert(reading, text)
        (record,) = Store(losses.database).select(LINE_LOSSES, "r.id = ?", number)
        return earlier, record.columns
