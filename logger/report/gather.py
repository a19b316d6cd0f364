"""Gathers the report: figures of the account, faults, a diagnosis, line loss and tuning."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from logger.diagnosis.alarms import diagnose_first
from logger.diagnosis.fault_story import diagnose_fault
from logger.diagnosis.scoring import Diagnosis
from logger.feedline.course import courses
from logger.report.summary import InstrumentLine, Summary, summary
from logger.report.words import state
from logger.rows import Alarm, Fault, FaultState, Severity
from logger.store.activity import read_activity, read_excursions
from logger.store.faults import Faults
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.store.verifications import Verifications
from logger.trend.account import Account
from logger.trend.priors import RatePrior, describe_rate
from logger.tune.session import TuningState, decode_state
from logger.utc import DAY_NS, format_optional
from logger.verification.judgement import judge
from logger.verification.schedule import CalibrationDue, Schedule
from logger.verification.words import verdict

if TYPE_CHECKING:
    from logger.charts.fault_scene import FaultScene


class Report(NamedTuple):
    """Figures of the report and data for its charts; `tuning` is the last tuning session."""

    summary: Summary
    account: Account
    tuning: TuningState | None


def report(
    store: Store,
    account: Account,
    calibration: CalibrationDue | None = None,
    usual: RatePrior | None = None,
) -> Report:
    """Return the report of an account. Raise StoreError.

    calibration  the present one
    usual        what excursions are usual for such stations
    """
    losses = LineLosses(store.database).readings()
    readings = [loss for loss in losses if loss.time_ns <= account.now_ns]
    tuning = _last_tuning(store, account.now_ns)
    faults = sorted(Faults(store.database).active_at(account.now_ns), key=_urgency)
    figures = summary(account, _diagnose(store, account, faults), courses(readings), tuning, faults)
    activity = read_activity(store.database, account.now_ns)
    silent_ns = activity.silent_since_ns
    figures = msgspec.structs.replace(
        figures,
        last_transmission_utc=format_optional(activity.last_transmission_ns),
        silent_since_utc=format_optional(silent_ns),
        usual_excursions=None if usual is None else _compare(store, account.now_ns, usual),
    )
    is_old = silent_ns is not None and account.now_ns - silent_ns > DAY_NS
    figures = msgspec.structs.replace(
        figures,
        sentence=state(figures),
        state="unknown" if is_old and figures.state == "fine" else figures.state,
        instrument=_instrument(store, account.now_ns, figures.instrument, calibration),
    )
    return Report(figures, account, tuning and tuning[1])


def _compare(store: Store, now_ns: int, usual: RatePrior) -> str:
    excursions, keyed_hours = read_excursions(store.database, now_ns)
    return describe_rate(usual, excursions, keyed_hours)


def _instrument(
    store: Store, now_ns: int, line: InstrumentLine, calibration: CalibrationDue | None
) -> InstrumentLine:
    """Return the line on the coupler, completed by its calibration and last check."""
    checks = Verifications(store.database).all(now_ns)
    schedule = None
    if calibration is not None:
        schedule = Schedule.of(calibration, checks[-1].time_ns if checks else None)
    sentences = verdict(judge(checks)) if checks else [None]
    return msgspec.structs.replace(
        line,
        schedule=None if schedule is None else schedule.describe(now_ns),
        overdue=schedule is not None and schedule.is_overdue(now_ns),
        verdict=sentences[0],
        advice=tuple(sentences[1:]),
    )


def first_fault(store: Store, summary: Summary) -> FaultScene | None:
    """Return what a chart shows of the first open fault of a report on the present, if any.

    Raise StoreError.
    """
    from logger.charts.fault_scene import of_fault

    for fault in summary.faults[:1]:
        if fault.id is not None and fault.state == FaultState.OPEN:
            return of_fault(store, fault.id, summary.station)
    return None


def _urgency(fault: Fault) -> tuple[bool, bool, int]:
    """Key that sorts faults: those that are open first, then critical ones, then the latest."""
    is_open, is_critical = fault.state == FaultState.OPEN, fault.severity == Severity.CRITICAL
    return not is_open, not is_critical, -fault.opened_ns


def _diagnose(
    store: Store, account: Account, faults: Sequence[Fault]
) -> tuple[Alarm, Diagnosis] | None:
    """Return the diagnosis of the first fault with alarms, else of an open alarm."""
    for fault in faults:
        assert fault.id is not None
        alarm, diagnosis = diagnose_fault(store, fault.id, account.now_ns)
        if alarm is not None:
            return alarm, diagnosis
    return diagnose_first(store, account.open_alarms, account.now_ns)


def _last_tuning(store: Store, now_ns: int) -> tuple[int, TuningState] | None:
    """Return end (UTC ns) and state of the last `tune` session up to `now_ns`, or None."""
    for session in reversed(Sessions(store.database).sessions("tune")):
        with suppress(msgspec.MsgspecError):  # state of another program version
            state = decode_state(session.content)
            if session.ended and state.read and session.changed_ns <= now_ns:
                return session.changed_ns, state
    return None
