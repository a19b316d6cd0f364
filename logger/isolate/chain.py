"""The parts from the transmitter to the antenna, and the faults that each may have.

The frequencies of faults are common practice, no single source: plugs fail most, outdoors more than
in the shack, then the antenna; instruments fail least.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats
from logger.errors import UsageError

TWO_FAULTS = 0.08  # prior of two faulty parts
IN_NO_PART = 0.02  # prior of a fault in no part, or of more than two faulty parts
BAD_LOAD = 0.03  # prior of a bad dummy load or load lead
TINY = 1e-300
UNEXPECTED = 0.004  # probability of a symptom not expected of a fault
SHARES = (0.3, 0.55, 0.8)  # of readings in which an intermittent fault is present
OUTDOORS = 2.0  # factor by which plugs fail more often in the weather


class Mode(Enum):
    """Failure mode of a part."""

    OPEN = "open"
    SHORT = "short"
    POOR = "poor"  # a resistance in or across a contact, a bad match
    LOOSE = "loose"  # an intermittent contact
    LOSSY = "lossy"  # absorbs power and reflects none
    DETUNED = "detuned"
    DEAD = "dead"  # gives no power or indicates none
    FALSE = "false"  # an instrument with a false reading
    DETECTOR = "detector"  # one of the coupler's detectors reads low


class Symptom(Enum):
    """Symptom as the user notices it."""

    HIGH = "high"  # too much reflection at the coupler
    LOWER = "lower"  # less reflection than usual at the coupler
    LESS = "less"  # less forward power than usual at the coupler, SWR as usual
    UPSTREAM = "upstream"  # the radio or a meter before the coupler reports a high SWR
    WEAK = "weak"  # all readings are good, yet signals are weak in both directions
    NONE = "none"  # no power at the coupler


ELSEWHERE_SHOWS = {
    Symptom.HIGH: 0.6,
    Symptom.LOWER: 0.1,
    Symptom.LESS: 0.1,
    Symptom.UPSTREAM: 0.1,
    Symptom.WEAK: 0.2,
    Symptom.NONE: 0.1,
}


class Kind(NamedTuple):
    """Kind of part: how often it fails (weight) and how (shares of modes)."""

    name: str
    title: str
    weight: float
    modes: dict[Mode, float]
    load: bool = False  # a dummy load can be connected after it


_CONTACT = {
    Mode.OPEN: 0.25,
    Mode.SHORT: 0.2,
    Mode.POOR: 0.3,
    Mode.LOOSE: 0.2,
    Mode.LOSSY: 0.05,
}
KINDS = {
    kind.name: kind
    for kind in (
        Kind("radio", "radio", 2.0, {Mode.DEAD: 0.7, Mode.POOR: 0.3}, load=True),
        Kind("lead", "lead", 6.0, _CONTACT, load=True),
        Kind("meter", "other meter", 3.0, {Mode.OPEN: 0.3, Mode.POOR: 0.2, Mode.FALSE: 0.5}, True),
        Kind(
            "coupler",
            "coupler",
            4.0,
            {Mode.FALSE: 0.35, Mode.DETECTOR: 0.45, Mode.DEAD: 0.2},
            load=True,
        ),
        Kind("tuner", "tuner", 4.0, {Mode.OPEN: 0.2, Mode.SHORT: 0.2, Mode.POOR: 0.6}, load=True),
        Kind("arrester", "arrester", 4.0, {Mode.SHORT: 0.5, Mode.OPEN: 0.2, Mode.POOR: 0.3}, True),
        Kind("plug", "plug", 8.0, _CONTACT),
        Kind("joint", "joint", 7.0, _CONTACT, load=True),
        Kind(
            "line",
            "line",
            6.0,
            {
                Mode.OPEN: 0.15,
                Mode.SHORT: 0.2,
                Mode.POOR: 0.1,
                Mode.LOOSE: 0.15,
                Mode.LOSSY: 0.4,
            },
        ),
        Kind(
            "antenna",
            "antenna",
            12.0,
            {
                Mode.DETUNED: 0.45,
                Mode.OPEN: 0.25,
                Mode.SHORT: 0.1,
                Mode.POOR: 0.1,
                Mode.LOOSE: 0.1,
            },
        ),
        Kind("ground", "ground", 6.0, {Mode.POOR: 0.8, Mode.OPEN: 0.2}),
    )
}
CONTACTS = ("plug", "joint")
OTHER_WORDS = {
    "transmitter": "radio",
    "transceiver": "radio",
    "rig": "radio",
    "patch": "lead",
    "jumper": "lead",
    "instrument": "meter",
    "connector": "plug",
    "splice": "joint",
    "adapter": "joint",
    "matcher": "tuner",
    "cable": "line",
    "coax": "line",
    "feedline": "line",
    "counterpoise": "ground",
    "radials": "ground",
    "earth": "ground",
}
DEFAULT = ("radio", "lead", "coupler", "plug", "line", "plug", "antenna")


class Part(NamedTuple):
    """A part at its place in the chain; `title` is unique in it."""

    place: int
    kind: Kind
    title: str
    outdoors: bool

    @property
    def weight(self) -> float:
        """Relative frequency of failure."""
        return self.kind.weight * (OUTDOORS if self.outdoors and self.is_contact else 1.0)

    @property
    def is_contact(self) -> bool:
        """True if it only connects."""
        return self.kind.name in CONTACTS


class Chain:
    """The parts in order. `coupler` is the place of our coupler, `feed` that of the antenna."""

    def __init__(self, names: Sequence[str]) -> None:
        """Build the chain. Raises UsageError if it is impossible."""
        self.names = tuple(names)
        _check(self.names)
        self.coupler = self.names.index("coupler")
        self.feed = self.names.index("antenna")
        begin = self.names.index("line") if "line" in self.names else self.feed
        titles = _titles(self.names)
        self.parts = tuple(
            Part(place, KINDS[name], titles[place], place >= begin)
            for place, name in enumerate(self.names)
        )

    def takes_load(self, place: int) -> bool:
        """True if a dummy load can replace everything after this part."""
        if place + 1 >= len(self.parts) or place >= self.feed:
            return False
        following = self.names[place + 1]
        if self.names[place] == "line":
            return following not in CONTACTS
        if self.names[place] == "plug":
            return self.names[place - 1] == "line"
        return self.parts[place].kind.load


class ChainFault(NamedTuple):
    """A part and its failure mode; `share` is the share of readings in which the fault shows."""

    place: int
    mode: Mode
    share: float = 1.0


class Hypothesis(NamedTuple):
    """Faulty parts, and True if the dummy load is bad as well.

    An empty tuple of faults is a fault in none of the parts.
    """

    faults: tuple[ChainFault, ...]
    bad_load: bool = False

    @property
    def places(self) -> tuple[int, ...]:
        """Places of the faulty parts, in order of the chain."""
        return tuple(fault.place for fault in self.faults)


ELSEWHERE = Hypothesis(())


def single_faults(chain: Chain) -> tuple[ChainFault, ...]:
    """Return each part with each of its failure modes, and each share if intermittent."""
    return tuple(
        ChainFault(part.place, mode, share)
        for part in chain.parts
        for mode in part.kind.modes
        for share in (SHARES if mode is Mode.LOOSE else (1.0,))
    )


class Hypotheses:
    """All hypotheses on a chain: single faults, the same with a bad load, pairs, ELSEWHERE last.

    all      the hypotheses, h of them
    faults   single faults, f of them
    members  indices into `faults` of the faults of each hypothesis, (h, 2); f for none
    prior    prior probabilities, (h,); they sum to 1
    """

    def __init__(self, chain: Chain) -> None:
        faults = single_faults(chain)
        pairs = [
            pair
            for pair in combinations(range(len(faults)), 2)
            if faults[pair[0]].place != faults[pair[1]].place
            and all(faults[index].share in (1.0, SHARES[1]) for index in pair)
        ]
        self.faults = faults
        self.all = (
            *(Hypothesis((fault,)) for fault in faults),
            *(Hypothesis((fault,), bad_load=True) for fault in faults),
            *(Hypothesis((faults[first], faults[second])) for first, second in pairs),
            ELSEWHERE,
        )
        none = len(faults)
        single_members = [(index, none) for index in range(none)]
        self.members = np.array([*single_members, *single_members, *pairs, (none, none)])
        weight = np.array([_weight(chain, fault) for fault in faults])
        single = weight / weight.sum()
        pair_weight = np.array([weight[first] * weight[second] for first, second in pairs])
        two = TWO_FAULTS if pairs else 0.0
        rest = 1 - two - IN_NO_PART
        self.prior: Floats = np.concatenate(
            [
                single * rest * (1 - BAD_LOAD),
                single * rest * BAD_LOAD,
                pair_weight / max(pair_weight.sum(), TINY) * two,
                [IN_NO_PART],
            ]
        )

    def of_each(self, of_fault: Sequence[float], of_none: float) -> Floats:
        """Return the figures of the faults of each hypothesis, (h, 2)."""
        return np.asarray(np.array([*of_fault, of_none])[self.members])

    @property
    def bad_load(self) -> NDArray[np.bool_]:
        """Mask of the hypotheses with a bad load, (h,)."""
        return np.array([hypothesis.bad_load for hypothesis in self.all])


def _weight(chain: Chain, fault: ChainFault) -> float:
    """Return the relative frequency of a fault."""
    part = chain.parts[fault.place]
    variants = len(SHARES) if fault.mode is Mode.LOOSE else 1
    return part.weight * part.kind.modes[fault.mode] / variants


def shows(chain: Chain, fault: ChainFault, symptom: Symptom) -> float:
    """Return the probability that a fault causes a symptom.

    A fault before the coupler cannot raise the reflection that the coupler measures.
    """
    return _symptoms(chain, fault.place, fault.mode).get(symptom, UNEXPECTED)


def all_show(chain: Chain, hypotheses: Hypotheses, symptom: Symptom) -> Floats:
    """Return the probability of a symptom with each hypothesis, (h,).

    Of two faults the more conspicuous decides.
    """
    of_fault = [shows(chain, fault, symptom) for fault in hypotheses.faults]
    chances = hypotheses.of_each(of_fault, 0.0).max(axis=1)
    chances[-1] = ELSEWHERE_SHOWS[symptom]
    return np.asarray(chances)


def _symptoms(chain: Chain, place: int, mode: Mode) -> dict[Symptom, float]:
    if place == chain.coupler:
        return _OF_COUPLER[mode]
    return _BEFORE_COUPLER[mode] if place < chain.coupler else _BEHIND_COUPLER[mode]


_OF_COUPLER: dict[Mode, dict[Symptom, float]] = {
    Mode.FALSE: {Symptom.HIGH: 0.9},
    Mode.DETECTOR: {Symptom.HIGH: 0.4, Symptom.LOWER: 0.4, Symptom.LESS: 0.2},
    Mode.DEAD: {Symptom.NONE: 0.95},
}
_CUT = {Symptom.NONE: 0.7, Symptom.UPSTREAM: 0.25, Symptom.LESS: 0.05}
_BEFORE_COUPLER: dict[Mode, dict[Symptom, float]] = {
    Mode.OPEN: _CUT,
    Mode.SHORT: _CUT,
    Mode.DEAD: _CUT,
    Mode.DETUNED: _CUT,
    Mode.LOOSE: {Symptom.UPSTREAM: 0.7, Symptom.NONE: 0.15, Symptom.LESS: 0.15},
    Mode.POOR: {
        Symptom.UPSTREAM: 0.45,
        Symptom.LESS: 0.25,
        Symptom.WEAK: 0.15,
        Symptom.NONE: 0.15,
    },
    Mode.LOSSY: {Symptom.WEAK: 0.5, Symptom.UPSTREAM: 0.25, Symptom.LESS: 0.25},
    Mode.FALSE: {Symptom.UPSTREAM: 0.9},
}
_SEEN_BEHIND = {Symptom.HIGH: 0.93, Symptom.WEAK: 0.05, Symptom.LOWER: 0.01}
_BEHIND_COUPLER: dict[Mode, dict[Symptom, float]] = dict.fromkeys(Mode, _SEEN_BEHIND) | {
    Mode.POOR: {
        Symptom.HIGH: 0.78,
        Symptom.WEAK: 0.12,
        Symptom.LOWER: 0.05,
        Symptom.UPSTREAM: 0.03,
    },
    Mode.LOSSY: {Symptom.WEAK: 0.6, Symptom.LOWER: 0.25, Symptom.HIGH: 0.12},
    Mode.FALSE: {},  # a meter after the coupler has no effect that the coupler would measure
}


def parse_chain(text: str) -> Chain:
    """Return the chain from typed names, separated by commas or blanks. Raises UsageError."""
    names = [word.lower() for word in text.replace(",", " ").split()]
    return Chain([OTHER_WORDS.get(name, name) for name in names])


def _check(names: tuple[str, ...]) -> None:
    for name in names:
        if name not in KINDS:
            raise UsageError(f"unknown part {name!r}; known parts: {', '.join(KINDS)}")
    for name in ("coupler", "antenna"):
        if names.count(name) != 1:
            raise UsageError(f"{name!r} occurs {names.count(name)} times; it must occur once")
    for name in ("radio", "ground"):
        if names.count(name) > 1:
            raise UsageError(f"{name!r} occurs {names.count(name)} times; remove all but one")
    order = [names.index(name) for name in ("radio", "coupler", "antenna") if name in names]
    if order != sorted(order) or ("radio" in names and order[0] != 0):
        raise UsageError("name the parts in order: radio first, then coupler, then antenna")
    behind = names[names.index("antenna") + 1 :]
    if behind not in ((), ("ground",)):
        raise UsageError(f"only ground may follow the antenna, not {behind[0]!r}")
    if "ground" in names[: names.index("antenna")]:
        raise UsageError("ground must be the last part, after the antenna")


def _titles(names: tuple[str, ...]) -> list[str]:
    """Return the title of each part: plugs by their neighbour, repeated titles numbered."""
    titles = []
    for place, name in enumerate(names):
        title = KINDS[name].title
        neighbours = names[max(place - 1, 0) : place] + names[place + 1 : place + 2]
        mates = [mate for mate in neighbours if mate not in (*CONTACTS, "line", "lead")]
        titles.append(f"{title} at the {mates[0]}" if name == "plug" and mates else title)
    return [
        f"{title} {titles[: place + 1].count(title)}" if titles.count(title) > 1 else title
        for place, title in enumerate(titles)
    ]
