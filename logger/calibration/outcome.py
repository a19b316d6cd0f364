"""Result of a fit as parameters and covariance of the calibration file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.calibration import file
from logger.calibration.bench_points import Bench
from logger.calibration.detector import DetectorLaw, interpolate_db
from logger.calibration.doubt import Departures, DoubtTable, model_doubt
from logger.calibration.interpolant import Departure
from logger.calibration.least_squares import Solution
from logger.calibration.problem import (
    DB,
    IMPEDANCE_OHM,
    MATCHED,
    N_VT,
    OPEN,
    R_IS,
    REVERSED,
    SHORT,
    ZERO,
    C,
    Problem,
)

MEASURED_FROM = 2.0  # a leak of fewer standard deviations is stated as a bound
ONE_SIDED = 1.64  # standard deviations of a one-sided 95 % bound
LEAST_LEAK2 = 1e-7  # 70 dB: no coupler is better, and the logarithm stays finite
TOP_V = 20.0
WORST_ERROR_DB = 5.0  # residuals of readings with a larger error are not stored
SIDES = ("forward", "reflected")


@dataclass(frozen=True, slots=True)
class Leak:
    """Directivity in dB with its standard uncertainty, or a lower bound (95 %) of it."""

    db: float
    u_db: float
    bound: bool


def calibration(
    problem: Problem,
    solution: Solution,
    departures: Departures,
    bench: Bench,
    *,
    instrument: dict[str, str | float],
    strongest_w: float | None,
    date: datetime,
) -> file.CalibrationFile:
    """Return the calibration file.

    `strongest_w` is the value assumed for the highest unknown power.
    """
    readings, x = problem.readings, solution.x
    shift_db = 0.0
    if strongest_w is not None:
        shift_db = DB * (math.log(strongest_w) - float(x[problem.part["power"]].max()))
    doubts = model_doubt(problem, solution, departures)
    ports = [_port(problem, x, port, shift_db, departures[port], doubts[port]) for port in (0, 1)]
    valid = _valid(problem, ports)
    clips = math.isfinite(readings.clip_v)
    return file.CalibrationFile(
        mismatchd_calibration=1,
        date=date.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        instrument=instrument,
        impedance_ohm=IMPEDANCE_OHM,
        temperature_c=problem.temperature_c,
        forward=ports[0],
        reflected=ports[1],
        directivity=_directivity(problem, solution),
        noise=file.PortVolts(
            forward_v=_digits(readings.noise_v[0]), reflected_v=_digits(readings.noise_v[1])
        ),
        converter=file.Converter(
            step_v=_digits(readings.step_v, 9),
            full_scale_v=_digits(readings.clip_v + readings.step_v) if clips else None,
        ),
        valid=valid,
        covariance=_covariance(solution, ports, departures),
        watts="absolute" if strongest_w is None else "relative",
        bench_points=_points(problem, x, bench, ports, departures),
    )


def reflected_leaks(problem: Problem, solution: Solution) -> list[Leak | None]:
    """Return the reflected port's directivity by band, from matched rows."""
    return [
        _leak(problem, solution, band, port=1) if _has(problem, MATCHED, band, port=1) else None
        for band in range(len(problem.readings.bands_khz))
    ]


def forward_leak(problem: Problem, solution: Solution) -> tuple[Leak | None, str]:
    """Return the forward port's directivity, the worst of all bands, and its source.

    Reversed rows determine it. Open against short determine the part in phase with their
    reflection, which is 1/sqrt(2) of it in the mean square; the result is limited to the
    directivity of the reflected port. Without either it is assumed equal to that of the reflected
    port.
    """
    bands = range(len(problem.readings.bands_khz))
    found = [
        _leak(problem, solution, band, port=0)
        for band in bands
        if _has(problem, REVERSED, band, port=0)
    ]
    if found:
        return min(found, key=lambda leak: leak.db), "reversed"
    worst = _worst(reflected_leaks(problem, solution))
    in_phase = [
        problem.part["leak"].start + 4 * band + 2
        for band in bands
        if _has(problem, OPEN, band, port=0) and _has(problem, SHORT, band, port=0)
    ]
    if not in_phase or worst is None:
        return worst, "assumed"
    size = max(
        abs(solution.x[index]) + math.sqrt(solution.covariance[index, index]) for index in in_phase
    )
    return Leak(min(-20 * math.log10(math.sqrt(2) * size), worst.db), 0.0, True), "open and short"


def _leak(problem: Problem, solution: Solution, band: int, port: int) -> Leak:
    index = problem.part["leak"].start + 4 * band + port
    leak2, sd = float(solution.x[index]), math.sqrt(solution.covariance[index, index])
    if leak2 > max(MEASURED_FROM * sd, LEAST_LEAK2):
        return Leak(-DB * math.log(leak2), DB * sd / leak2, bound=False)
    highest = max(leak2, 0.0) + ONE_SIDED * sd
    return Leak(-DB * math.log(max(highest, LEAST_LEAK2)), 0.0, bound=True)


def _worst(leaks: list[Leak | None]) -> Leak | None:
    measured = [leak for leak in leaks if leak is not None]
    return min(measured, key=lambda leak: leak.db) if measured else None


