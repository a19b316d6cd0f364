"""What is wrong and what is left, for people. Nothing here measures or decides."""

from __future__ import annotations

from collections.abc import Iterator

from logger.isolate.chain import SEVERAL, Chain, Symptom
from logger.isolate.instructions import the
from logger.isolate.session import Verdict

NO_BREAK = "\N{NO-BREAK SPACE}"
GENERAL = (
    "Before anything is keyed or unscrewed:",
    "- Thunder about, or on its way: do none of this; disconnect the antenna and stay inside.",
    "- Unkey before you touch a plug, and see that nobody else can key. Nobody touches, or stands"
    " beside, an antenna that is keyed: RF burns.",
    "- Test transmissions short, at low power, identified and on a free channel, as your licence"
    " and the rules of your place require. The transmitter's own limits come first: into a high"
    " SWR or an open line the least power it has, a few seconds.",
)
CONTRADICTORY = (
    "The outcomes fit no single fault: it comes and goes, there is more than one, or a reading was"
    " wrong."
)
WIGGLE_NOW = "`mismatchd wiggle` finds a contact that opens for moments: do that next."
SYMPTOMS = {
    Symptom.HIGH: "too much comes back",
    Symptom.UPSTREAM: "the radio or a meter before the coupler complains, the coupler does not",
    Symptom.WEAK: "all reads well, but signals are weak",
    Symptom.NONE: "no power arrives at the coupler",
}
REPAIR = {
    "radio": "have the transmitter looked at",
    "lead": "replace it",
    "meter": "leave it out until it is mended",
    "coupler": "look at its detectors, wires and plugs, then `mismatchd calibrate bench`",
    "tuner": "leave it out until it is mended",
    "arrester": "replace it, and not leave it out: it guards against lightning",
    "plug": "cut it off, cut back to bright copper and fit a new one; outdoors seal it",
    "joint": "make it anew and seal it",
    "line": "replace it, or cut out the bad place where it can be seen",
    "antenna": "look at lengths, clamps and feed point; `mismatchd tune` then sets it",
    "ground": "mend its wires and clamps",
}


def chain_line(chain: Chain) -> str:
    """The parts from the transmitter to the antenna."""
    return " - ".join(part.title for part in chain.parts)


def standing(verdict: Verdict) -> Iterator[str]:
    """What is left, and what is not."""
    yield f"Left: {_left(verdict)}."
    if verdict.cleared:
        yield f"Sound, as far as this shows: {', '.join(part.title for part in verdict.cleared)}."


def conclusion(verdict: Verdict, told: bool, cured: bool) -> Iterator[str]:
    """The end of it; `told` if anything was tried, `cured` if the trouble is gone as it is now."""
    part = verdict.found
    if verdict.contradictory:
        yield CONTRADICTORY
        yield WIGGLE_NOW
    elif part is not None:
        several = f", or there are several faults ({percent(verdict.elsewhere)})"
        yield (
            f"It is {the(part)} ({percent(verdict.odds[0][1])})"
            f"{several if verdict.elsewhere >= SEVERAL else ''}."
        )
        if cured:
            yield "As it is now the trouble is gone: leave it so, or take care that it stays so."
        else:
            yield f"What to do: {REPAIR[part.kind.name]}."
            yield "When that is done, key briefly and see that the trouble is gone."
    elif told:
        yield "None of these can be singled out by what was tried."
        yield "Begin with the likeliest: mend or replace it, and see whether the trouble is gone."
    if verdict.against and not verdict.contradictory:
        count = len(verdict.against)
        yield (
            f"{count} outcome{'s speak' if count > 1 else ' speaks'} against the likeliest; a"
            " reading may have been wrong."
        )


def journal(verdict: Verdict, tried: int) -> str:
    """An entry for the journal."""
    if verdict.found is not None:
        return f"isolate: {the(verdict.found)} is at fault, by {counted(tried)}"
    left = _left(verdict).replace(NO_BREAK, " ")
    return f"isolate: after {counted(tried)} left: {left}"


def counted(trials: int) -> str:
    """So many trials."""
    return f"{trials} trial{'' if trials == 1 else 's'}"


def percent(odds: float) -> str:
    """A chance in hundredths, never 0 nor 100."""
    return f"{min(99, max(1, round(100 * odds)))}{NO_BREAK}%"


def _left(verdict: Verdict) -> str:
    parts = [f"{part.title} ({percent(odds)})" for part, odds in verdict.left]
    if verdict.elsewhere >= 2 * SEVERAL:
        parts.append(f"more than one fault ({percent(verdict.elsewhere)})")
    return ", ".join(parts)
