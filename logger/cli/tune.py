"""`mismatchd tune`: adjust an antenna with advice after each reading."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

import click

from drivers.contract import EndOfInput
from logger.calibration.coupler import Coupler
from logger.cli.resume import resumed
from logger.cli.station import calibration_of, config_option, configuration, line_db, make_ready
from logger.cli.terminal import Stop, Terminal
from logger.cli.tune_guide import TuningGuide, confirm
from logger.cli.tune_setup import adjustment, position, whole_length
from logger.errors import MismatchdError
from logger.live.carrier import source_of
from logger.live.status import ask
from logger.store.sessions import Sessions
from logger.tune.session import TuningSession, TuningState, found, kept
from logger.tune.words import line, outcome

KIND = "tune"
KEPT = "kept; `mismatchd tune` continues from here"


@click.command("tune")
@config_option
@click.option(
    "--unit",
    type=click.Choice(["mm", "turns", "marks"]),
    help="Quantity adjusted: length of an element, turns of a ring, or numbered marks.",
)
@click.option("--at", type=float, metavar="N", help="Present setting.")
@click.option(
    "--longer",
    type=click.Choice(["more", "less"]),
    help="Whether more or less of it makes the antenna longer. Default for mm: more.",
)
@click.option(
    "--length",
    type=click.FloatRange(0, min_open=True),
    metavar="MM",
    help="The whole element, tip included; asked for otherwise.",
)
@click.option(
    "--travel", type=(float, float), metavar="N N", help="Lowest and highest possible setting."
)
@click.option("--cut", is_flag=True, help="Adjust by cutting: the element can only become shorter.")
@click.option(
    "--target",
    type=click.FloatRange(0.1, 3000),
    metavar="MHZ",
    help="Wanted resonant frequency. Default: the middle of the keyed channels.",
)
@click.option("--new", is_flag=True, help="Start a new session, even if one is unfinished.")
def command(
    config_path: Path | None,
    unit: str | None,
    at: float | None,
    longer: str | None,
    length: float | None,
    travel: tuple[float, float] | None,
    cut: bool,
    target: float | None,
    new: bool,
) -> int:
    """Adjust an antenna.

    Key a low, a middle and a high channel; each transmission is detected automatically. After each
    position the command reports the resonance with its uncertainty, whether the antenna is too long
    or too short and by how much, the next setting, and when to stop. An interrupted session is
    continued by the next call; a finished one is noted in the journal, included in `report` and
    drawn by `chart tuning`. Works with and without the running daemon.
    """
    config = configuration(config_path)
    coupler = Coupler(calibration_of(config), config.station.frequency_khz)
    terminal = Terminal()
    running = ask(config.store.path) is not None
    number: int | None = None
    make_ready(config, coupler)
    source_of(config, coupler, running=running).close()  # report a wrong port before any question
    with Sessions.editor(config.store.path) as store:
        try:
            before = None if new else resumed(terminal, store, KIND, found, _how_far)
            if before is None:
                what = adjustment(terminal, unit, longer, length, travel, cut)
                now_at = position(terminal, what, at)
                what = whole_length(terminal, what, now_at)
                session = TuningSession(
                    TuningState(what, target and 1e3 * target, line_db(config, target))
                )
                session.set(now_at)
            else:
                number, session = before[0], TuningSession(before[1])
            confirm(terminal, beside_daemon=running)
            if number is None:
                number = store.begin(KIND, time.time_ns(), kept(session.state))
            place = number

            def keep() -> None:
                store.update(place, time.time_ns(), kept(session.state))

            with closing(source_of(config, coupler, running=running)) as source:
                TuningGuide(terminal, source, session, config.station, keep).run()
        except (Stop, KeyboardInterrupt) as reason:
            terminal.say("")
            terminal.say("stopped; nothing was saved" if number is None else f"stopped; {KEPT}")
            return 0 if isinstance(reason, Stop) else 130
        except EndOfInput as error:
            raise MismatchdError(f"the input ended; readings are {KEPT}") from error
        _finish(terminal, store, number, session)
    return 0


def _how_far(state: TuningState) -> str:
    return "; ".join(line(state.adjustment, one) for one in state.positions)


def _finish(terminal: Terminal, store: Sessions, number: int, session: TuningSession) -> None:
    """End the session; if anything was moved, add a journal entry."""
    state, words = session.state, None
    if state.read:
        words = outcome(state)
    moved = len({one.setting for one in state.read}) > 1
    store.end(number, time.time_ns(), kept(state), words if moved else None)
    terminal.say("")
    if words is None:
        terminal.say("nothing was read; session closed")
    else:
        terminal.say(f"{'In the journal' if moved else 'Read'}: {words}.")
        terminal.say("`mismatchd chart tuning -o FILE` draws it; `mismatchd report` includes it.")
    click.echo(kept(state).decode())
