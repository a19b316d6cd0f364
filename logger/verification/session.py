"""Progress of one verification at the terminal, which can be interrupted. No clocks."""

from __future__ import annotations

import msgspec

from logger.calibration.coupler import Coupler
from logger.verification.reading import Keying, verify
from logger.verification.row import Verification

KIND = "verify"  # in the store
LOAD_S, OPEN_S = 10.0, 4.0  # duration of the key-downs
RESTART = "the daemon uses another calibration than the configuration; restart it, then verify"


class KeyedReading(msgspec.Struct, frozen=True):
    """A key-down: its mean powers and end, and what the bridge reported of it."""

    keying: Keying
    end_ns: int
    channel: int | None = None
    frequency_khz: float | None = None
    transmission_id: int | None = None


class VerificationState(msgspec.Struct):
    """Stored state: what was read so far; `has_meter` and `has_open` are None until answered."""

    load: KeyedReading | None = None
    has_meter: bool | None = None
    reference_w: float | None = None
    has_open: bool | None = None
    open_end: KeyedReading | None = None


class VerificationSession:
    """A verification in progress."""

    def __init__(self, state: VerificationState) -> None:
        self.state = state

    def result(self, coupler: Coupler, transmitter_db: float) -> Verification:
        """Return the verification; the load must have been read.

        `transmitter_db` is the repeatability of the transmitter.
        """
        state = self.state
        load, open_end = state.load, state.open_end
        assert load is not None
        return verify(
            coupler,
            load.keying,
            None if open_end is None else open_end.keying,
            state.reference_w,
            transmitter_db=transmitter_db,
            time_ns=(open_end or load).end_ns,
            channel=load.channel,
            frequency_khz=load.frequency_khz,
            transmission_ids=(
                load.transmission_id,
                None if open_end is None else open_end.transmission_id,
            ),
        )


def is_plausible(shown_w: float, load: KeyedReading) -> bool:
    """True if a reference meter may have shown this while the load was read."""
    return 0.5 < shown_w / load.keying.forward_w < 2


def restore(content: bytes) -> VerificationSession:
    """Return a stored session. Raise msgspec.MsgspecError if it is of another version."""
    return VerificationSession(msgspec.json.decode(content, type=VerificationState))


def progress(session: VerificationSession) -> str:
    """Return the progress of a session as text."""
    if session.state.load is None:
        return "nothing is read yet"
    return "the dummy load is read" + (", the open end is not" if session.state.has_open else "")
