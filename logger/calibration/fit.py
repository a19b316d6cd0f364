"""Fit of bench points: detector laws, balance, directivity, and their covariance.

This module is responsible for the steps of the fit: the choice of the problem, robust weights,
outliers, and the scatter of the reference. Input: bench points and the options of the command.
Output: the calibration file with the details that its report states. The accuracy class of the
reference meter is a common error of all its readings, which affects watts only and not reflection,
so it is not part of the fit.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from logger.blocks import Bools, Floats
from logger.calibration.bench_points import WATTS_PER_VOLT2, Bench, attenuated, in_watts
from logger.calibration.doubt import Departures
from logger.calibration.expectation import Expectation, expect
from logger.calibration.file import Assumptions, CalibrationFile
from logger.calibration.interpolant import Departure, departure
from logger.calibration.least_squares import Solution, solve
from logger.calibration.outcome import FitOutcome, Leak
from logger.calibration.problem import DB, LAW_POWERS, Problem
from logger.calibration.readings import Readings, read
from logger.calibration.screening import screen
from logger.errors import BenchPointError

STARTS_R_IS_V = (3e-3, 1e-4, 0.1)
ROUNDS = 3
MEDIAN = 0.6745  # of the absolute value of a standard normal deviate
SCATTER = (0.005, 2.0)  # usual scatter of the reference between readings, and its weight in points
MOST_SCATTER = 1.0
WORST_DB = 1.3
OUTLIER = 4.5  # standard deviations
MOST_OUTLIERS = 0.25  # of a port's points
TEMPERATURE_SPAN_C = 5.0
UNKNOWN = "none"
REFERENCES = ("watts", *WATTS_PER_VOLT2, UNKNOWN)


@dataclass(frozen=True)
class Fit:
    """A calibration with details of the fit.

    bench         the points, in watts; readings, the same as arrays
    scatter       relative scatter of the reference between readings
    leaks         directivity of the reflected port by band; None where it was not measured
    departures    of both ports: how well the law fits; None with too few points
    balanced      the reflected port has full-wave readings; otherwise it is assumed to be like the
                  forward one
    outcome       solution of the problem
    forward_from  source of the forward directivity: reversed, open and short, or assumed
    """

    content: CalibrationFile
    bench: Bench
    readings: Readings
    scatter: float
    leaks: list[Leak | None]
    departures: Departures
    balanced: bool
    forward_from: str
    outcome: FitOutcome


def fit(
    bench: Bench,
    *,
    reference: str = "watts",
    reference_class_percent: float = 5.0,
    step_v: float | None = None,
    full_scale_v: float | None = None,
    strongest_w: float = 4.0,
    assumptions: Assumptions | None = None,
    date: datetime | None = None,
) -> Fit:
    """Fit a coupler. Raise BenchPointError with one line that names the row.

    reference                unit of `power_w`: watts, volts across 50 ohm (vrms, vp, vpp), or
                             `none`: marks that identify key-downs of equal, unknown power
    reference_class_percent  accuracy class of the reference meter, % of reading (so it counts twice
                             for volts)
    step_v, full_scale_v     of the converter; otherwise taken from the points
    strongest_w              with reference `none`, the value assumed for the highest power
    assumptions              of load, antenna port, detectors and transmitter; None: all are ideal
    """
    unknown = reference == UNKNOWN
    bench = attenuated(bench)
    if reference in WATTS_PER_VOLT2:
        bench = in_watts(bench, reference)
    readings = read(bench, step_v, full_scale_v)
    screen(bench, readings, powers_known=not unknown)
    problem, x = _choose_problem(readings, unknown, expect(assumptions))
    _exclude_outliers(problem, x)
    x, solution = _refine(problem, x)
    departures = _judge_law(problem, solution, 0), _judge_law(problem, solution, 1)
    if _remaining_db(problem, departures) > WORST_DB:
        deviation = np.where(problem.used, np.abs(problem.deviation(x)), 0.0).max(axis=1)
        raise BenchPointError(
            f"{bench.places[int(deviation.argmax())]}: readings do not fit a detector law"
            f" (residual {DB * problem.scatter:.1f} dB, largest in this row): check powers,"
            " conditions and columns"
        )
    outcome = FitOutcome(problem, solution, departures, assumptions)
    instrument: dict[str, str | float] = {
        "reference": reference,
        "reference_class_percent": 0.0 if unknown else reference_class_percent,
    }
    if problem.full_wave(0).sum() >= LAW_POWERS:  # fewer key-downs do not show it
        instrument["scatter_percent"] = round(100 * problem.scatter, 3)
    return Fit(
        content=outcome.make_file(
            bench,
            instrument=instrument,
            strongest_w=strongest_w if unknown else None,
            date=date or datetime.now(UTC),
        ),
        bench=bench,
        readings=readings,
        scatter=problem.scatter,
        leaks=outcome.reflected_leaks,
        departures=departures,
        balanced=bool(problem.full_wave(1).any()),
        forward_from=outcome.forward_leak()[1],
        outcome=outcome,
    )


def _choose_problem(
    readings: Readings, unknown: bool, expectation: Expectation
) -> tuple[Problem, Floats]:
    """Return the simplest problem that describes the points, and the result of its robust fit."""
    problem = Problem(readings, unknown=unknown, expectation=expectation)
    x = _fit_robustly(problem)
    celsius = readings.temperature[~np.isnan(readings.temperature)]
    has_bands = len(readings.bands_khz) > 1
    has_span = len(celsius) > 0 and bool(np.ptp(celsius) >= TEMPERATURE_SPAN_C)
    candidates = [(problem, x)]
    for by_band, by_temperature in itertools.product(
        sorted({False, has_bands}), sorted({False, has_span})
    ):
        if by_band or by_temperature:
            wider = Problem(
                readings,
                unknown=unknown,
                by_band=by_band,
                by_temperature=by_temperature,
                expectation=expectation,
            )
            candidates.append((wider, _reweigh(wider, wider.extend(problem, x))))
    return min(candidates, key=lambda candidate: _schwarz_criterion(*candidate))


def _schwarz_criterion(problem: Problem, x: Floats) -> float:
    """Return Schwarz's criterion, with the scatter (from the points) as residual variance."""
    count = int(problem.used.sum())
    variance = problem.scatter**2 + SCATTER[0] ** 2
    return count * math.log(variance) + len(x) * math.log(count)


