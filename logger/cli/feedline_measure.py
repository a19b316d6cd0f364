"""`mismatchd feedline measure`: measure the loss of the installed line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import msgspec

from drivers.contract import EndOfInput
from logger.calibration.bench_session import LOW_W
from logger.calibration.coupler import Coupler
from logger.cli.carriers import Carriers
from logger.cli.measure_guide import confirm
from logger.cli.station import calibration_of, config_option, configuration, make_ready
from logger.cli.terminal import Stop, Terminal
from logger.config.load import Config
from logger.errors import MismatchdError
from logger.feedline.cables import attenuation
from logger.feedline.findings import findings
from logger.feedline.frequency import USUAL_MHZ, mhz_of
from logger.feedline.measurement import FAR_ENDS, LineLoss, loss_of_swr
from logger.live.carrier import Carrier
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.store.tables import LINE_LOSSES


@click.command("measure")
@config_option
@click.option(
    "--far-end",
    type=click.Choice(FAR_ENDS),
    default="open",
    show_default=True,
    help="How the far end is left. Measure with both, one after the other: their mean is right"
    " even if the impedance of the line is not exactly that of the coupler.",
)
@click.option("--cable", metavar="NAME", help="The installed cable. Default: feedline.cable.")
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
    length: float | None,
    frequency: float | None,
) -> int:
    """Measure the loss of the installed line with its far end open or shorted, at low power.

    Half the return loss is the loss one way. It is shown with its 95 % interval, which directivity
    widens the more the line loses, beside the nominal loss of the cable. It is stored (`export
    line_losses`) and noted in the journal. Measure with the far end open and again with it
    shorted: where the impedance of the line is not exactly that of the coupler, one reads too much
    and the other too little, and their mean is right. It works beside the running daemon, and
    without one.
    """
    config = configuration(config_path or context.obj)
    terminal = Terminal()
    cable, length = cable or config.feedline.cable, length or config.feedline.length_m
    if cable is not None:
        # Reject an unknown cable before measuring.
        station = config.station
        attenuation(cable, mhz_of(frequency or station.frequency_mhz, station.channel) or USUAL_MHZ)
    coupler = Coupler(calibration_of(config), config.station.frequency_khz)
    try:
        carriers = Carriers(config, coupler, terminal)
        confirm(terminal, far_end, beside_daemon=carriers.of_daemon)
        carrier = carriers.wait(2 * LOW_W)
    except (Stop, KeyboardInterrupt) as reason:
        terminal.say("")
        terminal.say("stopped; nothing was saved")
        return 0 if isinstance(reason, Stop) else 130
    except EndOfInput as error:
        raise MismatchdError("the input ended without a carrier; nothing was saved") from error
    reading = _reading(
        carrier, far_end, cable, length, _khz(carrier, config.station.channel, frequency)
    )
    before, record = _kept(config, coupler, reading)
    terminal.say("")
    for text in findings(reading, carrier.flags, before):
        terminal.say(text)
    terminal.say("Release the key, put the antenna back on and see that the SWR is as before.")
    click.echo(msgspec.json.encode(record).decode())
    return 0


def _khz(carrier: Carrier, channel: int | None, mhz: float | None) -> float | None:
    """Return the frequency in kHz: as given, as reported by the bridge, or of the channel."""
    reported = None if carrier.frequency_khz is None else carrier.frequency_khz / 1e3
    used_mhz = mhz_of(reported if mhz is None else mhz, carrier.channel, channel)
    return None if used_mhz is None else 1e3 * used_mhz


def _reading(
    found: Carrier, far_end: str, cable: str | None, length_m: float | None, khz: float | None
) -> LineLoss:
    """Return the line loss from a carrier. Raises MismatchdError if it was too weak."""
    if found.swr is None or found.swr_low is None or found.swr_high is None:
        raise MismatchdError(
            f"{found.forward_w:.2g} W is too little for this coupler to read; use a little more"
        )
    bounds = loss_of_swr(found.swr, found.swr_low, found.swr_high)
    nominal: list[float | None] = [None] * 3
    if cable is not None and length_m is not None and khz is not None:
        per_100m = attenuation(cable, khz / 1e3)
        nominal = [db * length_m / 100 for db in (per_100m.nominal, per_100m.low, per_100m.high)]
    return LineLoss(
        time_ns=found.end_ns,
        far_end=far_end,
        loss_db=bounds.loss_db,
        loss_low_db=bounds.low_db,
        loss_high_db=bounds.high_db,
        swr=found.swr,
        forward_w=found.forward_w,
        channel=found.channel,
        frequency_khz=khz,
        cable=cable,
        length_m=length_m,
        nominal_db=nominal[0],
        nominal_low_db=nominal[1],
        nominal_high_db=nominal[2],
        calibration_id=found.calibration_id,
        transmission_id=found.id,
    )


def _kept(
    config: Config, coupler: Coupler, reading: LineLoss
) -> tuple[list[LineLoss], dict[str, Any]]:
    """Store the reading; return the earlier readings, and this one as exported."""
    path = config.store.path
    words = f"feedline measured with its far end {reading.far_end}: antenna off and on again"
    make_ready(config, coupler)
    with LineLosses.editor(path) as losses:
        before = losses.readings()
        number = losses.insert(reading, words)
        (record,) = Store(losses.database).select(LINE_LOSSES, "r.id = ?", number)
        return before, record.columns