def _has(problem: Problem, condition: int, band: int, port: int) -> bool:
    readings = problem.readings
    rows = (readings.condition == condition) & (readings.power > 0) & problem.used[:, port]
    return bool(np.any(rows & (readings.band == band)))


def _directivity(problem: Problem, solution: Solution) -> file.Directivity | None:
    worst = _worst(reflected_leaks(problem, solution))
    forward, _ = forward_leak(problem, solution)
    if worst is None or forward is None:
        return None
    return file.Directivity(
        reflected_db=round(worst.db, 3),
        forward_db=round(forward.db, 3),
        bound=worst.bound,
        reflected_u_db=round(worst.u_db, 3),
        forward_u_db=round(forward.u_db, 3),
        forward_bound=forward.bound,
    )


def _port(
    problem: Problem,
    x: Floats,
    port: int,
    shift_db: float,
    judged: Departure | None,
    doubt: DoubtTable,
) -> file.Port:
    law = x[4 * port : 4 * port + 4]
    bands = problem.readings.bands_khz
    offsets = [0.0, *x[problem.part["band"]][port::2]]
    by_band = len(offsets) > 1
    warmth = x[problem.part["temperature"]]
    return file.Port(
        coupling_db=round(float(law[C]) + shift_db, 6),
        n_vt_v=_digits(math.exp(law[N_VT])),
        r_is_v=_digits(math.exp(law[R_IS])),
        zero_v=round(float(law[ZERO]), 8),
        coupling_by_khz=[
            (khz, round(float(db), 5)) for khz, db in zip(bands, offsets, strict=True) if khz
        ]
        if by_band
        else [],
        r_is_per_c=_digits(float(warmth[port])) if len(warmth) else 0.0,
        correction=judged.correction if judged else [],
        doubt=doubt,
    )


def _valid(problem: Problem, ports: list[file.Port]) -> file.Valid:
    laws = [DetectorLaw.of(port, TOP_V, IMPEDANCE_OHM) for port in ports]
    heard_v = [problem.readings.volts[problem.full_wave(port), port] for port in (0, 1)]
    if not len(heard_v[1]):  # up to the range of the forward port, which it is assumed to resemble
        heard_v[1] = laws[1].volts(laws[0].watts(heard_v[0]))
    spans = [(_digits(float(v.min())), _digits(float(v.max()))) for v in heard_v]
    watts = [law.watts(np.array(span)) for law, span in zip(laws, spans, strict=True)]
    if not problem.unknown:
        heard_w = [problem.readings.power[problem.full_wave(port)] for port in (0, 1)]
        watts = [
            np.array([heard.min(), heard.max()]) if len(heard) else by_law
            for heard, by_law in zip(heard_w, watts, strict=True)
        ]
    return file.Valid(
        forward_v=spans[0],
        reflected_v=spans[1],
        forward_w=(_digits(float(watts[0][0])), _digits(float(watts[0][1]))),
        reflected_w=(_digits(float(watts[1][0])), _digits(float(watts[1][1]))),
    )


def _covariance(
    solution: Solution, ports: list[file.Port], departures: Departures
) -> file.Covariance:
    """Return the covariance of both laws; the parameters of the fit are partly logarithms."""
    unit = np.array([[1.0, port.n_vt_v, port.r_is_v, 1.0] for port in ports]).ravel()
    matrix = solution.covariance[:8, :8] * np.outer(unit, unit)
    for port, judged in enumerate(departures):
        if judged and judged.correction:
            matrix[4 * port, 4 * port] += judged.interpolant_db**2
    return file.Covariance(
        parameters=[f"{side}.{name}" for side in ("forward", "reflected") for name in file.LAW],
        matrix=[[_digits(value, 9) for value in row] for row in matrix.tolist()],
    )


def _points(
    problem: Problem, x: Floats, bench: Bench, ports: list[file.Port], departures: Departures
) -> list[dict[str, str | float]]:
    """Return the original points with the residual of each reading and the excluded readings."""
    miss_db = problem.miss_db(x)
    slopes = problem.predict(x)[1]
    scatter = [
        judged.interpolant_db / DB if judged and judged.correction else problem.scatter
        for judged in departures
    ]
    error_db = DB * np.hypot(problem.readings.sd_v / np.maximum(slopes, 1e-9), scatter)
    for number, port in enumerate(ports):
        miss_db[:, number] += interpolate_db(
            port.correction, problem.readings.volts[:, number] - port.zero_v
        )
    rows = []
    for point, used, miss, error in zip(bench.points, problem.used, miss_db, error_db, strict=True):
        row: dict[str, str | float] = {
            name: value
            for name, value in msgspec.structs.asdict(point).items()
            if value not in (None, "")
        }
        for side, kept, off, doubt in zip(SIDES, used, miss, error, strict=True):
            if point.power_w > 0 and doubt < WORST_ERROR_DB:
                row[f"{side}_miss_db"] = round(float(off), 3)
                row[f"{side}_error_db"] = round(float(doubt), 3)
            if not kept:
                row["left_out"] = f"{row.get('left_out', '')} {side}".strip()
        rows.append(row)
    return rows


def _digits(value: float, digits: int = 7) -> float:
    return float(f"{value:.{digits}g}")
