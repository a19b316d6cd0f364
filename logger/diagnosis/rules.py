"""Patterns, causes and checks: data.

EXPECTED holds the probability of each finding (see `findings`) given a cause; for other findings it
is that of COUPLER_SIGNS or TELLING, or SELDOM. NOTHING is the cause of a sound station. Checks are
ordered from the cheapest to the most expensive, and each states where it is done.
"""

from __future__ import annotations

from typing import NamedTuple

from logger.cautions import Place
from logger.rows import AlarmKind

NEVER, SELDOM, RARE, SOMETIMES, MAYBE, OFTEN, ALWAYS = 0.01, 0.03, 0.12, 0.25, 0.45, 0.8, 0.96

STATED = 0.4  # least probability at which a cause that was likely before is still stated


class Check(NamedTuple):
    """Next action for a person."""

    text: str
    place: Place


class Cause(NamedTuple):
    """A cause: the pattern it makes in words, possible details, and checks."""

    name: str
    title: str
    pattern: str
    behind: tuple[str, ...]
    checks: tuple[Check, ...]
    prior: float = 1.0


BYPASS = Check(
    "Take the coupler out of the line, or try another one: does the trouble stay?", Place.SHACK
)
LEAD = Check("Swap the short lead between radio and coupler for a known good one.", Place.SHACK)
WIGGLE = Check(
    "Key at low power for a few seconds at a time, watch the reading, and move the cables one by"
    " one from the transmitter outwards, by the jacket only: the plug that makes it jump is bad."
    " Unkey before a plug is touched or unscrewed.",
    Place.SHACK,
)
DUMMY = Check(
    "Put a dummy load at the far end of the line: if the reading is good now, line and plugs are"
    " sound and the antenna is not.",
    Place.OUTSIDE,
)
NEAR_DUMMY = Check(
    "Put a dummy load in place of the line, directly after the coupler, and key briefly: radio,"
    " lead and coupler are sound if SWR is near 1.",
    Place.SHACK,
)
OHMS_HERE = Check(
    "Open or short? Unkeyed, unscrew the line from the coupler and put an ohmmeter across its end."
    " If the antenna is an open circuit at DC, a reading near zero means a short; if it is a closed"
    " one (many are, through a coil or a loop), an infinite reading means an open. Otherwise"
    " continue with the next check.",
    Place.SHACK,
)
OHMS = Check(
    "Repeat with the line taken off the antenna, too: a reading near zero is a short in line or"
    " plugs. If it reads open, short the far end: if it still reads open, the line is open.",
    Place.OUTSIDE,
)
WATER = Check(
    "Look for water: unscrew the outdoor plugs, look for drops, green copper and dark braid, and"
    " feel the jacket for cuts.",
    Place.OUTSIDE,
)
ANTENNA = Check(
    "Look at the antenna: element lengths against your notes, clamps, feed point, things that have"
    " come near it.",
    Place.OUTSIDE,
)
GLASS = Check(
    "Look at the antenna from the ground with binoculars: bent, turned, slid, something new near"
    " it?",
    Place.LOOK,
)
WEATHER = Check(
    "Compare the days of the change with their weather. `mismatchd chart drift` shows the levels; a"
    " seasonal change reverses with the season.",
    Place.LOOK,
)
LISTEN = Check(
    "Receive on that channel and on its neighbours for a while: is a strong station near, and does"
    " the reflected reading rise with the key up?",
    Place.LOOK,
)
OTHER_CHANNELS = Check(
    "Key briefly on the adjacent channels: a load changes smoothly from channel to channel, a"
    " foreign signal does not.",
    Place.SHACK,
)
POWER_SETTING = Check(
    "Look at the power setting, mode and microphone gain, and at the supply's voltage while keyed.",
    Place.LOOK,
)
SUPPLY = Check(
    "Measure supply and fuse contacts under load; then have the transmitter looked at.", Place.MAINS
)
SWAP_PORTS = Check(
    "Turn the coupler round (or swap the detector wires): the fault follows the bad port.",
    Place.SHACK,
)
WIRES = Check(
    "Unkeyed, look at the wires from detector to converter, their ground and the diode, and"
    " resolder what looks dull; then key briefly at low power and compare the volts.",
    Place.SHACK,
)
ZEROS = Check(
    "Read both ports with the key up and the radio off: they should show the zeros of the"
    " calibration.",
    Place.LOOK,
)
HOT = Check(
    "Replace the plugs and leads in the shack one by one with known good ones, then key for a few"
    " seconds at low power, and again after a rest. If the drift ends, the part just replaced is"
    " bad.",
    Place.SHACK,
)

SAME_LOAD = Check(
    "Put a dummy load in place of the line, directly after the coupler, and key briefly at the"
    " powers in use: if its reading differs from that at the calibration as well, the shack's"
    " temperature or the coupler changed, and not the line.",
    Place.SHACK,
)
SHACK_DAYS = Check(
    "Compare the temperature of the shack on the days before the change with that since. Readings"
    " at the highest power hardly depend on it: have they changed, too?",
    Place.LOOK,
)

