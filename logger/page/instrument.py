"""Pages of the instrument: state of the daemon and its outlets, and the coupler's calibration."""

from __future__ import annotations

import time

from starlette.requests import Request
from starlette.responses import Response

from logger.calibration.budget import describe, make_budget
from logger.errors import StoreError
from logger.live.status import ask
from logger.live.status_lines import describe_daemon, describe_forwarder, describe_notifier
from logger.page.site import Site, site_of
from logger.store.verifications import Verifications
from logger.utc import DAY_NS
from logger.verification import words
from logger.verification.judgement import judge
from logger.verification.schedule import Schedule

SWRS = (1.2, 1.5, 3.0)  # of the budgets
PAIRS = 100  # in the mean
NEGLIGIBLE = 0.005  # share of the variance
# Of a day: column of `health`, how its rows are summed up, and words.
DAILY = (
    ("gaps", "sum", "gaps"),
    ("rows_dropped", "sum", "rows dropped"),
    ("commits_failed", "sum", "commits failed"),
    ("commit_ms_max", "max", "ms for the longest commit"),
)


def health(request: Request) -> Response:
    """Show whether the instrument works: daemon, outlets, store and checks of the coupler."""
    site = site_of(request)
    status = ask(site.station.store)
    # The state of the key is shown only where it is followed.
    lines = [line for line in describe_daemon(status) if line[0] != "key"]
    if status is not None:
        for forwarder in status.forwarders:
            lines += describe_forwarder(forwarder)
        for notifier in status.notifiers:
            lines += describe_notifier(notifier)
    values = {"lines": lines, "runs": status is not None, "daily": _daily(site)}
    return site.page(request, "health.html", values | _checks(site))


def calibration(request: Request) -> Response:
    """Show the calibration: its sheet, what makes a reading uncertain, and the checks so far."""
    site = site_of(request)
    coupler = site.station.coupler
    highest_w = coupler.content.valid.forward_w[1]
    budgets = [make_budget(coupler, highest_w, swr, PAIRS) for swr in SWRS]
    values = {
        "assumptions": describe(coupler),
        "budgets": [
            (budget, [part for part in budget.components if part.share >= NEGLIGIBLE])
            for budget in budgets
            if budget.is_readable
        ],
        "pairs": PAIRS,
    }
    return site.page(request, "calibration.html", values | _checks(site))


def _checks(site: Site) -> dict[str, object]:
    """Return what is known of the checks of the coupler."""
    with site.opened() as store:
        history = Verifications(store.database).all()
    due = site.station.due
    schedule = None if due is None else Schedule.of(due, history[-1].time_ns if history else None)
    now_ns = time.time_ns()
    return {
        "schedule": "" if schedule is None else schedule.describe(now_ns),
        "overdue": schedule is not None and schedule.is_overdue(now_ns),
        "figures": list(words.figures(history)) if history else [],
        "verdict": words.verdict(judge(history)) if history else [],
    }


def _daily(site: Site) -> list[str]:
    """Return what happened within the last day, in words."""
    sums = ", ".join(f"{how}({column})" for column, how, _ in DAILY)
    try:
        with site.opened() as store:
            row = store.database.query_row(
                f"SELECT {sums} FROM health WHERE time_ns >= ?", (time.time_ns() - DAY_NS,)
            )
    except StoreError:
        return []
    return [
        f"{value:.3g} {text}" if isinstance(value, float) else f"{value} {text}"
        for value, (_, _, text) in zip(row, DAILY, strict=True)
        if value is not None
    ]
