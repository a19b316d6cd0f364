"""Verdict on a coupler from its verifications: fine, drifting or recalibrate.

A control chart of each figure tells that something changed. What changed follows from the pattern
over the figures: a forward port that reads more raises the forward power and lowers both balances,
a reflected port raises both balances, and so on. Each pattern explains the departures with one
size, normally distributed; the likelihoods of the patterns give their odds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.verification.control_chart import ControlChart, control_chart
from logger.verification.row import Verification
from logger.verification.usual_power import WANDER_DB

Verdict = Literal["fine", "drifting", "recalibrate"]
Suspect = Literal["forward", "reflected", "both", "transmitter", "load", "undetermined"]

# Change of each figure per dB of change of the suspect.
PATTERNS: dict[Suspect, dict[str, float]] = {
    "forward": {"forward": 1.0, "usual": 1.0, "load": -1.0, "open": -1.0},
    "reflected": {"load": 1.0, "open": 1.0},
    "both": {"forward": 1.0, "usual": 1.0},  # without a meter: the transmitter
    "load": {"load": 1.0},
}
SIZE_DB = {"load": 4.0}  # standard deviation of a change, of others:
USUAL_SIZE_DB = 1.0
NAMED = 0.8  # least odds of a suspect that is named
RECALIBRATE_DB = 1.0
LATEST = 3  # readings since a change that give its present size
PRIOR_SPREADS = 4  # that the usual repeatability of a transmitter is worth
FAR = 3.0  # repeatabilities at which a difference of two readings is clipped


class Judgement(msgspec.Struct, frozen=True, kw_only=True):
    """Verdict on the last verification.

    figures   those whose chart is out of control
    port      what changed; None if nothing did
    drift_db  by how much it reads more, with its standard uncertainty
    after_ns, since_ns  verifications between which it changed; the first is None if it is not known
    odds      of the suspects
    """

    verdict: Verdict
    figures: tuple[str, ...] = ()
    port: Suspect | None = None
    drift_db: float | None = None
    drift_u_db: float | None = None
    after_ns: int | None = None
    since_ns: int | None = None
    odds: dict[str, float] = {}


def judge(verifications: Sequence[Verification]) -> Judgement:
    """Return the verdict on the last of one or more verifications, in order of time."""
    last = verifications[-1]
    charts = charts_of(verifications)
    out = tuple(
        name for name, (rows, chart) in charts.items() if rows[-1] is last and chart.is_out[-1]
    )
    if not out:
        return Judgement(verdict="fine")
    since_ns, after_ns = _change(*charts[max(out, key=lambda name: _lift(charts[name][1]))])
    figures = {
        name: figure
        for name, (rows, chart) in charts.items()
        # The days before the first check since the change are in part those before the change.
        if (figure := _present(rows, chart, since_ns + (name == "usual"))) is not None
    }
    odds, sizes = _compare(figures, has_meter=last.reference_w is not None)
    best = max(odds, key=lambda name: odds[name])
    drift_db, drift_u_db = sizes[best]
    port: Suspect = best if odds[best] >= NAMED else "undetermined"
    is_large = abs(drift_db) >= RECALIBRATE_DB and port not in ("load", "transmitter")
    return Judgement(
        verdict="recalibrate" if is_large else "drifting",
        figures=out,
        port=port,
        drift_db=round(drift_db, 3),
        drift_u_db=round(drift_u_db, 3),
        after_ns=after_ns,
        since_ns=since_ns,
        odds={name: round(share, 4) for name, share in odds.items()},
    )


def charts_of(
    verifications: Sequence[Verification],
) -> dict[str, tuple[list[Verification], ControlChart]]:
    """Return the control chart of each figure, with its verifications.

    They are those by the calibration of the last verification; of the forward figure, those with a
    meter as well, or without one as well. Without a meter the usual power is a second reference.
    """
    last = verifications[-1]
    own = [row for row in verifications if row.calibration_id == last.calibration_id]
    has_meter = last.reference_w is not None
    parts = {
        "forward": [row for row in own if (row.reference_w is not None) == has_meter],
        "usual": [row for row in own if row.usual_db is not None and not has_meter],
        "load": own,
        "open": [row for row in own if row.open_db is not None],
    }
    return {name: (rows, _chart(name, rows)) for name, rows in parts.items() if rows}


def _chart(name: str, rows: Sequence[Verification]) -> ControlChart:
    value, u = (
        np.array([getattr(row, field) for row in rows], dtype=np.float64)
        for field in (f"{name}_db", f"{name}_u_db")
    )
    is_of_transmitter = name in ("forward", "usual") and rows[0].reference_w is None
    if is_of_transmitter:
        u = u * _transmitter_spread(value, u)
    wander_u_db = WANDER_DB if is_of_transmitter else 0.0
    return control_chart(value, u, getattr(rows[0], f"{name}_expected_u_db"), wander_u_db)


def _transmitter_spread(value: Floats, u: Floats) -> float:
    """Return the spread of this transmitter's power over the usual one, from its differences.

    Successive differences hardly contain a drift; one that contains a step is clipped.
    """
    step = np.minimum(np.abs(np.diff(value)) / np.hypot(u[1:], u[:-1]), FAR)
    return math.sqrt((PRIOR_SPREADS + float((step**2).sum())) / (PRIOR_SPREADS + len(step)))


def _lift(chart: ControlChart) -> float:
    reach = np.abs(np.array([chart.value[-1], chart.ewma[-1]]) - chart.target)
    return float((reach / np.array([chart.reach[-1], chart.ewma_reach[-1]])).max())


def _change(rows: Sequence[Verification], chart: ControlChart) -> tuple[int, int | None]:
    """Return the times of the first verification after the likeliest change and of the one before.

    The likelihood is that of a step from the target to the mean of the readings since.
    """
    weight = 1 / chart.u**2
    pull = np.cumsum((weight * (chart.value - chart.target))[::-1])[::-1]
    total = np.cumsum(weight[::-1])[::-1]
    place = int(np.argmax(pull**2 / total))
    return rows[place].time_ns, rows[place - 1].time_ns if place else None


def _present(
    rows: Sequence[Verification], chart: ControlChart, since_ns: int
) -> tuple[float, float] | None:
    """Return the departure from the target since a time and its standard uncertainty, dB."""
    own = np.array([row.time_ns >= since_ns for row in rows])
    value, weight = chart.value[own][-LATEST:], 1 / chart.u[own][-LATEST:] ** 2
    if not len(value):
        return None
    mean = float((weight * value).sum() / weight.sum())
    return mean - chart.target, math.hypot(1 / math.sqrt(float(weight.sum())), chart.target_u)


def _compare(
    figures: Mapping[str, tuple[float, float]], *, has_meter: bool
) -> tuple[dict[Suspect, float], dict[Suspect, tuple[float, float]]]:
    """Return the odds of the suspects, and the size of each one's change with its uncertainty."""
    value = np.array([db for db, _ in figures.values()])
    u2 = np.array([u_db**2 for _, u_db in figures.values()])
    scores: dict[Suspect, float] = {}
    sizes: dict[Suspect, tuple[float, float]] = {}
    for suspect, pattern in PATTERNS.items():
        shape = np.array([pattern.get(name, 0.0) for name in figures])
        name: Suspect = "transmitter" if suspect == "both" and not has_meter else suspect
        prior2 = SIZE_DB.get(suspect, USUAL_SIZE_DB) ** 2
        precision = float((shape**2 / u2).sum()) + 1 / prior2
        mean = float((shape * value / u2).sum()) / precision
        # Marginal likelihood of value ~ N(0, diag(u2) + prior2 shape shape^T), less common terms.
        scores[name] = 0.5 * (mean**2 * precision - math.log(prior2 * precision))
        sizes[name] = mean, 1 / math.sqrt(precision)
    top = max(scores.values())
    weights = {name: math.exp(score - top) for name, score in scores.items()}
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}, sizes