def _fit_robustly(problem: Problem) -> Floats:
    """Return the best fit of several starts: the constants of the law are strongly coupled."""
    fits = []
    for r_is_v in STARTS_R_IS_V:
        x = problem.start(r_is_v)
        problem.weigh(x)
        x = solve(problem.residuals, x, jacobian=problem.jacobian, robust=True).x
        problem.weigh(x)
        fits.append((float(np.abs(problem.residuals(x)).sum()), x.tolist()))
    return _reweigh(problem, np.array(min(fits)[1]))


def _reweigh(problem: Problem, x: Floats) -> Floats:
    for _ in range(ROUNDS):
        problem.weigh(x)
        problem.scatter = _scatter(problem, x, free=len(x), robust=True)
        x = solve(problem.residuals, x, jacobian=problem.jacobian, robust=True).x
    return x


def _refine(problem: Problem, x: Floats) -> tuple[Floats, Solution]:
    """Fit the remaining points without robust weights; return the parameters and the solution."""
    for _ in range(ROUNDS):
        problem.weigh(x)
        solution = solve(problem.residuals, x, jacobian=problem.jacobian)
        x = solution.x
        rows = _full_wave(problem)
        free = float(solution.leverage[: rows.size][rows.ravel()].sum())
        problem.scatter = _scatter(problem, x, free=free, robust=False)
    return x, solution


def _full_wave(problem: Problem) -> Bools:
    return np.stack([problem.full_wave(0), problem.full_wave(1)], axis=1)


def _scatter(problem: Problem, x: Floats, *, free: float, robust: bool) -> float:
    """Return the scatter at which the residuals have their expected size.

    Only full-wave readings are used; readings dominated by noise do not show the scatter.

    free  number of points that the parameters use up
    """
    rows = _full_wave(problem)
    miss_v, gain = (values[rows] for values in problem.miss_v(x))
    sd_v = problem.readings.sd_v[rows]
    freedom = max(len(miss_v) - free, 1.0)

    def excess(scatter: float) -> float:
        z = miss_v / np.hypot(sd_v, scatter * gain)
        if robust:
            return float(np.median(np.abs(z))) - MEDIAN * math.sqrt(freedom / len(z))
        # A few points hardly determine their own scatter, so the usual scatter has a weight too.
        usual, worth = SCATTER
        return float((z**2).sum()) - freedom + worth * ((usual / scatter) ** 2 - 1)

    low, high = 1e-4, MOST_SCATTER
    if excess(low) <= 0:
        return low
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return high


def _judge_law(problem: Problem, solution: Solution, port: int) -> Departure | None:
    """Compare the law of a port with an interpolant; None with too few points."""
    law = problem.layout.view(solution.x).law(port)
    volts = problem.readings.volts[:, port] - law.zero_v
    rows = problem.full_wave(port) & (volts > 5 * problem.readings.sd_v[:, port])
    leverage = solution.leverage[: 2 * len(rows)].reshape(-1, 2)
    return departure(
        volts[rows],
        problem.miss_db(solution.x)[rows, port],
        leverage[rows, port],
        lambda volts: np.asarray(DB * np.log(law.peak2(volts))),
    )


def _remaining_db(problem: Problem, departures: Departures) -> float:
    """Return the distance in dB of the points from the law, or from a preferred interpolant."""
    measured = [d for port, d in enumerate(departures) if problem.full_wave(port).any()]
    errors_db = [d.interpolant_db for d in measured if d is not None and d.correction]
    return max(errors_db) if len(errors_db) == len(measured) else DB * problem.scatter


def _exclude_outliers(problem: Problem, x: Floats) -> None:
    """Exclude outliers from the problem, up to a limited share of the points."""
    deviation = problem.deviation(x, least_scatter=SCATTER[0])
    for port in (0, 1):
        size = np.where(problem.used[:, port], np.abs(deviation[:, port]), 0.0)
        most = int(MOST_OUTLIERS * problem.used[:, port].sum())
        worst = np.argsort(size)[::-1][:most]
        problem.used[worst[size[worst] > OUTLIER], port] = False
