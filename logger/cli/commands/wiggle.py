"""`mismatchd wiggle`: find the loose joint by moving one after another under a steady carrier."""

from __future__ import annotations

import time
from pathlib import Path

import click

from logger.cautions import WIGGLE, before_keying
from logger.cli.guides.carriers import SILENCE_S, Carriers, SilenceError
from logger.cli.guides.session import offer_resume, print_result, reserve, result_option, stoppable
from logger.cli.guides.terminal import Stop, Terminal
from logger.cli.station import config_option, configuration, make_ready
from logger.errors import UsageError
from logger.live.carrier import CarrierSource
from logger.store.work_session import WorkSession
from logger.wiggle.session import (
    KEY_DOWN_S,
    KIND,
    LEAST_KEY_DOWN_S,
    MOST_KEY_DOWN_S,
    WiggleSession,
    new_state,
    restore,
)
from logger.wiggle.words import JOINTS, forms, next_step, progress, remark, result

CONTINUE = "`mismatchd wiggle` continues this session"


@click.command("wiggle")
@click.argument("joints", nargs=-1, metavar="[JOINT]...")
@config_option
@click.option(
    "--key-down",
    "key_down_s",
    type=click.FloatRange(LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S),
    default=KEY_DOWN_S,
    show_default=True,
    metavar="S",
    help="Longest key-down, in seconds.",
)
@result_option
def command(
    joints: tuple[str, ...], config_path: Path | None, key_down_s: float, form: str | None
) -> None:
    """Find a loose joint.

    Name the JOINTs in the order in which you will move them. While you move one after another under
    a steady carrier of low power, the command counts excursions (short departures of the
    reflection), rings the bell at each, and compares the joints with each other and with the time
    with hands off. Enter goes to the next joint, `b` repeats the last one, `q` stops; the next run
    resumes an interrupted session. Works whether or not the daemon is running.
    """
    config = configuration(config_path)
    terminal = Terminal()
    names = [" ".join(name.split()) for name in joints or JOINTS]
    if not all(names) or len(set(names)) < len(names):
        raise UsageError("joint names must be unique and not empty")
    carriers = Carriers(config, terminal)
    make_ready(config, carriers.coupler)
    work = reserve(WorkSession(config.store.path, KIND, restore, time.time_ns))
    with stoppable(
        terminal,
        lambda: f"stopped; {CONTINUE}" if work.session else "stopped",
        lambda: f"the input ended; {CONTINUE}",
    ):
        for text in before_keying(WIGGLE):
            terminal.say(text)
        if carriers.of_daemon:
            terminal.say("The daemon keeps running and may raise alarms for what you find.")
        offer_resume(terminal, work, progress)
        session = work.session or work.begin(WiggleSession(new_state(names)))
        session.limit_s = key_down_s
        with carriers.source() as source:
            while not session.is_over:
                terminal.say(next_step(session))
                _listen(terminal, source, session)
                work.save()
    terminal.say("Release the key.")
    terminal.say("")
    work.end(remark(session), "remark")
    for text in result(session):
        terminal.say(text)
    print_result(_ranking(session), form)


def _listen(terminal: Terminal, source: CarrierSource, session: WiggleSession) -> None:
    """Process readings until the user continues. Raises Stop, EndOfInput, MismatchdError."""
    latest_s, is_warned = time.monotonic(), False
    while True:
        line = terminal.line(0.0)
        if line is not None:
            if line.lower() == "q":
                raise Stop
            session.again() if line.lower() == "b" else session.go_on()
            return
        for reading in source.readings():
            latest_s = time.monotonic()
            outcome = session.take(reading)
            if outcome.began:
                terminal.ring()
            if outcome.too_long and not is_warned:
                terminal.ring()
                terminal.say(f"Release the key: {session.limit_s:g} s is the limit. Not counted.")
            is_warned = outcome.too_long
            terminal.draw(*forms(session, reading))
        for notice in source.notices():
            terminal.say(notice)
        if time.monotonic() - latest_s > SILENCE_S:
            raise SilenceError(f"; {CONTINUE}")


def _ranking(session: WiggleSession) -> dict[str, object]:
    quiet = session.state.hands_off.tally()
    return {
        "joints": [
            {
                "name": joint.tally.name,
                "excursions": joint.tally.excursions,
                "seconds": round(joint.tally.seconds, 1),
                "confidence": round(joint.confidence, 4),
                "loose": joint.named,
            }
            for joint in session.ranking()
        ],
        "hands_off": {"excursions": quiet.excursions, "seconds": round(quiet.seconds, 1)},
    }
