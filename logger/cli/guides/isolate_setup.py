"""Questions at the start of an isolation session."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from logger.cli.guides.terminal import Terminal
from logger.errors import UsageError
from logger.isolate.chain import DEFAULT, KINDS, Chain, parse_chain
from logger.isolate.hints import newest
from logger.isolate.session import IsolationState
from logger.isolate.trials import OHMMETER
from logger.isolate.words import GENERAL, chain_line
from logger.store.reader import Store


def ask_state(
    terminal: Terminal,
    path: Path,
    chain: Chain | None,
    usual: float | None,
    lacking: Sequence[str],
) -> IsolationState:
    """Return the state of a new session, after asking for the parts. Raises Stop.

    `path` is that of the store, whose newest alarm gives a hint.
    """
    for text in (*GENERAL, ""):
        terminal.say(text)
    chain = chain or _ask_chain(terminal)
    direct_current = "unknown"
    if OHMMETER not in lacking and "tuner" not in chain.names[chain.coupler :]:
        terminal.say(
            "When the antenna is in good order, does an ohmmeter at its feed show it closed from"
            " pin to sleeve (a coil or a loop) or open (two bare wires)?"
        )
        prompt = "closed, open, or Enter if you do not know:"
        direct_current = ask_word(terminal, prompt, ("closed", "open")) or direct_current
    with Store.reader(path) as store:
        hint = newest(store)
    if hint is not None:
        terminal.say(f"Alarm {hint.alarm} weakly suggests {hint.title}.")
    return IsolationState(
        chain=chain.names,
        direct_current=direct_current,
        usual_swr=usual,
        lacking=list(lacking),
        weights={} if hint is None else hint.weights,
    )


def ask_word(terminal: Terminal, prompt: str, allowed: Sequence[str]) -> str:
    """Ask until the answer is an allowed word, or empty. Raises Stop for q."""
    while True:
        answer = terminal.answer(prompt).lower()
        if answer == "" or answer in allowed:
            return answer
        terminal.say(
            f"{answer!r} is not a valid answer; give {', '.join(filter(None, allowed))} or q"
        )


def _ask_chain(terminal: Terminal) -> Chain:
    chain = Chain(DEFAULT)
    terminal.say(f"From the transmitter to the antenna: {chain_line(chain)}.")
    terminal.say(f"Other parts are: {', '.join(name for name in KINDS if name not in DEFAULT)}.")
    while names := terminal.answer("Enter to accept, or type the parts in order:"):
        try:
            chain = parse_chain(names)
        except UsageError as error:
            terminal.say(str(error))
        else:
            terminal.say(f"The parts are: {chain_line(chain)}.")
            break
    return chain
