"""Which one more bench point would narrow the intervals most, by simulation.

This module is responsible for that advice. Each candidate is added to the points with the readings
that the fit expects of it; the fit is linear there, so that only its covariance changes. Input: a
fit. Output: the candidate with the narrowest intervals of several SWR at the highest power.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import NamedTuple

import msgspec

from logger.calibration.bench_points import Bench, BenchPoint
from logger.calibration.budget import make_budget
from logger.calibration.coupler import Coupler
from logger.calibration.directivity import PARALLEL_OHM, Load
from logger.calibration.file import CalibrationFile
from logger.calibration.fit import Fit
from logger.calibration.least_squares import describe_minimum
from logger.calibration.outcome import FitOutcome
from logger.calibration.problem import Problem
from logger.calibration.readings import read

SWRS = (1.2, 1.5, 2.0, 3.0)
SHOWN_SWR = 1.5
PAIRS = 100
USUAL = Load()
LOW_W = 1.0  # into an open, a short or a resistor
LEAST_GAIN = 0.03  # of the width; less is not worth a point
APART = 1.2  # a power that differs by less is not another one


class NextPoint(NamedTuple):
    """A candidate: words for it, and the interval of SHOWN_SWR before and after."""

    words: str
    before: tuple[float, float]
    after: tuple[float, float]


def propose(fit: Fit) -> NextPoint | None:
    """Return the best candidate; None if none helps, or if the powers are not known."""
    if fit.content.watts == "relative":
        return None
    high_w = max(point.power_w for point in fit.bench.points)
    now = Coupler(fit.content)
    best, least = None, (1 - LEAST_GAIN) * _width(now, high_w)
    for words, point in _candidates(fit, high_w):
        coupler = Coupler(_simulate(fit, point))
        if (width := _width(coupler, high_w)) < least:
            edges = [make_budget(c, high_w, SHOWN_SWR, PAIRS)[2:4] for c in (now, coupler)]
            best, least = NextPoint(words, *edges), width
    return best


def _width(coupler: Coupler, watts: float) -> float:
    """Return the mean logarithmic width of the intervals."""
    budgets = [make_budget(coupler, watts, swr, PAIRS) for swr in SWRS]
    return sum(math.log(budget.high / budget.low) for budget in budgets) / len(budgets)


def _candidates(fit: Fit, high_w: float) -> list[tuple[str, BenchPoint]]:
    points = [point for point in fit.bench.points if point.power_w > 0]
    conditions = {point.condition for point in points}
    low_w = min(high_w, LOW_W)

    def candidate(condition: str, watts: float, load: Load = USUAL) -> BenchPoint:
        return msgspec.structs.replace(
            points[0],
            condition=condition,
            power_w=watts,
            load=load.name or points[0].load,
            line_deg=load.line_deg or None,
            load_ohm=load.ohm,
        )

    found = []
    for db in (5, 10, 20):
        watts = high_w * 10 ** (-db / 10)
        own = [point.power_w for point in points if point.condition == "matched"]
        if all(max(watts / w, w / watts) > APART for w in own):
            words = f"`matched` at {watts:.2g} W (low switch or a {db} dB attenuator)"
            found.append((words, candidate("matched", watts)))
    if "reversed" not in conditions:
        words = f"`reversed` at {high_w:.3g} W (coupler turned round)"
        found.append((words, candidate("reversed", high_w)))
    if not any(point.load_ohm or point.line_deg for point in points):
        found += [
            (
                f"`mismatched` on a 75 ohm resistor at {low_w:.3g} W",
                candidate("mismatched", low_w, Load(ohm=75.0)),
            ),
            (
                f"`mismatched` on two dummy loads in parallel at {low_w:.3g} W",
                candidate("mismatched", low_w, Load(ohm=PARALLEL_OHM)),
            ),
            (
                f"the load behind a line of 45 degrees at {high_w:.3g} W",
                candidate("matched", high_w, Load(line_deg=45.0)),
            ),
            (
                f"a second dummy load at {high_w:.3g} W",
                candidate("matched", high_w, Load("second")),
            ),
        ]
    return found


def _simulate(fit: Fit, point: BenchPoint) -> CalibrationFile:
    """Return the calibration with one more point, whose readings are those that the fit expects."""
    old = fit.outcome.problem
    bench = Bench([*fit.bench.points, point], [*fit.bench.places, "candidate"])
    converter = fit.content.converter
    readings = read(bench, converter.step_v or None, converter.full_scale_v)
    problem = Problem(readings, **old.options._asdict())
    x = problem.extend(old, fit.outcome.solution.x)
    values = problem.layout.view(x)
    for setting in range(len(old.readings.settings), len(readings.settings)):
        _, load = readings.settings[setting]
        values.leak2[setting] = 0.0, load.gamma**2
        if load.ohm is None:
            values.leak2[setting] = values.leak2[0]
    problem.scatter = old.scatter
    problem.used[: len(old.used)] = old.used
    readings.volts[-1] = problem.predict(x).volts[-1]
    problem.weigh(x)
    solution = describe_minimum(problem.residuals(x), problem.jacobian(x), x)
    return FitOutcome(problem, solution, fit.departures, fit.outcome.assumptions).make_file(
        bench,
        instrument=fit.content.instrument,
        strongest_w=None,
        date=datetime.now(UTC),
    )
