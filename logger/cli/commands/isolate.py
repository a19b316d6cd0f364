"""`mismatchd isolate`: find the faulty part with the least work."""

from __future__ import annotations

import time
from pathlib import Path

import click

from logger.cli.guides.carriers import Carriers
from logger.cli.guides.isolate import IsolationGuide
from logger.cli.guides.isolate_setup import ask_state
from logger.cli.guides.isolate_symptom import find_symptom
from logger.cli.guides.session import offer_resume, print_result, reserve, result_option, stoppable
from logger.cli.guides.terminal import Terminal
from logger.cli.station import config_option, configuration, make_ready
from logger.isolate import instructions, words
from logger.isolate.chain import DEFAULT, KINDS, parse_chain
from logger.isolate.session import KIND, IsolationSession, restore
from logger.isolate.trials import NEEDS
from logger.isolate.usual import DAYS, UNKNOWN_SWR, UsualSwr, usual_swr
from logger.live.carrier import Carrier
from logger.store.reader import Store
from logger.store.work_session import WorkSession


@click.command("isolate")
@config_option
@click.option(
    "--chain",
    "typed",
    metavar="PART,PART,...",
    help=f"Parts in order from the transmitter to the antenna, chosen from {', '.join(KINDS)}."
    f" Starts a new session. Default: a prompt, which proposes {','.join(DEFAULT)}.",
)
@click.option(
    "--usual",
    type=click.FloatRange(1, 10),
    help="Highest SWR of the station when sound. Default: from the transmissions of the last"
    f" {DAYS} days, else {UNKNOWN_SWR:g}.",
)
@click.option(
    "--without",
    "lacking",
    multiple=True,
    type=click.Choice(NEEDS),
    metavar="THING",
    help=f"Equipment that is not available, one of {', '.join(NEEDS)}; may be repeated. x at"
    " the prompt of a trial does the same.",
)
@click.option("--new", "anew", is_flag=True, help="Start a new session, even if one is unfinished.")
@result_option
@click.pass_context
def command(
    context: click.Context,
    config_path: Path | None,
    typed: str | None,
    usual: float | None,
    lacking: tuple[str, ...],
    anew: bool,
    form: str | None,
) -> None:
    """Find the faulty part by elimination, while the fault is there.

    Proposes the most informative trial for the time it takes (a dummy load after some part, a part
    left out or replaced, an ohmmeter, the far end open at low power, an inspection), reads the
    outcome from the coupler where it can and asks where it cannot, and lists the suspects and the
    parts that were tested and are sound, until one suspect is left, a repair has ended the
    trouble, or no further trial helps. The next run resumes an interrupted session. Works whether
    or not the daemon is running.
    """
    chain = None if typed is None else parse_chain(typed)
    config = configuration(config_path or context.obj)
    path = config.store.path
    terminal = Terminal()
    carriers = Carriers(config, terminal)
    make_ready(config, carriers.coupler)
    work = reserve(WorkSession(path, KIND, restore, _now_ns))

    def stopped() -> str:
        if work.session is None:
            return "stopped; nothing was saved"
        count = words.count_trials(len(work.session.state.outcomes))
        return f"stopped: {count} kept; the same command continues."

    def usual_on(carrier: Carrier) -> UsualSwr:
        with Store.reader(path) as store:
            return usual_swr(
                store, _now_ns(), carrier.channel, carrier.frequency_khz, carrier.antenna
            )

    with stoppable(
        terminal,
        stopped,
        lambda: "the input ended; trials are kept, and the same command continues",
    ):
        if not anew and chain is None:
            offer_resume(terminal, work, words.progress)
        session = work.session or work.begin(
            IsolationSession(ask_state(terminal, path, chain, usual, lacking))
        )
        if session.state.symptom is None:
            find_symptom(terminal, carriers, session, usual_on)
            work.save()
        for _ in IsolationGuide(config, carriers, terminal).steps(session):
            work.save()
        print_result(_conclude(terminal, work, session), form)


def _conclude(
    terminal: Terminal, work: WorkSession[IsolationSession], session: IsolationSession
) -> dict[str, object]:
    """Print the conclusion, offer a journal entry, end the session; return the result."""
    verdict, outcomes = session.verdict(), session.state.outcomes
    terminal.say("")
    for line in words.conclusion(verdict, bool(outcomes), session.cured):
        terminal.say(line)
    text, kind = None, ""
    if outcomes:
        text, kind = _ask_entry(terminal, words.journal(verdict, len(outcomes)))
    work.end(text, kind)
    if text is not None:
        terminal.say(f"noted as {kind}")
    return {
        "session": work.id,
        "found": None if verdict.faulty is None else verdict.faulty.title,
        "left": {part.title: round(odds, 3) for part, odds in verdict.suspects},
        "sound": [part.title for part in verdict.cleared],
        "several": round(verdict.several + verdict.elsewhere, 3),
        "trials": [
            {
                "trial": instructions.title(session.trial(outcome.key), session.chain),
                "bad": outcome.bad,
            }
            for outcome in outcomes
        ],
    }


def _ask_entry(terminal: Terminal, text: str) -> tuple[str | None, str]:
    """Ask for a journal entry; return its text, None for no entry, and its kind."""
    terminal.say("")
    terminal.say(f"For the journal: {text}.")
    terminal.ask("Enter: note it; r: note it as a repair; n: note nothing:")
    answer = (terminal.line(None) or "").lower()
    if answer in ("n", "no", "q"):
        return None, ""
    if answer not in ("r", "repair", "repaired"):
        return text, "remark"
    terminal.ask("What was done:")
    repair = " ".join((terminal.line(None) or "").split())
    return f"{text}; {repair}" if repair else text, "repair"


def _now_ns() -> int:
    return time.time_ns() // 1000 * 1000
