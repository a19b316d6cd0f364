"""Fit of bench points: detector laws, balance, directivity, and their covariance.

The accuracy class of the reference meter is a common error of all its readings. It affects watts
only, not reflection, so it is not part of the fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from logger.blocks import Floats
from logger.calibration.bench_points import WATTS_PER_VOLT2, Bench, in_watts
from logger.calibration.detector import squared_peak_v
from logger.calibration.doubt import Departures
from logger.calibration.file import CalibrationFile
from logger.calibration.interpolant import departure
from logger.calibration.least_squares import Solution, solve
from logger.calibration.outcome import Leak, calibration, forward_leak, reflected_leaks
from logger.calibration.problem import DB, N_VT, R_IS, ZERO, Problem
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


def fit(
    bench: Bench,
    *,
    reference: str = "watts",
    reference_class_percent: float = 5.0,
    step_v: float | None = None,
    full_scale_v: float | None = None,
    strongest_w: float = 4.0,
    date: datetime | None = None,
) -> Fit:
    """Fit a coupler. Raise BenchPointError with one line that names the row.

    reference                unit of `power_w`: watts, volts across 50 ohm (vrms, vp, vpp), or
                             `none`: marks that identify key-downs of equal, unknown power
    reference_class_percent  accuracy class of the reference meter, % of reading (so it counts twice
                             for volts)
    step_v, full_scale_v     of the converter; otherwise taken from the points
    strongest_w              with reference `none`, the value assumed for the highest power
    """
    unknown = reference == UNKNOWN
    if reference in WATTS_PER_VOLT2:
        bench = in_watts(bench, reference)
    readings = read(bench, step_v, full_scale_v)
    screen(bench, readings, powers_known=not unknown)
    problem, x = _choose(readings, unknown)
    _leave_out(problem, x)
    x, solution = _settle(problem, x)
    departures = _departures(problem, solution)
    if _remaining_db(problem, departures) > WORST_DB:
        deviation = np.where(problem.used, np.abs(problem.deviation(x)), 0.0).max(axis=1)
        raise BenchPointError(
            f"{bench.places[int(deviation.argmax())]}: readings do not fit a detector law"
            f" (residual {DB * problem.scatter:.1f} dB, largest in this row): check powers,"
            " conditions and columns"
        )
    return Fit(
        content=calibration(
            problem,
            solution,
            departures,
            bench,
            instrument={
                "reference": reference,
                "reference_class_percent": 0.0 if unknown else reference_class_percent,
                "scatter_percent": round(100 * problem.scatter, 3),
            },
            strongest_w=strongest_w if unknown else None,
            date=date or datetime.now(UTC),
        ),
        bench=bench,
        readings=readings,
        scatter=problem.scatter,
        leaks=reflected_leaks(problem, solution),
        departures=departures,
        balanced=problem.hears_itself(1)[0],
        forward_from=forward_leak(problem, solution)[1],
    )


def _choose(readings: Readings, unknown: bool) -> tuple[Problem, Floats]:
    """Return the simplest problem that describes the points, and the result of its robust fit."""
    problem = Problem(readings, unknown=unknown)
    x = _robust(problem)
    several_bands = len(readings.bands_khz) > 1
    known = readings.temperature[~np.isnan(readings.temperature)]
    warmed = len(known) > 0 and np.ptp(known) >= TEMPERATURE_SPAN_C
    extensions = [
        {"by_band": by_band, "by_temperature": by_temperature}
        for by_band in (False, True)[: 1 + several_bands]
        for by_temperature in (False, True)[: 1 + warmed]
    ][1:]
    if not extensions:
        return problem, x
    candidates = [(problem, x)]
    for extension in extensions:
        wider = Problem(readings, unknown=unknown, **extension)
        candidates.append((wider, _reweigh(wider, wider.extend(problem, x))))
    return min(candidates, key=lambda candidate: _information(*candidate))


def _information(problem: Problem, x: Floats) -> float:
    """Return Schwarz's criterion, with the scatter (from the points) as residual variance."""
    count = int(problem.used.sum())
    variance = problem.scatter**2 + SCATTER[0] ** 2
    return count * math.log(variance) + len(x) * math.log(count)


