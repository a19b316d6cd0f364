"""`mismatchd tune`: adjust an antenna with advice after each reading."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import click

from logger.cautions import TUNE, before_keying
from logger.cli.guides.carriers import Carriers
from logger.cli.guides.session import (
    confirm,
    offer_resume,
    print_result,
    reserve,
    result_option,
    stoppable,
)
from logger.cli.guides.terminal import Terminal
from logger.cli.guides.tune import TuningGuide
from logger.cli.guides.tune_setup import TuneOptions, ask_adjustment
from logger.cli.station import config_option, configuration, line_db, make_ready
from logger.config.load import Config
from logger.store.work_session import WorkSession
from logger.tune.positions import UNITS
from logger.tune.session import KIND, TuningSession, TuningState, restore
from logger.tune.words import outcome, progress

SAVED = "readings are kept; `mismatchd tune` continues from here"
DAEMON = (
    "The daemon keeps running: it may raise high-swr for this, and a notifier `inhibit` may cut the"
    " carrier off."
)


@click.command("tune")
@config_option
@click.option(
    "--unit",
    type=click.Choice(UNITS),
    help="Quantity adjusted: length of an element, turns of a ring, or numbered marks.",
)
@click.option("--at", type=float, metavar="N", help="Present setting.")
@click.option(
    "--longer",
    type=click.Choice(["more", "less"]),
    help="Direction that makes the antenna longer. Default for mm: more.",
)
@click.option(
    "--length",
    type=click.FloatRange(0, min_open=True),
    metavar="MM",
    help="Length of the whole element, tip included. Default: a prompt.",
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
@result_option
def command(config_path: Path | None, new: bool, form: str | None, **options: Any) -> None:
    """Adjust an antenna.

    Key a low, a middle and a high channel; each transmission is detected automatically. After each
    position the command reports the resonance with its uncertainty, whether the antenna is too long
    or too short and by how much, the next setting, and when to stop. The next run
    resumes an interrupted session; a finished one is noted in the journal, included in `report` and
    drawn by `chart tuning`. Works whether or not the daemon is running.
    """
    config = configuration(config_path)
    terminal = Terminal()
    carriers = Carriers(config, terminal)
    make_ready(config, carriers.coupler)
    work = reserve(WorkSession(config.store.path, KIND, restore, time.time_ns))
    with stoppable(
        terminal,
        lambda: f"stopped; {SAVED if work.session else 'nothing was saved'}",
        lambda: f"the input ended; {SAVED}",
    ):
        if not new:
            offer_resume(terminal, work, progress)
        session = work.session or _new_session(terminal, config, TuneOptions(**options))
        confirm(
            terminal,
            [*before_keying(TUNE), *([DAEMON] if carriers.of_daemon else [])],
            "Is all of this understood? (yes or no):",
        )
        if work.session is None:
            work.begin(session)
        with carriers.source() as source:
            TuningGuide(terminal, source, session, config.station, work.save).run()
    state = session.state
    text = outcome(state) if state.read else None
    work.end(text if state.has_moved else None)
    terminal.say("")
    if text is None:
        terminal.say("nothing was read; session closed")
    else:
        terminal.say(f"{'In the journal' if state.has_moved else 'Read'}: {text}.")
        terminal.say("`mismatchd chart tuning -o FILE` draws it; `mismatchd report` includes it.")
    print_result(state, form)


def _new_session(terminal: Terminal, config: Config, options: TuneOptions) -> TuningSession:
    adjustment, present = ask_adjustment(terminal, options)
    target_khz = options.target and 1e3 * options.target
    session = TuningSession(TuningState(adjustment, target_khz, line_db(config, options.target)))
    session.set(present)
    return session
