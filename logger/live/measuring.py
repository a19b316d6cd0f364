"""What a test carrier says of the coupler and of the line. Pure functions."""

from __future__ import annotations

from logger.config.load import StationOptions
from logger.errors import MismatchdError
from logger.feedline.cables import attenuation
from logger.feedline.frequency import mhz_of
from logger.feedline.measurement import LineLoss, loss_of_swr
from logger.live.carrier import Carrier
from logger.verification.reading import Keying
from logger.verification.session import KeyedReading


def khz_of(carrier: Carrier, station: StationOptions, mhz: float | None = None) -> float | None:
    """Return the frequency in kHz: as given, as reported by the bridge, or of the channel."""
    reported = None if carrier.frequency_khz is None else carrier.frequency_khz / 1e3
    used_mhz = mhz_of(station, reported if mhz is None else mhz, carrier.channel)
    return None if used_mhz is None else 1e3 * used_mhz


def keyed_reading(carrier: Carrier, station: StationOptions) -> KeyedReading | None:
    """Return what a verification needs of a carrier; None if it is too short."""
    keying = Keying.of_seconds(carrier.seconds_w)
    if keying is None:
        return None
    return KeyedReading(
        keying, carrier.end_ns, carrier.channel, khz_of(carrier, station), carrier.id
    )


def line_loss(
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
