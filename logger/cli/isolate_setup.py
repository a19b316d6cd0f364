"""Start of an isolation session: progress of an interrupted one, questions for a new one."""

from __future__ import annotations

from collections.abc import Sequence

from logger.cli.terminal import Stop, Terminal
from logger.errors import UsageError
from logger.isolate.chain import DEFAULT, KINDS, Chain, chain_of
from logger.isolate.hints import newest
from logger.isolate.session import IsolationState
from logger.isolate.trials import OHMMETER
from logger.isolate.words import GENERAL, chain_line, counted
from logger.store.reader import Store


def how_far(state: IsolationState) -> str:
    """Return the progress of an interrupted session. Raises UsageError if it has unknown parts."""
    return f"{counted(len(state.taken))}, {chain_line(Chain(state.chain))}"


def asked_state(
    terminal: Terminal,
    store: Store,
    chain: Chain | None,
    usual: float | None,
    lacking: Sequence[str],
) -> IsolationState:
    """Return the state of a new session, after asking for the parts. Raises Stop."""
    for text in (*GENERAL, ""):
        terminal.say(text)
    if chain is None:
        chain = _asked_chain(terminal)
    direct_current = "unknown"
    if OHMMETER not in lacking and "tuner" not in chain.names[chain.coupler :]:
        terminal.say(
            "To an ohmmeter, is the sound antenna closed, pin to sleeve (a coil or a loop at its"
            " feed), or open (two bare wires)?"
        )
        answer = word(terminal, "closed, open, or Enter if you do not know:", ("closed", "open"))
        direct_current = answer or direct_current
    hint = newest(store)
    if hint is not None:
        terminal.say(f"Alarm {hint.alarm} counts for a little: by it, {hint.title}.")
    return IsolationState(
        chain=chain.names,
        direct_current=direct_current,
        usual_swr=usual,
        lacking=list(lacking),
        weights={} if hint is None else hint.weights,
    )


def word(terminal: Terminal, prompt: str, allowed: Sequence[str]) -> str:
    """Ask until the answer is an allowed word, or empty. Raises Stop for q."""
    while True:
        terminal.ask(prompt)
        answer = (terminal.line(None) or "").lower()
        if answer == "q":
            raise Stop
        if answer == "" or answer in allowed:
            return answer
        known = [each for each in allowed if each]
        terminal.say(f"{answer!r} is none of: {', '.join(known)}, q")


def _asked_chain(terminal: Terminal) -> Chain:
    chain = Chain(DEFAULT)
    terminal.say(f"From the transmitter to the antenna: {chain_line(chain)}.")
    terminal.say(f"Other parts are: {', '.join(name for name in KINDS if name not in DEFAULT)}.")
    while True:
        terminal.ask("Enter if that is it, else type the parts in order:")
        typed = terminal.line(None) or ""
        if typed.lower() == "q":
            raise Stop
        try:
            chain = chain_of(typed) if typed else chain
        except UsageError as error:
            terminal.say(str(error))
        else:
            if typed:
                terminal.say(f"So: {chain_line(chain)}.")
            return chain
