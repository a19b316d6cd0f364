"""`mismatchd isolate`: find the faulty part with the least work."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path

import click
import msgspec

from drivers.contract import EndOfInput
from logger.calibration.coupler import Coupler
from logger.cli.carriers import Carriers
from logger.cli.isolate_as_is import as_is
from logger.cli.isolate_guide import IsolationGuide
from logger.cli.isolate_setup import asked_state, how_far
from logger.cli.resume import resumed
from logger.cli.station import calibration_of, config_option, configuration, make_ready
from logger.cli.terminal import Stop, Terminal
from logger.errors import MismatchdError
from logger.isolate import instructions, words
from logger.isolate.chain import DEFAULT, KINDS, chain_of
from logger.isolate.session import IsolationSession, decode_state, encode_state
from logger.isolate.trials import NEEDS
from logger.isolate.usual import DAYS, UNKNOWN_SWR, usual_swr
from logger.store.journal import Journal
from logger.store.reader import Store
from logger.store.sessions import Sessions

KIND = "isolate"


@click.command("isolate")
@config_option
@click.option(
    "--chain",
    "typed",
    metavar="PART,PART,...",
    help=f"The parts from the transmitter to the antenna, of {', '.join(KINDS)}; `coupler` is ours."
    f" Begins anew. Default: {','.join(DEFAULT)}, and it is asked.",
)
@click.option(
    "--usual",
    type=click.FloatRange(1, 10),
    help="The highest SWR that is usual here with everything in order. Default: by the"
    f" transmissions of the last {DAYS} days, else {UNKNOWN_SWR:g}.",
)
@click.option(
    "--without",
    "lacking",
    multiple=True,
    type=click.Choice(NEEDS),
    metavar="THING",
    help=f"What is not at hand, of: {', '.join(NEEDS)}; may be repeated. It can also be said when"
    " asked for.",
)
@click.option("--new", "anew", is_flag=True, help="Begin anew, whatever was interrupted.")
@click.pass_context
def command(
    context: click.Context,
    config_path: Path | None,
    typed: str | None,
    usual: float | None,
    lacking: tuple[str, ...],
    anew: bool,
) -> int:
    """Find the faulty part by elimination, while the fault is there.

    Proposes the most informative trial for the time it takes (a dummy load here or there, a part
    left out or replaced, an ohmmeter, the far end open at low power, a look), reads the outcome
    from the coupler where it can and asks where it cannot, and lists the suspects and the parts
    that were tested and are sound, until one suspect is left, a repair has ended the trouble, or
    no trial tells more. The same command goes on where it was interrupted. It works beside the
    running daemon, and without one.
    """
    chain = None if typed is None else chain_of(typed)
    config = configuration(config_path or context.obj)
    coupler = Coupler(calibration_of(config), config.station.frequency_khz)
    terminal = Terminal()
    carriers = Carriers(config, coupler, terminal)
    make_ready(config, coupler)
    with Sessions.editor(config.store.path) as store:
        number, session, stored = None, None, Store(store.database)
        try:
            begin = anew or chain is not None
            before = None if begin else resumed(terminal, store, KIND, decode_state, how_far)
            if before is not None:
                number, session = before[0], IsolationSession(before[1])
            else:
                session = IsolationSession(asked_state(terminal, stored, chain, usual, lacking))
                number = store.begin(KIND, _now_ns(), encode_state(session.state))
            if session.state.symptom is None:
                as_is(terminal, carriers, session, partial(usual_swr, stored, _now_ns()))
                store.update(number, _now_ns(), encode_state(session.state))
            for _ in IsolationGuide(config, carriers, terminal).steps(session):
                store.update(number, _now_ns(), encode_state(session.state))
            _end(terminal, store, number, session)
        except (Stop, KeyboardInterrupt) as reason:
            terminal.say("")
            if number is None or session is None:
                terminal.say("stopped; nothing was saved")
            else:
                count = words.counted(len(session.state.taken))
                terminal.say(f"stopped: {count} kept; the same command continues.")
            return 0 if isinstance(reason, Stop) else 130
        except EndOfInput as error:
            raise MismatchdError(
                "the input has ended; what was tried is kept, and the same command goes on"
            ) from error
    return 0


def _end(terminal: Terminal, store: Sessions, number: int, session: IsolationSession) -> None:
    """Print the conclusion, offer a journal entry, end the session."""
    verdict, taken = session.verdict(), session.state.taken
    terminal.say("")
    for text in words.conclusion(verdict, bool(taken), session.cured):
        terminal.say(text)
    kind, text = _noted(terminal, words.journal(verdict, len(taken))) if taken else ("", "")
    if kind:
        Journal(store.database).insert(_now_ns(), kind, text)
        terminal.say(f"noted as {kind}")
    store.end(number, _now_ns(), encode_state(session.state))
    record = {
        "session": number,
        "found": None if verdict.found is None else verdict.found.title,
        "left": {part.title: round(odds, 3) for part, odds in verdict.left},
        "sound": [part.title for part in verdict.cleared],
        "several": round(verdict.several + verdict.elsewhere, 3),
        "trials": [
            {"trial": instructions.title(session.trial(each.key), session.chain), "bad": each.bad}
            for each in taken
        ],
    }
    click.echo(msgspec.json.encode(record).decode())


def _noted(terminal: Terminal, text: str) -> tuple[str, str]:
    """Ask for a journal entry; return kind and text, an empty kind for no entry."""
    terminal.say("")
    terminal.say(f"For the journal: {text}.")
    terminal.ask("Enter notes it; r: it is repaired, too; n: note nothing:")
    answer = (terminal.line(None) or "").lower()
    if answer in ("n", "no", "q"):
        return "", ""
    if answer not in ("r", "repair", "repaired"):
        return "remark", text
    terminal.ask("What was done:")
    done = " ".join((terminal.line(None) or "").split())
    return "repair", f"{text}; {done}" if done else text


def _now_ns() -> int:
    return time.time_ns() // 1000 * 1000
