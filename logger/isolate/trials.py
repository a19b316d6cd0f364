"""All trials possible on a chain. Minutes and shares are common practice, no single source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from logger.cautions import Place
from logger.isolate.chain import CONTACTS, Chain, Mode, Part, Symptom
from logger.isolate.trial import ANTENNA_OFF, MISTAKE, Trial

HEARD_WRONG = 0.1  # signal strength is hard to judge by ear
OTHER_ANTENNA_WRONG = 0.12  # another antenna has its own SWR
METER_WRONG = 0.012
OPEN_PORT_WRONG = 0.005
SEEN_WRONG = 0.05
UNFITTING_SEEN = 0.2  # findings by eye or ohmmeter with ELSEWHERE
TAKES, TAKES_OF_REPAIR = 8, 12
AS_IS = "as-is"
LASTING = ("new-plug", "other-line")  # lasting repairs
REPLACING = ("swap", "bypass", *LASTING)
READ_BY_COUPLER = (Symptom.HIGH, Symptom.LOWER, Symptom.NONE)
READ_BEHIND = (Symptom.HIGH, Symptom.LOWER)  # parts before the coupler do not affect its SWR
LOAD = "dummy load"
OHMMETER = "ohmmeter"

STAYS = dict.fromkeys(Mode, 0.99) | {Mode.POOR: 0.85}
# Another antenna may reflect too little for a weak detector to make it look bad.
OTHER_ANTENNA = STAYS | {Mode.DETECTOR: 0.5}
# A weak detector reads a load about as a sound one does: only a high SWR is shown too high.
BY_LOAD = STAYS | {Mode.LOSSY: 0.15, Mode.POOR: 0.7, Mode.DETECTOR: 0.05}
SHORTED = {Mode.SHORT: 0.9, Mode.POOR: 0.05, Mode.LOSSY: 0.2, Mode.LOOSE: 0.1}
BROKEN = {Mode.OPEN: 0.85, Mode.POOR: 0.6, Mode.LOOSE: 0.75}
LOSES = {
    Mode.LOSSY: 0.85,
    Mode.POOR: 0.4,
    Mode.LOOSE: 0.5,
    Mode.SHORT: 0.15,
    Mode.OPEN: 0.15,
    Mode.FALSE: 0.3,
}
JUMPS = {Mode.OPEN: 0.4, Mode.SHORT: 0.3, Mode.POOR: 0.5, Mode.LOOSE: 0.75}
READS_TOO_LITTLE = {Mode.DETECTOR: 0.95, Mode.DEAD: 0.95}


def trials(chain: Chain, symptom: Symptom, direct_current: str) -> list[Trial]:
    """Return all trials possible.

    `direct_current` is the ohmmeter reading of the sound antenna: `open`, `closed` or `unknown`.
    """
    possible = [*_loads(chain, symptom), *_replacements(chain, symptom), *_looks(chain)]
    possible += [_as_is(chain, symptom), _wiggle(chain)]
    if symptom is Symptom.LOWER:
        possible.append(_open_port(chain))
    if symptom in (Symptom.HIGH, Symptom.LOWER, Symptom.WEAK):
        possible += [*_open_end(chain, symptom), *_ohms(chain, direct_current)]
    possible += [
        _ohm("ohm-lead", part.place, 2, Place.SHACK, [part.place], SHORTED | BROKEN)
        for part in chain.parts
        if part.kind.name == "lead"
    ]
    return possible


def run_of(chain: Chain) -> list[int]:
    """Return the places between coupler and antenna."""
    return list(range(chain.coupler + 1, chain.feed))


def _loads(chain: Chain, symptom: Symptom) -> Iterator[Trial]:
    """Yield trials with a dummy load in place of everything after a part."""
    if symptom in (Symptom.WEAK, Symptom.LOWER):
        return  # a load receives nothing, and reads low after any part
    for part in chain.parts:
        is_before = part.place < chain.coupler
        is_unseen = is_before and symptom in (Symptom.HIGH, Symptom.LESS)
        if not chain.takes_load(part.place) or is_unseen:
            continue
        yield Trial(
            key=f"load:{part.place}",
            kind="load",
            place=part.place,
            minutes=12 if part.outdoors else 3,
            where=_where(part),
            climbs=_climbs(part),
            within=frozenset(range(part.place + 1)),
            shows=BY_LOAD if symptom is Symptom.HIGH else STAYS,
            needs=LOAD,
            carrier=not is_before and symptom in READ_BY_COUPLER,
            setup=ANTENNA_OFF if part.place + 1 == chain.feed else "",
            takes=TAKES,
            unscrewed=frozenset([part.place, part.place + 1]),
        )


def _replacements(chain: Chain, symptom: Symptom) -> Iterator[Trial]:
    """Yield trials with a part left out or replaced."""
    everything = frozenset(part.place for part in chain.parts)
    for part in chain.parts:
        method = _REPLACED.get(part.kind.name)
        if method is None or (part.place < chain.coupler and symptom in READ_BEHIND):
            continue
        kind, indoors, outdoors, needs = method
        replaced = _replaced(chain, part)
        if replaced[0] != part.place and kind == "other-line":
            continue  # one trial covers the whole line
        if part.kind.name == "antenna" and symptom is Symptom.LOWER:
            continue  # another antenna has its own SWR
        yield Trial(
            key=f"{kind}:{part.place}",
            kind=kind,
            place=part.place,
            minutes=outdoors if part.outdoors else indoors,
            where=_where(part),
            climbs=_climbs(part),
            within=everything - set(replaced),
            shows=OTHER_ANTENNA if part.kind.name == "antenna" else STAYS,
            mistake=_mistake(part, symptom),
            needs=needs,
            carrier=part.kind.name != "coupler" and symptom in READ_BY_COUPLER,
            takes=TAKES_OF_REPAIR if kind in LASTING else TAKES,
            unscrewed=frozenset(range(min(replaced) - 1, max(replaced) + 2)),
        )


def _mistake(part: Part, symptom: Symptom) -> float:
    if symptom is Symptom.WEAK:
        return HEARD_WRONG
    return {"antenna": OTHER_ANTENNA_WRONG, "coupler": METER_WRONG}.get(part.kind.name, MISTAKE)


_REPLACED: dict[str, tuple[str, float, float, str | None]] = {
    # kind of trial, minutes in the shack and outdoors, equipment needed
    "radio": ("swap", 8, 8, "other radio"),
    "lead": ("swap", 3, 10, "other lead"),
    "meter": ("bypass", 3, 12, None),
    "coupler": ("swap", 5, 12, "other meter"),
    "tuner": ("bypass", 3, 12, None),
    "arrester": ("swap", 4, 12, "other arrester"),
    "plug": ("new-plug", 20, 30, "new plug"),
    "joint": ("new-plug", 20, 30, "new plug"),
    "line": ("other-line", 60, 60, "other line"),
    "antenna": ("swap", 40, 40, "other antenna"),
    "ground": ("swap", 15, 15, "ground wire"),
}


def replaced_by(chain: Chain, trial: Trial) -> list[int]:
    """Return the places of the parts that a trial replaces."""
    return [part.place for part in chain.parts if part.place not in trial.within]


NEEDS = (LOAD, OHMMETER, *dict.fromkeys(needs for *_, needs in _REPLACED.values() if needs))


def _replaced(chain: Chain, part: Part) -> list[int]:
    """Return the places that a replacement covers: a line includes the plugs and joints on it."""
    if part.kind.name == "antenna":
        return list(range(part.place, len(chain.parts)))
    if part.kind.name != "line":
        return [part.place]
    on_it = (*CONTACTS, "line")
    first = last = part.place
    while first > 0 and chain.names[first - 1] in on_it:
        first -= 1
    while chain.names[last + 1] in on_it:
        last += 1
    # The first line leads: it names the trial.
    return sorted(range(first, last + 1), key=lambda place: chain.names[place] != "line")


def _looks(chain: Chain) -> Iterator[Trial]:
    """Yield inspections by eye, with the share of faults that are visible."""
    for part in chain.parts:
        for kind, share, indoors, outdoors in _LOOKS.get(part.kind.name, ()):
            yield Trial(
                key=f"{kind}:{part.place}",
                kind=kind,
                place=part.place,
                minutes=outdoors if part.outdoors else indoors,
                where=Place.LOOK if kind == "glance" else _where(part),
                climbs=kind != "glance" and _climbs(part),
                within=frozenset([part.place]),
                shows=dict.fromkeys(Mode, share),
                mistake=SEEN_WRONG,
                unfitting=UNFITTING_SEEN,
            )


_LOOKS: dict[str, tuple[tuple[str, float, float, float], ...]] = {
    # kind of trial, share of faults seen, minutes in the shack and outdoors
    "lead": (("look", 0.3, 2, 6),),
    "tuner": (("look", 0.4, 4, 12),),
    "arrester": (("look", 0.4, 4, 12),),
    "plug": (("look", 0.5, 4, 10),),
    "joint": (("look", 0.5, 4, 10),),
    "line": (("look", 0.35, 12, 12),),
    "antenna": (("glance", 0.35, 3, 3), ("look", 0.7, 25, 25)),
    "ground": (("look", 0.6, 10, 10),),
}


def _as_is(chain: Chain, symptom: Symptom) -> Trial:
    """Return a reading of the unchanged setup: the trouble may have passed or been repaired."""
    return Trial(
        key=AS_IS,
        kind=AS_IS,
        place=None,
        minutes=3,
        where=Place.SHACK,
        within=frozenset(part.place for part in chain.parts),
        shows=dict.fromkeys(Mode, 0.99),
        carrier=symptom in READ_BY_COUPLER,
        takes=TAKES_OF_REPAIR,
    )


def _wiggle(chain: Chain) -> Trial:
    """Return the trial of moving the plugs in the shack under a steady carrier."""
    near = [part.place for part in chain.parts if not part.outdoors and part.kind.name != "radio"]
    return Trial(
        key="wiggle",
        kind="wiggle",
        place=None,
        minutes=3,
        where=Place.SHACK,
        within=frozenset(near),
        shows=JUMPS,
        mistake=SEEN_WRONG,
        unfitting=UNFITTING_SEEN,
    )


def _open_port(chain: Chain) -> Trial:
    """Return the trial with the coupler's antenna port open: a dead detector shows low SWR."""
    return Trial(
        key=f"open-port:{chain.coupler}",
        kind="open-port",
        place=chain.coupler,
        minutes=3,
        where=Place.SHACK,
        within=frozenset([chain.coupler]),
        shows=READS_TOO_LITTLE,
        mistake=OPEN_PORT_WRONG,
        carrier=True,
        takes=TAKES,
    )


