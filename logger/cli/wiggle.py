"""`mismatchd wiggle`: find the loose joint by moving one after another under a steady carrier."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

import click
import msgspec

from drivers.contract import EndOfInput
from logger.calibration.coupler import Coupler
from logger.cautions import WIGGLE, before_keying
from logger.cli.resume import resumed
from logger.cli.station import calibration_of, config_option, configuration, make_ready
from logger.cli.terminal import Stop, Terminal
from logger.errors import MismatchdError, UsageError
from logger.live.carrier import CarrierSource, source_of
from logger.live.status import ask
from logger.store.sessions import Sessions
from logger.wiggle.session import (
    KEY_DOWN_S,
    LEAST_KEY_DOWN_S,
    MOST_KEY_DOWN_S,
    WiggleSession,
    WiggleState,
    found,
    fresh,
    kept,
)
from logger.wiggle.words import JOINTS, forms, next_step, remark, result

KIND = "wiggle"
CONTINUE = "`mismatchd wiggle` continues this session"
SILENCE_S = 10.0


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
def command(joints: tuple[str, ...], config_path: Path | None, key_down_s: float) -> int:
    """Find a loose joint.

    Name the JOINTs in the order in which you will move them. While you move one after another under
    a steady carrier of low power, the command counts departures of the reflection, rings at each,
    and compares the counts with those of the other joints and of the time with hands off. Enter
    goes to the next joint, `b` repeats the last one, `q` stops; an interrupted session is continued
    by the next call. Works with and without the running daemon. Prints the ranking as JSON.
    """
    config = configuration(config_path)
    coupler = Coupler(calibration_of(config), config.station.frequency_khz)
    terminal = Terminal()
    names = [" ".join(name.split()) for name in joints or JOINTS]
    if not all(names) or len(set(names)) < len(names):
        raise UsageError("each joint needs a name of its own")
    running = ask(config.store.path) is not None
    make_ready(config, coupler)
    source_of(config, coupler, running=running).close()  # report a wrong port before any question
    with Sessions.editor(config.store.path) as sessions:
        number = None
        try:
            for text in before_keying(WIGGLE):
                terminal.say(text)
            if running:
                terminal.say("The daemon keeps running and may raise alarms for what you find.")
            before = resumed(terminal, sessions, KIND, found, _how_far)
            if before is None:
                session = WiggleSession(fresh(names), key_down_s)
                number = sessions.begin(KIND, time.time_ns(), kept(session.state))
            else:
                number, session = before[0], WiggleSession(before[1], key_down_s)
            with closing(source_of(config, coupler, running=running)) as source:
                while not session.over:
                    terminal.say(next_step(session))
                    _listen(terminal, source, session, key_down_s)
                    sessions.update(number, time.time_ns(), kept(session.state))
        except (Stop, KeyboardInterrupt) as reason:
            terminal.say("")
            terminal.say("stopped" if number is None else f"stopped; {CONTINUE}")
            return 0 if isinstance(reason, Stop) else 130
        except EndOfInput as error:
            raise MismatchdError(f"the input ended; {CONTINUE}") from error
        terminal.say("Release the key.")
        terminal.say("")
        sessions.end(
            number, time.time_ns(), kept(session.state), words=remark(session), kind="remark"
        )
    for text in result(session):
        terminal.say(text)
    click.echo(msgspec.json.encode(_ranking(session)).decode())
    return 0


def _how_far(state: WiggleState) -> str:
    return f"{state.at} of {len(state.joints)} joints moved"


def _listen(
    terminal: Terminal, source: CarrierSource, session: WiggleSession, key_down_s: float
) -> None:
    """Process readings until the user continues. Raises Stop, EndOfInput, MismatchdError."""
    heard_s, warned = time.monotonic(), False
    while True:
        typed = terminal.line(0.0)
        if typed is not None:
            if typed.lower() == "q":
                raise Stop
            session.again() if typed.lower() == "b" else session.go_on()
            return
        for reading in source.readings():
            heard_s = time.monotonic()
            told = session.take(reading)
            if told.began:
                terminal.ring()
            if told.too_long and not warned:
                terminal.ring()
                terminal.say(f"Release the key: {key_down_s:g} s is the limit. Not counted.")
            warned = told.too_long
            terminal.draw(*forms(session, reading, key_down_s))
        for notice in source.notices():
            terminal.say(notice)
        if time.monotonic() - heard_s > SILENCE_S:
            raise MismatchdError(
                f"nothing has come for {SILENCE_S:g} s; look at the bridge's plug, and at"
                " `mismatchd status`; `mismatchd wiggle` continues this session"
            )


def _ranking(session: WiggleSession) -> dict[str, object]:
    quiet = session.state.hands_off.tally()
    return {
        "joints": [
            {
                "name": one.tally.name,
                "excursions": one.tally.excursions,
                "seconds": round(one.tally.seconds, 1),
                "confidence": round(one.confidence, 4),
                "loose": one.named,
            }
            for one in session.ranking()
        ],
        "hands_off": {"excursions": quiet.excursions, "seconds": round(quiet.seconds, 1)},
    }
