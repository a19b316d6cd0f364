"""Leads through the measurement of the installed line: cautions, one key-down, the carrier."""

from __future__ import annotations

import time
from collections.abc import Mapping
from types import MappingProxyType

from logger.calibration.bench_session import LOW_W
from logger.cli.terminal import Stop, Terminal
from logger.errors import MismatchdError
from logger.live.carrier import Carrier, Source
from logger.live.reading import Reading

CAUTIONS = (
    "Before anything is keyed:",
    "- The far end of a line is where the antenna is. Before you tilt a mast or climb, look for"
    " power lines; do it with a second person, by the rules of your place, never in thunder.",
    f"- Into an open or a short use low power, {LOW_W:g} W or less, for some three seconds, and"
    " never an amplifier: full reflection can destroy a transmitter. Follow its manual.",
    "- RF burns. An open end carries high voltage: nobody within reach of it, or of any plug,"
    " while keyed. Release the key before anything is touched.",
    "- Follow the conditions of your licence: a free channel, identified, short. Little is"
    " radiated, but not nothing.",
)
ENDS = {
    "open": "Take the antenna off the far end of the line and leave the line's plug open.",
    "short": "Take the antenna off the far end of the line and short the line's plug: pin to"
    " sleeve, the shortest way.",
}
ENOUGH_S = 3.0  # keyed
TOO_LONG_S = 10.0
SILENCE_S = 10.0
FIT_S = 0.5  # a shorter carrier cannot be relied on


def confirm(terminal: Terminal, far_end: str, *, beside_daemon: bool) -> None:
    """Tell the cautions and wait for a yes. Raises Stop for anything else."""
    for text in (*CAUTIONS, "", ENDS[far_end]):
        terminal.say(text)
    if beside_daemon:
        terminal.say(
            "The daemon goes on: it will raise high-swr for this, and a notifier `inhibit` may cut"
            " the carrier off."
        )
    terminal.ask("All of this is done, and nobody is near the far end (yes or no):")
    answer = terminal.line(None)
    if answer is None or answer.lower() not in ("yes", "y"):
        raise Stop


class Instead(Exception):  # noqa: N818 - the person's wish, not an error
    """One of the words that may be typed instead of keying."""


def carrier(
    terminal: Terminal,
    source: Source,
    *,
    most_w: float = 2 * LOW_W,
    instead: Mapping[str, str] = MappingProxyType({}),
) -> Carrier:
    """Ask for the key and wait until a carrier has come and gone; above `most_w` it is said that
    this is too much. `instead` are words with what they do. Raises Stop, Instead, MismatchdError,
    EndOfInput."""
    source.begin()
    terminal.say(f"Key the transmitter for {ENOUGH_S:g} s, then release it. (q stops.)")
    for word, does in instead.items():
        terminal.say(f"- {word} and Enter: {does}")
    heard_s, down_s = time.monotonic(), None
    told = set()

    def tell(text: str) -> None:
        if text not in told:
            told.add(text)
            terminal.ring()
            terminal.say(text)

    while True:
        typed = (terminal.line(0.0) or "").lower() if terminal.interactive else ""
        if typed == "q":
            raise Stop
        if typed in instead:
            raise Instead(typed)
        reading, found = source.listen()
        for notice in source.notices():
            terminal.say(notice)
        now_s = time.monotonic()
        if found is not None:
            if found.duration_s >= FIT_S:
                return found
            terminal.say(f"{found.duration_s:.1f} s were too short; key it once more.")
            source.begin()
            down_s = None
            told.clear()
        if reading is not None:
            heard_s = now_s
            terminal.draw(*_forms(reading))
            if reading.keyed:
                down_s = now_s if down_s is None else down_s
                if (reading.forward_w or 0) > most_w:
                    tell(f"{reading.forward_w:.1f} W is more than low power: release the key.")
                if now_s - down_s > TOO_LONG_S:
                    tell("That is long enough by far: release the key now.")
                elif now_s - down_s > ENOUGH_S:
                    tell("Enough: release the key.")
        elif now_s - heard_s > SILENCE_S:
            raise MismatchdError(
                f"nothing has come for {SILENCE_S:g} s; look at the bridge's plug, and at"
                " `mismatchd status`"
            )


def _forms(reading: Reading) -> list[str]:
    """The line that is drawn, the longest form first."""
    if not reading.keyed:
        return ["waiting for the key"]
    forward = f"{reading.forward_w or 0:.2f} W"
    if reading.swr is None or reading.swr_low is None or reading.swr_high is None:
        return [f"{forward}, SWR not readable"]
    short = f"{forward}, SWR {reading.swr:.2f}"
    return [f"{short} ({reading.swr_low:.2f} to {reading.swr_high:.2f})", short]
