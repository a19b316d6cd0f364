"""Gathers the report: figures of the account, diagnosis of an open alarm, line loss and tuning."""

from __future__ import annotations

from contextlib import suppress
from typing import NamedTuple

import msgspec

from logger.diagnosis import diagnose_first
from logger.feedline.course import courses
from logger.report.summary import Summary, summary
from logger.report.words import state
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.trend.account import Account
from logger.tune.session import TuningState, decode_state


class Report(NamedTuple):
    """Figures of the report and data for its charts; `tuning` is the last tuning session."""

    summary: Summary
    account: Account
    tuning: TuningState | None


def report(store: Store, account: Account) -> Report:
    """Return the report of an account. Raises StoreError."""
    losses = LineLosses(store.database).readings()
    readings = [loss for loss in losses if loss.time_ns <= account.now_ns]
    tuning = _last_tuning(store, account.now_ns)
    diagnosed = diagnose_first(store, account.open_alarms, account.now_ns)
    figures = summary(account, diagnosed, courses(readings), tuning)
    figures = msgspec.structs.replace(figures, sentence=state(figures))
    return Report(figures, account, tuning and tuning[1])


def _last_tuning(store: Store, now_ns: int) -> tuple[int, TuningState] | None:
    """Return end (UTC ns) and state of the last `tune` session up to `now_ns`, or None."""
    for session in reversed(Sessions(store.database).sessions("tune")):
        with suppress(msgspec.MsgspecError):  # state of another program version
            state = decode_state(session.content)
            if session.ended and state.read and session.changed_ns <= now_ns:
                return session.changed_ns, state
    return None
