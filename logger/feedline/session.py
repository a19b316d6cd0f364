"""A measurement of the installed line that waits for its carrier, in a terminal or on the page."""

from __future__ import annotations

import msgspec

KIND = "feedline"  # in the store


class MeasuringState(msgspec.Struct):
    """Stored state: what is measured next. `frequency_mhz` is for carriers that state none."""

    far_end: str
    cable: str | None = None
    length_m: float | None = None
    antenna: str | None = None
    frequency_mhz: float | None = None


class MeasuringSession:
    """A measurement in progress."""

    def __init__(self, state: MeasuringState) -> None:
        self.state = state


def restore(content: bytes) -> MeasuringSession:
    """Return the session of a stored state. Raises msgspec.MsgspecError."""
    return MeasuringSession(msgspec.json.decode(content, type=MeasuringState))


def progress(session: MeasuringSession) -> str:
    """Return what the session waits for, as text."""
    state = session.state
    line = " of ".join(
        part
        for part in (state.length_m and f"{state.length_m:g} m", state.cable or state.antenna)
        if part
    )
    return f"the line{line and f' ({line})'} with its far end {state.far_end}, not yet keyed"
