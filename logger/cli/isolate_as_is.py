"""The first carrier of a session of elimination: what is wrong, with everything connected."""

from __future__ import annotations

from collections.abc import Callable

from logger.cli.carriers import USUAL_W, Carriers, seen_in
from logger.cli.isolate_setup import word
from logger.cli.measure_guide import Instead
from logger.cli.terminal import Terminal
from logger.isolate import words
from logger.isolate.chain import Symptom
from logger.isolate.reading import too_high
from logger.isolate.session import Session, Taken

NO_CARRIER = {"n": "I key, and nothing arrives at the coupler"}
DAEMON = (
    "The daemon goes on: it may raise alarms for these tests, and a notifier `inhibit` may cut a"
    " carrier off."
)


def as_is(
    terminal: Terminal,
    carriers: Carriers,
    session: Session,
    usually: Callable[[int | None], float],
) -> None:
    """Find the symptom and begin the session with it; without one if nothing is wrong now.
    `usually` tells the highest usual SWR of a channel. Raises what `Carriers.wait` raises."""
    terminal.say("")
    terminal.say(
        "First as it is, with everything connected as usual. Stay on this channel throughout."
    )
    if carriers.of_daemon:
        terminal.say(DAEMON)
    try:
        symptom = _seen(terminal, carriers, session, usually)
    except Instead:
        symptom = Symptom.NONE
    if symptom is None:
        terminal.say(f"So it comes and goes. {words.WIGGLE_NOW}")
        return
    session.begin(symptom)
    terminal.say(f"So {words.SYMPTOMS[symptom]}.")


def _seen(
    terminal: Terminal,
    carriers: Carriers,
    session: Session,
    usually: Callable[[int | None], float],
) -> Symptom | None:
    seen = None
    while seen is None:
        found = carriers.wait(USUAL_W, NO_CARRIER)
        seen = seen_in(found, terminal)
    state = session.state
    if state.usual_swr is None:
        state.usual_swr = usually(found.channel)
    state.as_is = Taken("as-is", True, *seen)
    high = too_high(seen, state.usual_swr)
    return Symptom.HIGH if high else _asked(terminal, state.usual_swr, high)


def _asked(terminal: Terminal, usual_swr: float, high: bool | None) -> Symptom | None:
    """What is wrong where the SWR is hardly (None) or not too high."""
    more = "hardly" if high is None else "no"
    terminal.say(
        f"That is {more} more than usual ({usual_swr:.2f}; if yours is lower, begin anew with"
        " --usual). What is wrong?"
    )
    choices = [None, Symptom.UPSTREAM, Symptom.WEAK, *([Symptom.HIGH] if high is None else [])]
    for number, symptom in enumerate(choices, 1):
        text = words.SYMPTOMS[symptom] if symptom else "nothing, at this moment"
        terminal.say(f"- {number}: {text}")
    numbers = [str(number + 1) for number in range(len(choices))]
    answer = ""
    while not answer:
        answer = word(terminal, f"1 to {numbers[-1]}:", numbers)
    return choices[int(answer) - 1]