def _open_end(chain: Chain, symptom: Symptom) -> list[Trial]:
    """Return the trial of the line's loss with its far end open, at low power."""
    run = run_of(chain)
    if "line" not in (chain.names[place] for place in run):
        return []
    too_little = READS_TOO_LITTLE if symptom is Symptom.LOWER else {}
    return [
        Trial(
            key="open-end",
            kind="open-end",
            place=None,
            minutes=10,
            where=Place.OUTSIDE,
            climbs=True,
            within=frozenset([chain.coupler, *run]),
            shows=LOSES | too_little,
            carrier=True,
            setup=ANTENNA_OFF,
            takes=TAKES,
        )
    ]


def _ohms(chain: Chain, direct_current: str) -> list[Trial]:
    """Return ohmmeter trials at the shack end of the line, unkeyed.

    None with a tuner in the line, as it would mislead the ohmmeter.
    """
    run = run_of(chain)
    if not run or "tuner" in (chain.names[place] for place in run):
        return []
    beyond = range(chain.coupler + 1, len(chain.parts))
    possible = [
        _ohm("ohm-short", None, 10, Place.OUTSIDE, run, SHORTED, ANTENNA_OFF),
        _ohm("ohm-through", None, 11, Place.OUTSIDE, run, BROKEN, ANTENNA_OFF),
    ]
    if direct_current == "closed":
        possible.append(_ohm("ohm-closed", None, 3, Place.SHACK, beyond, BROKEN))
    if direct_current == "open":
        possible.append(_ohm("ohm-open", None, 3, Place.SHACK, beyond, SHORTED))
    return possible


def _ohm(
    kind: str,
    place: int | None,
    minutes: float,
    where: Place,
    within: Sequence[int],
    shows: Mapping[Mode, float],
    setup: str = "",
) -> Trial:
    return Trial(
        key=kind if place is None else f"{kind}:{place}",
        kind=kind,
        place=place,
        minutes=minutes,
        where=where,
        climbs=where is Place.OUTSIDE,
        within=frozenset(within),
        shows=shows,
        unfitting=UNFITTING_SEEN,
        needs=OHMMETER,
        setup=setup,
        takes=TAKES,
    )


def _where(part: Part) -> Place:
    return Place.OUTSIDE if part.outdoors else Place.SHACK


def _climbs(part: Part) -> bool:
    return part.outdoors and part.kind.name != "ground"
