"""First carrier of an isolation session, with everything connected: determines the symptom."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from logger.cli.guides.carriers import Carriers, Instead, report_swr
from logger.cli.guides.isolate_setup import ask_word
from logger.cli.guides.terminal import Terminal
from logger.isolate import words
from logger.isolate.chain import Symptom
from logger.isolate.session import IsolationSession, IsolationState
from logger.isolate.symptom import question, record
from logger.isolate.usual import UsualSwr
from logger.live.carrier import Carrier
from logger.live.key_down import USUAL_W
from logger.physics.reflection import HIGHEST_SWR
from logger.wording import parse_positive

NO_CARRIER = {"n": words.NO_CARRIER}


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
    terminal.say(words.FIRST)
    if carriers.of_daemon:
        terminal.say(words.DAEMON)
    try:
        symptom = _measure(terminal, carriers, session.state, usual_on)
    except Instead:
        symptom = Symptom.NONE
    if symptom is None:
        terminal.say(words.COMES_AND_GOES)
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
    first = record(state, swr, usual)
    if first.symptom is not None:
        return first.symptom
    symptom = _ask_symptom(terminal, question(state, first), first.offered)
    if symptom is Symptom.LOWER and usual.lowest is None:
        state.lowest_usual_swr = _ask_usual_swr(terminal, swr.swr)
    return symptom


def _ask_symptom(
    terminal: Terminal, text: str, choices: Sequence[Symptom | None]
) -> Symptom | None:
    """Ask what is wrong when the SWR is not too high, or only slightly."""
    terminal.say(text)
    for number, symptom in enumerate(choices, 1):
        terminal.say(f"- {number}: {words.SYMPTOMS[symptom] if symptom else words.NOTHING_NOW}")
    numbers = [str(number + 1) for number in range(len(choices))]
    answer = ""
    while not answer:
        answer = ask_word(terminal, f"1 to {numbers[-1]}:", numbers)
    return choices[int(answer) - 1]


def _ask_usual_swr(terminal: Terminal, present: float) -> float:
    """Ask for the usual SWR, which must be above the present one. Raises Stop for q."""
    question = f"What SWR is usual on this channel? (a number above {present:.2f})"
    while True:
        usual = parse_positive(terminal.answer(question))
        if usual is not None and present < usual <= HIGHEST_SWR:
            return usual
