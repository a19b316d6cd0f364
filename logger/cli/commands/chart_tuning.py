"""`mismatchd chart tuning`: draw a tuning session."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from logger.cli.station import config_option, configuration, output_option
from logger.errors import StoreError, UsageError


@click.command("tuning")
@config_option
@output_option("Chart to write: .png, .svg or .pdf.")
@click.option(
    "--session", "number", type=int, metavar="ID", help="Session to draw. Default: the last one."
)
def command(config_path: Path | None, output: Path, number: int | None) -> None:
    """Draw SWR against frequency for a tuning session.

    One curve for each position, with the antenna that explains them.
    """
    config = configuration(config_path)
    from logger.charts.sheet import check_suffix, save
    from logger.charts.tuning import draw
    from logger.store.sessions import Sessions
    from logger.tune.session import KIND, decode_state

    check_suffix(output)
    with Sessions.reader(config.store.path) as store:
        sessions = store.sessions(KIND)
    if not sessions:
        raise StoreError(f"{config.store.path}: no tuning session yet; `mismatchd tune` starts one")
    ids = [session.id for session in sessions]
    if number is not None and number not in ids:
        raise UsageError(f"there is no session {number}; there are {', '.join(map(str, ids))}")
    last = sessions[-1 if number is None else ids.index(number)]
    try:
        state = decode_state(last.content)
    except msgspec.MsgspecError as error:
        raise StoreError(f"session {last.id} is from another version of this program") from error
    if not state.read:
        raise StoreError(f"session {last.id} has no position with two readings; nothing to draw")
    save(draw(state, config.station.name, last.changed_ns), output)
