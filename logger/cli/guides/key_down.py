"""Waits for a key-down, or for a line that the user types meanwhile."""

from __future__ import annotations

import time

from logger.cli.guides.terminal import Terminal
from logger.errors import MismatchdError
from logger.live.carrier import Carrier, CarrierSource
from logger.live.reading import LiveReading

ENOUGH_S = 3.0  # sufficient duration of a key-down
TOO_LONG_S = 10.0
SILENCE_S = 10.0
FIT_S = 0.5  # shorter carriers are too inaccurate


def heard(terminal: Terminal, source: CarrierSource, most_w: float) -> Carrier | str:
    """Return the next completed carrier, or the next line typed at a terminal.

    `most_w` is the power above which the user is warned. Raises Stop, MismatchdError, EndOfInput.
    """
    heard_s, down_s = time.monotonic(), None
    told = set()

    def tell(text: str) -> None:
        if text not in told:
            told.add(text)
            terminal.ring()
            terminal.say(text)

    while True:
        if terminal.interactive and (typed := terminal.line(0.0)) is not None:
            return typed
        reading, found = source.listen()
        for notice in source.notices():
            terminal.say(notice)
        now_s = time.monotonic()
        if found is not None:
            if found.duration_s >= FIT_S:
                return found
            terminal.say(f"{found.duration_s:.1f} s is too short; key once more.")
            source.begin()
            down_s = None
            told.clear()
        if reading is not None:
            heard_s = now_s
            terminal.draw(*_forms(reading))
            if reading.keyed:
                down_s = now_s if down_s is None else down_s
                if (reading.forward_w or 0) > most_w:
                    tell("More than low power: release the key.")
                if now_s - down_s > TOO_LONG_S:
                    tell("Long enough: release the key now.")
                elif now_s - down_s > ENOUGH_S:
                    tell("Enough: release the key.")
        elif now_s - heard_s > SILENCE_S:
            raise MismatchdError(
                f"nothing has come for {SILENCE_S:g} s; look at the bridge's plug, and at"
                " `mismatchd status`"
            )


def _forms(reading: LiveReading) -> list[str]:
    """Return the progress line in several lengths, longest first."""
    if not reading.keyed:
        return ["waiting for the key"]
    forward = f"{reading.forward_w or 0:.2f} W"
    if reading.swr is None or reading.swr_low is None or reading.swr_high is None:
        return [f"{forward}, SWR not readable"]
    short = f"{forward}, SWR {reading.swr:.2f}"
    return [f"{short} ({reading.swr_low:.2f} to {reading.swr_high:.2f})", short]
