"""`mismatchd verify`: check the coupler against the dummy load of its calibration."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import click

from logger.cautions import VERIFY, before_keying
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
from logger.cli.guides.verify import VerificationGuide
from logger.cli.station import config_option, configuration, make_ready
from logger.config.load import Config
from logger.store.reader import Store
from logger.store.tables import VERIFICATIONS
from logger.store.verifications import Verifications
from logger.store.work_session import WorkSession
from logger.utc import DAY_NS, format_ns
from logger.verification import words
from logger.verification.session import (
    KIND,
    VerificationSession,
    VerificationState,
    progress,
    restore,
)

SAVED = "readings are kept; `mismatchd verify` continues from here"
DAEMON = (
    "The daemon keeps running: an open end raises high-swr and opens a fault, which the next sound"
    " transmission closes, and a notifier `inhibit` may cut the carrier off. The check does not"
    " count in the channel's daily values."
)


@click.command("verify")
@config_option
@result_option
def command(config_path: Path | None, form: str | None) -> None:
    """Check the coupler against its dummy load.

    Once a month, key ten seconds into the dummy load of the calibration, in place of the line; if
    you have one, read a reference meter. Where the transmitter permits it, key an open end at low
    power: the load alone does not show a small drift of the reflected port. Readings are compared
    with what the calibration predicts, and with earlier checks by control charts. The verdict is
    fine, drifting (which port, by how much, since when) or recalibrate. It is stored (`export
    verifications`), noted in the journal, drawn by `chart verifications`, and used by `report` to
    tell a change of the feedline from one of the coupler. The next run resumes an interrupted
    check. Works whether or not the daemon is running.
    """
    config = configuration(config_path)
    terminal = Terminal()
    carriers = Carriers(config, terminal)
    make_ready(config, carriers.coupler)
    work = reserve(WorkSession(config.store.path, KIND, restore, time.time_ns))
    print_result(_verify(config, terminal, carriers, work), form)


def _verify(
    config: Config, terminal: Terminal, carriers: Carriers, work: WorkSession[VerificationSession]
) -> dict[str, Any]:
    """Lead through the check; return the exported columns of its row."""
    coupler, path = carriers.coupler, config.store.path
    with stoppable(
        terminal,
        lambda: f"stopped; {SAVED if work.session else 'nothing was saved'}",
        lambda: f"the input ended; {SAVED if work.session else 'nothing was saved'}",
    ):
        offer_resume(terminal, work, progress)
        session = work.session or VerificationSession(VerificationState())
        if session.state.load is None:
            confirm(
                terminal,
                [*before_keying(VERIFY), *([DAEMON] if carriers.of_daemon else [])],
                "Is the dummy load connected? (yes or no):",
            )
        if work.session is None:
            work.begin(session)
        VerificationGuide(terminal, carriers, session, work.save, config.station).run()
    assert session.state.load is not None
    with Verifications.editor(path) as store:
        spread_db = store.transmitter_db(session.state.load.channel, time.time_ns())
        new = session.result(coupler, spread_db)
        number, history, judgement = store.conclude(new)
        (record,) = Store(store.database).select(VERIFICATIONS, "r.id = ?", number)
    work.end()
    terminal.say("")
    for text in (*words.figures(history), *words.verdict(judgement)):
        terminal.say(text)
    if new.open_db is None:
        terminal.say(words.without_open(history))
    terminal.say("Put the line back on, unkeyed, and see that the SWR is as before.")
    due = format_ns(new.time_ns + config.calibration.verify_every_days * DAY_NS)[:10]
    terminal.say(f"The next check is due on {due}. `mismatchd chart verifications` draws them.")
    return dict(record.columns)