def _robust(problem: Problem) -> Floats:
    """Return the best fit of several starts: the constants of the law are strongly coupled."""
    found = []
    for r_is_v in STARTS_R_IS_V:
        x = problem.start(r_is_v)
        problem.weigh(x)
        x = solve(problem.residuals, x, jacobian=problem.jacobian, robust=True).x
        problem.weigh(x)
        found.append((float(np.abs(problem.residuals(x)).sum()), x.tolist()))
    return _reweigh(problem, np.array(min(found)[1]))


def _reweigh(problem: Problem, x: Floats) -> Floats:
    for _ in range(ROUNDS):
        problem.weigh(x)
        problem.scatter = _scatter(problem, x, free=len(x), robust=True)
        x = solve(problem.residuals, x, jacobian=problem.jacobian, robust=True).x
    return x


def _settle(problem: Problem, x: Floats) -> tuple[Floats, Solution]:
    """Fit the remaining points without robust weights; return the parameters and the solution."""
    for _ in range(ROUNDS):
        problem.weigh(x)
        solution = solve(problem.residuals, x, jacobian=problem.jacobian)
        x = solution.x
        rows = np.stack([problem.full_wave(0), problem.full_wave(1)], axis=1)
        free = float(solution.leverage[: rows.size][rows.ravel()].sum())
        problem.scatter = _scatter(problem, x, free=free, robust=False)
    return x, solution


def _scatter(problem: Problem, x: Floats, *, free: float, robust: bool) -> float:
    """Return the scatter at which the residuals have their expected size.

    Only full-wave readings are used; readings dominated by noise do not show the scatter.

    free  number of points that the parameters use up
    """
    rows = np.stack([problem.full_wave(0), problem.full_wave(1)], axis=1)
    miss_v, gain = (values[rows] for values in problem.miss_v(x))
    sd_v = problem.readings.sd_v[rows]
    left = max(len(miss_v) - free, 1.0)

    def excess(scatter: float) -> float:
        z = miss_v / np.hypot(sd_v, scatter * gain)
        if robust:
            return float(np.median(np.abs(z))) - MEDIAN * math.sqrt(left / len(z))
        # A few points hardly determine their own scatter, so the usual scatter has a weight too.
        usual, worth = SCATTER
        return float((z**2).sum()) - left + worth * ((usual / scatter) ** 2 - 1)

    low, high = 1e-4, MOST_SCATTER
    if excess(low) <= 0:
        return low
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return high


def _departures(problem: Problem, solution: Solution) -> Departures:
    miss_db = problem.miss_db(solution.x)
    leverage = solution.leverage[: miss_db.size].reshape(miss_db.shape)
    found = []
    for port in (0, 1):
        rows = problem.full_wave(port)
        volts = problem.readings.volts[rows, port] - solution.x[4 * port + ZERO]
        clear = volts > 5 * problem.readings.sd_v[rows, port]
        law = solution.x[4 * port : 4 * port + 4]
        n_vt_v, r_is_v = math.exp(law[N_VT]), math.exp(law[R_IS])

        def law_db(volts: Floats, n_vt_v: float = n_vt_v, r_is_v: float = r_is_v) -> Floats:
            return np.asarray(DB * np.log(squared_peak_v(volts, n_vt_v, r_is_v)))

        found.append(
            departure(volts[clear], miss_db[rows, port][clear], leverage[rows, port][clear], law_db)
        )
    return found[0], found[1]


def _remaining_db(problem: Problem, departures: Departures) -> float:
    """Return the distance in dB of the points from the law, or from a preferred interpolant."""
    heard = [port for port in (0, 1) if problem.full_wave(port).any()]
    corrected = [departures[port] for port in heard]
    left = [one.interpolant_db for one in corrected if one is not None and one.correction]
    return max(left) if len(left) == len(heard) else DB * problem.scatter


def _leave_out(problem: Problem, x: Floats) -> None:
    """Exclude outliers from the problem, up to a limited share of the points."""
    deviation = problem.deviation(x, least_scatter=SCATTER[0])
    for port in (0, 1):
        size = np.where(problem.used[:, port], np.abs(deviation[:, port]), 0.0)
        most = int(MOST_OUTLIERS * problem.used[:, port].sum())
        worst = np.argsort(size)[::-1][:most]
        problem.used[worst[size[worst] > OUTLIER], port] = False
