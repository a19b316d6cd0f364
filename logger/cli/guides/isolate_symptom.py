"""First carrier of an isolation session, with everything connected: determines the symptom."""

from __future__ import annotations

from collections.abc import Callable

from logger.cli.guides.carriers import USUAL_W, Carriers, Instead, report_swr
from logger.cli.guides.isolate_setup import ask_word
from logger.cli.guides.terminal import Terminal
from logger.cli.numbers import positive
from logger.isolate import words
from logger.isolate.chain import Symptom
from logger.isolate.reading import too_high, too_low
from logger.isolate.session import IsolationSession, IsolationState, TrialOutcome
from logger.isolate.usual import UsualSwr
from logger.live.carrier import Carrier
from logger.physics.reflection import HIGHEST_SWR

NO_CARRIER = {"n": "no power reaches the coupler when I key"}
DAEMON = (
    "The daemon keeps running: it may raise alarms for these tests, and a notifier `inhibit` may"
    " cut the carrier off."
)


def find_symptom(
    terminal: Terminal,
    carriers: Carriers,
    session: IsolationSession,
    usual_on: Callable[[Carrier], UsualSwr],
) -> None:
    """Determine the symptom and begin the session with it, unless nothing is wrong now.

    `usual_on` returns the usual SWR where a carrier was. Raises the exceptions of `Carriers.wait`.
    """
    terminal.say("")
    terminal.say(
        "First read the present state, with everything connected as usual. Stay on this channel"
        " throughout."
    )
    if carriers.of_daemon:
        terminal.say(DAEMON)
    try:
        symptom = _measure(terminal, carriers, session.state, usual_on)
    except Instead:
        symptom = Symptom.NONE
    if symptom is None:
        terminal.say(f"The fault comes and goes. {words.WIGGLE_NOW}")
        return
    session.begin(symptom)
    terminal.say(f"Symptom: {words.SYMPTOMS[symptom]}.")


def _measure(
    terminal: Terminal,
    carriers: Carriers,
    state: IsolationState,
    usual_on: Callable[[Carrier], UsualSwr],
) -> Symptom | None:
    swr = None
    while swr is None:
        carrier = carriers.wait(USUAL_W, NO_CARRIER)
        swr = report_swr(carrier, terminal)
    usual = usual_on(carrier)
    if state.usual_swr is None:
        state.usual_swr = usual.highest
    state.lowest_usual_swr = usual.lowest
    state.as_is = TrialOutcome("as-is", True, *swr)
    is_high = too_high(swr, state.usual_swr)
    if is_high:
        return Symptom.HIGH
    symptom = _ask_symptom(terminal, state, is_high, too_low(swr, usual.lowest))
    if symptom is Symptom.LOWER and usual.lowest is None:
        state.lowest_usual_swr = _ask_usual_swr(terminal, swr.swr)
    return symptom


def _ask_symptom(
    terminal: Terminal, state: IsolationState, is_high: bool | None, is_low: bool
) -> Symptom | None:
    """Ask what is wrong when the SWR is not too high, or (`is_high` is None) only slightly."""
    if is_low:
        terminal.say(
            f"That is lower than usual (usual: {state.lowest_usual_swr:.2f} or more). That is not"
            " always good: a dead detector and a wet line hide reflection. What is wrong?"
        )
    else:
        terminal.say(
            f"That is {'only slightly' if is_high is None else 'no'} more than usual (usual:"
            f" {state.usual_swr:.2f} or less; if yours is lower, start again with --usual). What is"
            " wrong?"
        )
    choices = [None, Symptom.UPSTREAM, Symptom.WEAK, Symptom.LOWER, Symptom.LESS]
    if is_high is None:
        choices.append(Symptom.HIGH)
    for number, symptom in enumerate(choices, 1):
        text = words.SYMPTOMS[symptom] if symptom else "nothing at the moment"
        terminal.say(f"- {number}: {text}")
    numbers = [str(number + 1) for number in range(len(choices))]
    answer = ""
    while not answer:
        answer = ask_word(terminal, f"1 to {numbers[-1]}:", numbers)
    return choices[int(answer) - 1]


def _ask_usual_swr(terminal: Terminal, present: float) -> float:
    """Ask for the usual SWR, which must be above the present one. Raises Stop for q."""
    question = f"What SWR is usual on this channel? (a number above {present:.2f})"
    while True:
        usual = positive(terminal.answer(question))
        if usual is not None and present < usual <= HIGHEST_SWR:
            return usual
