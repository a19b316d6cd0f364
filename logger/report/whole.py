"""Runs the whole report, for the command and for the page."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from logger.feedline.course import courses
from logger.report.gather import diagnosed, last_tuning
from logger.report.summary import Summary, summary
from logger.report.words import state
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.trend.account import Account
from logger.tune.session import TuningState


class Report(NamedTuple):
    """Figures of the report and data for its charts; `tuning` is the last adjusting session."""

    summary: Summary
    account: Account
    tuning: TuningState | None


def report(store: Store, account: Account) -> Report:
    """Return the report of an account. Raises StoreError."""
    losses = LineLosses(store.database).readings()
    line_loss = courses([loss for loss in losses if loss.time_ns <= account.now_ns])
    tuning = last_tuning(store, account.now_ns)
    told = summary(account, diagnosed(store, account), line_loss, tuning)
    told = msgspec.structs.replace(told, sentence=state(told))
    return Report(told, account, tuning and tuning[1])
