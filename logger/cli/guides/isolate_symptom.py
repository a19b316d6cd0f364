"""First carrier of an isolation session, with everything connected: determines the symptom."""

from __future__ import annotations

from collections.abc import Callable

from logger.cli.guides.carriers import USUAL_W, Carriers, seen_in
from logger.cli.guides.isolate_setup import word
from logger.cli.guides.measure import Instead
from logger.cli.guides.terminal import Stop, Terminal
from logger.cli.numbers import positive
from logger.isolate import words
from logger.isolate.chain import Symptom
from logger.isolate.reading import too_high, too_low
from logger.isolate.session import IsolationSession, IsolationState, Taken
from logger.isolate.usual import UsualSwr
from logger.physics.reflection import HIGHEST_SWR

NO_CARRIER = {"n": "I key, and nothing arrives at the coupler"}
DAEMON = (
    "The daemon keeps running: it may raise alarms for these tests, and a notifier `inhibit` may"
    " cut the carrier off."
)


def as_is(
    terminal: Terminal,
    carriers: Carriers,
    session: IsolationSession,
    usually: Callable[[int | None], UsualSwr],
) -> None:
    """Determine the symptom and begin the session with it, unless nothing is wrong now.

    `usually` returns the usual SWR on a channel. Raises the exceptions of `Carriers.wait`.
    """
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
    session: IsolationSession,
    usually: Callable[[int | None], UsualSwr],
) -> Symptom | None:
    seen = None
    while seen is None:
        found = carriers.wait(USUAL_W, NO_CARRIER)
        seen = seen_in(found, terminal)
    state = session.state
    usual = usually(found.channel)
    if state.usual_swr is None:
        state.usual_swr = usual.highest
    state.lowest_usual_swr = usual.lowest
    state.as_is = Taken("as-is", True, *seen)
    high = too_high(seen, state.usual_swr)
    symptom = Symptom.HIGH if high else _asked(terminal, state, high, too_low(seen, usual.lowest))
    if symptom is Symptom.LOWER and usual.lowest is None:
        state.lowest_usual_swr = _asked_usual(terminal, seen.swr)
    return symptom


def _asked(
    terminal: Terminal, state: IsolationState, high: bool | None, low: bool
) -> Symptom | None:
    """Ask what is wrong when the SWR is not too high, or (`high` is None) only slightly."""
    if low:
        terminal.say(
            f"That is lower than usual ({state.lowest_usual_swr:.2f} or more). That is not always"
            " good: a dead detector and a wet line hide reflection. What is wrong?"
        )
    else:
        terminal.say(
            f"That is {'hardly' if high is None else 'no'} more than usual"
            f" ({state.usual_swr:.2f} or less; if yours is lower, start again with --usual)."
            " What is wrong?"
        )
    choices = [None, Symptom.UPSTREAM, Symptom.WEAK, Symptom.LOWER, Symptom.LESS]
    if high is None:
        choices.append(Symptom.HIGH)
    for number, symptom in enumerate(choices, 1):
        text = words.SYMPTOMS[symptom] if symptom else "nothing, at this moment"
        terminal.say(f"- {number}: {text}")
    numbers = [str(number + 1) for number in range(len(choices))]
    answer = ""
    while not answer:
        answer = word(terminal, f"1 to {numbers[-1]}:", numbers)
    return choices[int(answer) - 1]


def _asked_usual(terminal: Terminal, as_is: float) -> float:
    """Ask for the usual SWR, which must be above the present one. Raises Stop for q."""
    while True:
        terminal.ask(f"Which SWR does it usually show on this channel (above {as_is:.2f})?")
        typed = (terminal.line(None) or "").lower()
        if typed == "q":
            raise Stop
        value = positive(typed)
        if value is not None and as_is < value <= HIGHEST_SWR:
            return value