NOTHING, COUPLER, SEASON = "nothing", "coupler-fault", "season"
SHACK = "shack-temperature"
CAUSES: tuple[Cause, ...] = (
    Cause(
        "intermittent-contact",
        "an intermittent contact",
        "The reflection jumps for a moment and comes back: an open or a short, which two detectors"
        " cannot tell apart.",
        (
            "a plug that is not screwed tight or whose pin is not soldered well",
            "a strand of the braid that touches the pin now and then",
            "a line broken inside where it bends, or a loose joint at the antenna",
        ),
        (LEAD, WIGGLE, BYPASS, DUMMY, WATER, ANTENNA),
    ),
    Cause(
        "open-or-short",
        "an open or a short in the line",
        "Nearly all power comes back, on every channel: an open or a short. Two detectors cannot"
        " tell which; an ohmmeter can, see below.",
        (
            "a plug that has come off or apart, most often the last one touched",
            "a strand of the braid across the pin",
            "a line cut or crushed, or a broken feed point",
        ),
        (LEAD, NEAR_DUMMY, WIGGLE, OHMS_HERE, OHMS, DUMMY, WATER, ANTENNA),
    ),
    Cause(
        "hot-joint",
        "a joint that warms up",
        "Reflection drifts while the key is down and is back after a rest.",
        (
            "a plug with a poor contact or a cold solder joint",
            "a corroded clamp or coil at the antenna",
        ),
        (HOT, LEAD, BYPASS, NEAR_DUMMY, DUMMY, ANTENNA),
    ),
    Cause(
        "wet-line",
        "a line that takes up water",
        "Reflection falls slowly: the SWR looks better because the line loses more, and less power"
        " reaches the antenna.",
        (
            "water in the line, from an outdoor plug or a cut in the jacket",
            "an outdoor plug or joint that corrodes",
        ),
        (GLASS, BYPASS, WATER, DUMMY, ANTENNA),
    ),
    Cause(
        "antenna-moved",
        "an antenna whose tuning has changed",
        "The reflection has moved to a new level and stays there.",
        (
            "an element that slipped in its clamp (low channels better: it became longer; high"
            " channels better: shorter)",
            "something new near the antenna: a mast, a wire, ice, leaves",
            "a change in the line's length or in its plugs",
        ),
        (GLASS, BYPASS, LEAD, DUMMY, ANTENNA),
    ),
    Cause(
        SEASON,
        "the season or the weather",
        "Reflection changes slowly and only slightly. Antennas do so with the seasons, and there is"
        " less than a year of readings.",
        (
            "leaves, wet or frozen ground, ice or snow near the antenna",
            "elements and line that change with the temperature",
        ),
        (WEATHER, GLASS, BYPASS, DUMMY, ANTENNA),
        prior=0.25,  # a fault mistaken for the season costs more than a look at the antenna
    ),
    Cause(
        SHACK,
        "the shack's temperature, or the coupler",
        "Reflection reads differently as detector diodes do at another temperature, most at low"
        " power: line and antenna may be as before.",
        (
            "a shack that cooled or warmed with the season, or whose heating changed",
            "a detector of the coupler that ages",
        ),
        (SHACK_DAYS, SAME_LOAD, BYPASS, GLASS),
        prior=0.25,  # as that of the season
    ),
    Cause(
        "one-channel",
        "a signal from outside",
        "A signal that is not the station's own: one channel alone reads more, or the reflected"
        " port reads something while the key is up.",
        (
            "a station near you that transmits on that channel and is heard at the reflected port",
            "the coupler picking up something local on that frequency",
        ),
        (LISTEN, OTHER_CHANNELS, BYPASS),
    ),
    Cause(
        "transmitter-change",
        "a transmitter or amplifier whose output power has changed",
        "Incident power changed, reflection did not: line and antenna are as before.",
        (
            "a changed setting, mode or microphone",
            "a weak supply, a corroded power lead, a tired output stage",
        ),
        (POWER_SETTING, NEAR_DUMMY, SUPPLY),
    ),
    Cause(
        "coupler-fault",
        "the coupler, a detector or the microcontroller bridge",
        "No load can cause these readings.",
        (
            "a detector diode, its wire or its ground",
            "a converter input that is stuck, drifts or has become noisy",
        ),
        (ZEROS, WIRES, BYPASS, SWAP_PORTS, NEAR_DUMMY),
    ),
    Cause(
        NOTHING,
        "nothing has changed",
        "Nothing differs from before, as far as it can be measured.",
        (),
        (),
        prior=2.0,
    ),
)
BY_NAME = {cause.name: cause for cause in CAUSES}


def title_of(name: str) -> str:
    """Return the title of a cause, or its name if only another version has it."""
    return BY_NAME[name].title if name in BY_NAME else name


