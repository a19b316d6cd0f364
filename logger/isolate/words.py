"""Symptoms, suspects and conclusion as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logger.isolate.chain import Chain, Part, Symptom
from logger.isolate.instructions import the
from logger.isolate.session import IsolationSession, Verdict
from logger.wording import count

NO_BREAK = "\N{NO-BREAK SPACE}"
GENERAL = (
    "Before anything is keyed or unscrewed:",
    "- Thunderstorm near or approaching: do none of this, keep away from the line and stay"
    " indoors.",
    "- Unkey before you touch a plug, and see that nobody else can key. Nobody may touch a keyed"
    " antenna or stand beside it: RF burns.",
    "- Keep test transmissions short, at low power, identified and on a free channel, as your"
    " licence and local rules require. The transmitter's own limits come first: into a high SWR"
    " or an open line use its lowest power, for a few seconds at most.",
)
DAEMON = (
    "The daemon keeps running: it may raise alarms for these tests, and a notifier `inhibit` may"
    " cut the carrier off."
)
FIRST = (
    "First read the present state, with everything connected as usual. Stay on this channel"
    " throughout."
)
NO_CARRIER = "no power reaches the coupler when I key"
NOTHING_NOW = "nothing at the moment"
BETWEEN = (
    "This reading lies between sound and faulty. A little more power narrows the interval, within"
    " the limits of the transmitter."
)
CONTRADICTORY = (
    "The outcomes fit neither one faulty part nor two: the fault comes and goes, or a reading was"
    " wrong."
)
WIGGLE_NOW = "`mismatchd wiggle` finds an intermittent contact: run it next."
COMES_AND_GOES = f"The fault comes and goes. {WIGGLE_NOW}"
WORTH_SAYING = 0.1  # probability of two faulty parts, or of none, above which it is stated
BAD_LOAD = 0.3  # probability of a bad dummy load above which it is stated
LOAD_ADVICE = (
    "The dummy load or its lead may be bad: unkeyed, measure it with an ohmmeter (about 50 ohms),"
    " or try another."
)
SYMPTOMS = {
    Symptom.HIGH: "the SWR is higher than usual",
    Symptom.LOWER: "the SWR is lower than usual",
    Symptom.LESS: "the power at the coupler is lower than usual, the SWR is as usual",
    Symptom.UPSTREAM: "the radio or a meter before the coupler reports a high SWR, the coupler does"
    " not",
    Symptom.WEAK: "all readings are normal, but signals are weak",
    Symptom.NONE: "no power arrives at the coupler",
}
REPAIR = {
    "radio": "have the transmitter repaired",
    "lead": "replace it",
    "meter": "leave it out until it is repaired",
    "coupler": "look at its detectors, wires and plugs, then `mismatchd calibrate bench`",
    "tuner": "leave it out until it is repaired",
    "arrester": "replace it; do not leave it out, it is part of the lightning protection",
    "plug": "cut it off, cut back to bright copper and fit a new one; seal it if outdoors",
    "joint": "remake it and seal it",
    "line": "replace it, or cut out the bad place where it can be seen",
    "antenna": "check lengths, clamps and feed point, then adjust it with `mismatchd tune`",
    "ground": "repair its wires and clamps",
}


def chain_line(chain: Chain) -> str:
    """Return the parts from the transmitter to the antenna."""
    return " - ".join(part.title for part in chain.parts)


def progress(session: IsolationSession) -> str:
    """Return the progress of an interrupted session."""
    return f"{count_trials(len(session.state.outcomes))}, {chain_line(session.chain)}"


def summary(verdict: Verdict) -> Iterator[str]:
    """Yield the suspects, and the parts that were tested and are sound."""
    yield f"Suspects: {_list_suspects(verdict)}."
    if verdict.cleared:
        yield f"Tested and sound so far: {', '.join(part.title for part in verdict.cleared)}."
    if verdict.bad_load >= BAD_LOAD:
        yield LOAD_ADVICE


def conclusion(verdict: Verdict, any_tried: bool, cured: bool) -> Iterator[str]:
    """Yield the result; `cured` if the trouble is gone in the present setup."""
    part = verdict.faulty
    if verdict.repaired:
        yield from _repaired(verdict)
    elif verdict.contradictory:
        yield CONTRADICTORY
        yield WIGGLE_NOW
    elif part is not None:
        begin = "Most likely it is" if verdict.is_last else "It is"
        yield f"{begin} {the(part)} ({percent(verdict.odds[0][1])}).{_several(verdict)}"
        if cured:
            yield "The trouble is gone with the present setup: leave it, or make it permanent."
        else:
            yield f"What to do: {REPAIR[part.kind.name]}."
            yield "When that is done, key briefly and see that the trouble is gone."
    elif any_tried:
        yield _undecided(verdict)
        yield "Begin with the likeliest: repair or replace it, and see whether the trouble is gone."
    if verdict.against and not verdict.contradictory and not verdict.repaired:
        do = "does" if len(verdict.against) == 1 else "do"
        yield (
            f"{count(len(verdict.against), 'outcome')} {do} not fit the likeliest part; a reading"
            " may have been wrong."
        )


def journal(verdict: Verdict, tried: int) -> str:
    """Return a journal entry."""
    if verdict.faulty is not None:
        return f"isolate: {the(verdict.faulty)} is at fault, after {count_trials(tried)}"
    if verdict.repaired:
        return f"isolate: trouble ended by replacing {_any_of(verdict.repaired)}"
    suspects = _list_suspects(verdict).replace(NO_BREAK, " ")
    return f"isolate: suspects after {count_trials(tried)}: {suspects}"


def _repaired(verdict: Verdict) -> Iterator[str]:
    part = verdict.faulty
    if part is not None:
        yield f"It was {the(part)}: the trouble ended when it was replaced. Leave it as it is."
    else:
        replaced = _any_of(verdict.repaired)
        yield f"The trouble ended when {replaced} was replaced. Leave it as it is."
    yield "Seal what is outdoors. If the trouble comes back, start `mismatchd isolate` again."


def _undecided(verdict: Verdict) -> str:
    two = [f"{the(part)} ({percent(odds)})" for part, odds in verdict.suspects[:2]]
    return f"The trials cannot single out one part; the likeliest: {' or '.join(two)}."


def _any_of(parts: Sequence[Part]) -> str:
    return " or ".join(the(part) for part in parts)


def _several(verdict: Verdict) -> str:
    if verdict.several < WORTH_SAYING:
        return ""
    return f" A second part may be faulty as well ({percent(verdict.several)})."


def count_trials(trials: int) -> str:
    """Return a number of trials as text."""
    return count(trials, "trial")


def percent(odds: float) -> str:
    """Return a probability as a percentage, never 0 or 100."""
    return f"{min(99, max(1, round(100 * odds)))}{NO_BREAK}%"


def _list_suspects(verdict: Verdict) -> str:
    parts = [f"{part.title} ({percent(odds)})" for part, odds in verdict.suspects]
    if verdict.elsewhere >= WORTH_SAYING:
        parts.append(f"none of the parts ({percent(verdict.elsewhere)})")
    return ", ".join(parts)
