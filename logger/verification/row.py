"""A check of the coupler as it is stored, without numpy, which takes long to import."""

from __future__ import annotations

import msgspec


class Verification(msgspec.Struct, frozen=True, kw_only=True):
    """A row of the table `verifications`; powers in watts, departures in dB.

    `.._db` is the departure, `.._u_db` its repeatability, `.._expected_u_db` the uncertainty of the
    prediction, None if nothing is predicted: then the departure is the plain ratio, or dB above
    1 W. `usual_db` is the usual power before the check, in dB above 1 W (see `usual_power`); it is
    not stored. The verdict is that of the time.
    """

    time_ns: int
    forward_w: float
    reflected_w: float
    open_forward_w: float | None = None
    open_reflected_w: float | None = None
    reference_w: float | None = None
    forward_db: float
    forward_u_db: float
    forward_expected_u_db: float | None = None
    load_db: float
    load_u_db: float
    load_expected_u_db: float | None = None
    open_db: float | None = None
    open_u_db: float | None = None
    open_expected_u_db: float | None = None
    verdict: str = ""
    port: str | None = None
    drift_db: float | None = None
    drift_u_db: float | None = None
    since_ns: int | None = None
    channel: int | None = None
    frequency_khz: float | None = None
    calibration_id: str
    transmission_id: int | None = None
    open_transmission_id: int | None = None
    usual_db: float | None = None
    usual_u_db: float | None = None
    usual_expected_u_db: None = None