EXPECTED: dict[str, dict[str, float]] = {
    "intermittent-contact": {
        "excursions": ALWAYS,
        "spread": MAYBE,
        "soaks": RARE,
        "creeps": RARE,
        "seasonal": RARE,
        "heats": SELDOM,
        "shrunk": SELDOM,
        "power": RARE,
    },
    "open-or-short": {
        "full": ALWAYS,
        "spread": MAYBE,
        "excursions": RARE,
        "power": RARE,
        "compensated": SELDOM,
        "impossible": RARE,
    },
    "hot-joint": {
        "heats": ALWAYS,
        "spread": MAYBE,
        "shrunk": SOMETIMES,
        "soaks": SOMETIMES,
        "excursions": SELDOM,
        "full": SELDOM,
        "lone": SELDOM,
        "power": RARE,
    },
    "wet-line": {
        "soaks": OFTEN,
        "creeps": MAYBE,
        "seasonal": SOMETIMES,
        "shrunk": RARE,
        "spread": RARE,
    },
    "antenna-moved": {
        "spread": ALWAYS,
        "soaks": RARE,  # an element that slides may improve the match
        "creeps": SOMETIMES,
        "seasonal": RARE,
        "shrunk": RARE,
        "power": SELDOM,
    },
    SEASON: {"seasonal": ALWAYS, "soaks": SOMETIMES, "creeps": MAYBE, "spread": SOMETIMES},
    SHACK: {
        "thermal": ALWAYS,
        "soaks": MAYBE,
        "creeps": MAYBE,
        "seasonal": MAYBE,
        "spread": MAYBE,
        "shrunk": RARE,
        "power": RARE,
    },
    "one-channel": {
        "lone": ALWAYS,
        "spread": MAYBE,
        "heats": MAYBE,
        "excursions": SOMETIMES,
        "impossible": MAYBE,
    },
    "transmitter-change": {"power": ALWAYS, "spread": RARE},
    # One of COUPLER_SIGNS is sufficient; these may accompany them.
    "coupler-fault": {
        "spread": RARE,
        "full": RARE,
        "excursions": RARE,
        "heats": SELDOM,
        "soaks": RARE,
        "creeps": SOMETIMES,
        "seasonal": SOMETIMES,
        "power": RARE,
    },
    NOTHING: {"lone": NEVER, "thermal": RARE},
}
# Signs that only a bad coupler shows, and their probability with all other causes.
COUPLER_SIGNS = {
    "zero": NEVER,
    "noisy": NEVER,
    "still": NEVER,
    "unreleased": NEVER,
    "shrunk": NEVER,
    "compensated": NEVER,
    "impossible": SELDOM,
}
# Others that rarely occur by chance.
TELLING = {"heats": NEVER, "full": NEVER, "lone": 0.02}
A_SIGN = 0.93  # probability that a bad coupler shows at least one of them

# Alarms raised since the onset, and the factor by which each makes causes likelier.
HINTS: dict[str, dict[str, float]] = {
    AlarmKind.INTERMITTENT_CONTACT: {"intermittent-contact": 5.0},
    AlarmKind.HEATING_JOINT: {"hot-joint": 5.0},
    AlarmKind.DETECTOR_FAULT: {"coupler-fault": 2.0, "transmitter-change": 2.0},
    AlarmKind.BASELINE_SHIFT: {
        "antenna-moved": 1.5,
        "wet-line": 1.5,
        SHACK: 1.5,
        "open-or-short": 1.2,
    },
}
# By kind of alarm, the causes that it alone suggests. Of several kinds, the first here says most.
SUSPECTS: dict[str, tuple[str, ...]] = {
    AlarmKind.DETECTOR_FAULT: ("coupler-fault", "transmitter-change"),
    AlarmKind.INTERMITTENT_CONTACT: ("intermittent-contact",),
    AlarmKind.HEATING_JOINT: ("hot-joint",),
    AlarmKind.BASELINE_SHIFT: ("antenna-moved", "wet-line"),
    AlarmKind.SUDDEN_CHANGE: ("intermittent-contact", "open-or-short", "antenna-moved"),
    AlarmKind.HIGH_SWR: ("open-or-short", "intermittent-contact"),
    AlarmKind.HIGH_REFLECTED_POWER: ("open-or-short", "intermittent-contact"),
}
PASSING = "Nothing else in the stored rows differs from before; the cause may have passed."
SILENT_PATTERN = "No readings come from the microcontroller bridge, so the line cannot be judged."
SILENT = (
    Check(
        "Check that the bridge has power and its lead is plugged in firmly: is a light on?",
        Place.LOOK,
    ),
    Check(
        "`mismatchd ports` lists the ports of this host; `mismatchd status` shows what is missing.",
        Place.LOOK,
    ),
    Check(
        "Unplug the bridge's lead and plug it in again; try another socket and another lead.",
        Place.SHACK,
    ),
)
