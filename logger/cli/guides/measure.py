"""Guides through measuring the installed line: cautions, then one key-down."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from logger.calibration.bench_session import LOW_W
from logger.cautions import MEASURE_LINE, before_keying
from logger.cli.guides.key_down import ENOUGH_S, heard
from logger.cli.guides.terminal import Stop, Terminal
from logger.live.carrier import Carrier, CarrierSource

BOTH_ENDS = (
    "A full measurement takes two readings, one with the far end open and one with it shorted: if"
    " the line is not exactly 50 ohms, one shows too much loss and the other too little."
)
ENDS = {
    "open": "Take the antenna off the far end of the line and leave the line's plug open.",
    "short": "Take the antenna off the far end of the line and short the line's plug: pin to"
    " sleeve, the shortest way.",
}


def confirm(terminal: Terminal, far_end: str, *, beside_daemon: bool) -> None:
    """Show the cautions and ask for confirmation. Raises Stop unless the answer is yes."""
    for text in (*before_keying(MEASURE_LINE), "", BOTH_ENDS, ENDS[far_end]):
        terminal.say(text)
    if beside_daemon:
        terminal.say(
            "The daemon keeps running: it will raise high-swr for this, and a notifier `inhibit`"
            " may cut the carrier off."
        )
    terminal.ask("All of this is done, and nobody is near the far end (yes or no):")
    answer = terminal.line(None)
    if answer is None or answer.lower() not in ("yes", "y"):
        raise Stop


class Instead(Exception):  # noqa: N818 - a request of the user, not an error
    """Raised when the user types one of the offered words instead of keying."""


def carrier(
    terminal: Terminal,
    source: CarrierSource,
    *,
    most_w: float = 2 * LOW_W,
    instead: Mapping[str, str] = MappingProxyType({}),
) -> Carrier:
    """Ask for a key-down, with the bell, and return the carrier when it has ended.

    Above `most_w` the user is warned. `instead` maps words that may be typed to their meaning.
    Raises Stop, Instead, MismatchdError, EndOfInput.
    """
    source.begin()
    terminal.say(f"Key the transmitter for {ENOUGH_S:g} s, then release it. (q stops.)")
    terminal.ring()
    for word, does in instead.items():
        terminal.say(f"- {word} and Enter: {does}")
    while True:
        found = heard(terminal, source, most_w)
        if isinstance(found, Carrier):
            return found
        typed = found.lower()
        if typed == "q":
            raise Stop
        if typed in instead:
            raise Instead(typed)
