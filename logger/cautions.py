"""Cautions at the point of use, for terminal and page. Common practice, no single source.

Local codes, the conditions of the licence and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

BURNS = (
    "RF burns. Nobody may touch the antenna, its mast, an open end or the bare metal of a plug"
    " while the transmitter is keyed. Release the key before anything is adjusted, opened or"
    " connected."
)
LICENCE = (
    "Key only as long as needed, on a free channel and identified, as the conditions of your"
    " licence require."
)
TRANSMITTER = (
    "The transmitter's own limits come first: follow its manual, and release the key at once if it"
    " complains."
)
HEIGHTS = (
    "Before a mast, pole or ladder is moved or climbed, look for power lines: everything must stay"
    " clear of them, even if it falls. Work with a second person, not in wind, never in a"
    " thunderstorm; follow local codes."
)
FULL_REFLECTION = (
    "Into an open or a short use low power, 1 W or less, for about three seconds, and never an"
    " amplifier: full reflection can destroy a transmitter, and an open end carries high voltage."
    " Keep everybody out of reach of it."
)
CALIBRATE = (
    "The dummy load must be rated for the power you send into it.",
    FULL_REFLECTION,
    BURNS,
    "Follow the licence conditions of your service, and keep test transmissions off the air: do"
    " not connect an antenna at any point.",
)
DUMMY_LOAD = (
    "Connect a dummy load that is rated for the power to the antenna port; it becomes hot. Set the"
    " lowest power, and key for a few seconds only.",
    BURNS,
    TRANSMITTER,
    LICENCE,
)
MEASURE_LINE = (HEIGHTS, FULL_REFLECTION, BURNS, TRANSMITTER, LICENCE)
VERIFY = (
    "Release the key before a plug is opened. Connect the dummy load of the calibration directly"
    " after the coupler, in place of the line; it must be rated for the power you send into it.",
    TRANSMITTER,
    LICENCE,
)
VERIFY_OPEN = (FULL_REFLECTION, BURNS)
TUNE = (
    BURNS,
    "Keep everybody out of reach of the antenna while it is keyed. Agree on a signal between the"
    " person at the antenna and the one at the radio.",
    HEIGHTS,
    "Use the lowest power that gives a reading.",
    TRANSMITTER,
    LICENCE,
)
WIGGLE = (
    "Put a dummy load in place of the antenna where you can: it serves for all joints before it."
    " Use the lowest steady carrier that gives a reading, 1 to 4 W, without speech.",
    TRANSMITTER,
    LICENCE,
    BURNS,
    "Move a cable gently by its jacket, a hand's breadth from the plug. Leave joints on masts,"
    " roofs and ladders alone while keyed, and keep everybody out of reach of the antenna.",
    HEIGHTS,
)


def before_keying(cautions: Sequence[str]) -> list[str]:
    """Return the cautions as lines for a terminal."""
    return ["Before anything is keyed:", *(f"- {text}" for text in cautions)]


class Place(Enum):
    """Place of a check."""

    LOOK = "look"  # inspection and this program only
    SHACK = "shack"  # plugs and instruments at the radio
    MAINS = "mains"
    OUTSIDE = "outside"  # antenna, mast, roof


class Caution(NamedTuple):
    """Full text, and a short form for use where the full text has already been given."""

    full: tuple[str, ...] = ()
    short: str = ""


AT_PLACE: dict[Place, Caution] = {
    Place.LOOK: Caution(),
    Place.SHACK: Caution(
        (
            "Unkey first, see that nobody else keys, and use low power for a few seconds at a time"
            " until the line is good.",
        ),
        "unkey first, low power, a few seconds",
    ),
    Place.MAINS: Caution(
        (
            "Unkey, switch off and pull the mains plug before a cover comes off; supplies and"
            " amplifiers hold their charge for minutes. If in doubt, leave it to a trained person;"
            " follow local codes.",
        ),
        "unkey, mains plug out, wait for the charge, local codes",
    ),
    Place.OUTSIDE: Caution(
        (
            "Unkey, and see that nobody can key while you are out: touching a keyed antenna causes"
            " RF burns.",
            "Keep farther from power lines than the length of anything you carry, antenna and mast"
            " included. Never work outdoors when lightning is near or approaching.",
            "Ladder on firm ground and held by a second person, harness on mast and roof; follow"
            " local codes.",
        ),
        "unkey, power lines, lightning, ladder, local codes",
    ),
}
