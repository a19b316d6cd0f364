"""`mismatchd feedline measure`: what the installed line loses, by the reflection of its far end."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import click
import msgspec

from drivers.contract import EndOfInput
from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.cli.key_down import source_of
from logger.cli.measure_guide import carrier, confirm
from logger.cli.station import calibration_of, config_option, configuration
from logger.cli.terminal import Stop, Terminal
from logger.config import Config
from logger.errors import MismatchdError
from logger.feedline.cables import attenuation
from logger.feedline.findings import findings
from logger.feedline.measurement import FAR_ENDS, LineLoss, loss_of_swr
from logger.live.carrier import Carrier
from logger.status import ask
from logger.store.line_losses import LineLosses
from logger.store.lock import StoreLock
from logger.store.tables import LINE_LOSSES


@click.command("measure")
@config_option
@click.option(
    "--far-end",
    type=click.Choice(FAR_ENDS),
    default="open",
    show_default=True,
    help="How the far end is left. Both, one after the other, tell more.",
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
    help="In MHz, if neither the bridge nor the configuration tells.",
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

    Half the return loss is the loss one way. It is told with its 95 % interval, which directivity
    widens the more the line loses, beside the nominal of the cable, kept in the store (`export
    line_losses`) and noted in the journal. It works beside the running daemon, and without one.
    """
    config = configuration(config_path or context.obj)
    terminal = Terminal()
    cable, length = cable or config.feedline.cable, length or config.feedline.length_m
    if cable is not None:
        attenuation(cable, frequency or config.station.frequency_mhz or 27.2)  # refused at once
    running = ask(config.store.path) is not None
    coupler = Coupler(calibration_of(config), config.station.frequency_khz)
    try:
        confirm(terminal, far_end, beside_daemon=running)
        source = source_of(config, coupler, running=running)
        try:
            found = carrier(terminal, source)
        finally:
            source.close()
    except (Stop, KeyboardInterrupt) as reason:
        terminal.say("")
        terminal.say("stopped; nothing is kept")
        return 0 if isinstance(reason, Stop) else 130
    except EndOfInput as error:
        raise MismatchdError("the input has ended without a carrier; nothing is kept") from error
    reading = _reading(found, far_end, cable, length, frequency)
    before, record = _kept(config, coupler, reading)
    terminal.say("")
    for text in findings(reading, found.flags, before):
        terminal.say(text)
    terminal.say("Release the key, put the antenna back on and see that the SWR is as before.")
    click.echo(msgspec.json.encode(record).decode())
    return 0


def _reading(
    found: Carrier, far_end: str, cable: str | None, length_m: float | None, mhz: float | None
) -> LineLoss:
    """What a carrier says of the line. Raises MismatchdError where it says nothing."""
    if found.swr is None or found.swr_low is None or found.swr_high is None:
        raise MismatchdError(
            f"{found.forward_w:.2g} W are too little for this coupler to read; use a little more"
        )
    khz = found.frequency_khz if mhz is None else 1e3 * mhz
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
    """The readings before this one, and this as it is exported now that it is kept."""
    path = config.store.path
    words = f"feedline measured with its far end {reading.far_end}: antenna off and on again"
    if ask(path) is None:  # there may be no store yet, or one of an older program
        lock = StoreLock(path)
        try:
            with closing(LineLosses.open(path)) as store:
                store.keep_calibration(coupler.id, dump(coupler.content))
        finally:
            lock.release()
    with closing(LineLosses.reader(path)) as store:
        before = store.readings()
        number = store.add(reading, words)
        return before, store.select(LINE_LOSSES, "r.id = ?", number)[0].columns
