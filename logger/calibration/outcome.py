"""Calibration file from the solution of a fit.

This module is responsible for rounding, units and covariance of the parameters in the file, and for
the directivity and its source. Input: a problem, its solution and how well the law fits. Output:
the content of the file.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.calibration import file
from logger.calibration.bench_points import Bench
from logger.calibration.detector import DetectorLaw, interpolate_db
from logger.calibration.directivity import LeakReading, Separation, separate
from logger.calibration.doubt import Departures, estimate_doubt
from logger.calibration.file import Assumptions
from logger.calibration.least_squares import Solution
from logger.calibration.model import IMPEDANCE_OHM
from logger.calibration.parameters import Parameters
from logger.calibration.problem import DB, MATCHED, OPEN, REVERSED, SHORT, Problem

MEASURED_FROM = 2.0  # a leak of fewer standard deviations is stated as a bound
ONE_SIDED = 1.64  # standard deviations of a one-sided 95 % bound
LEAST_LEAK2 = 1e-7  # 70 dB: no coupler is better, and the logarithm stays finite
TOP_V = 20.0
SAME_READING = 0.03  # relative, from one load to the next: plugs are moved
UNDETERMINED_DB = 6.0  # a directivity within a wider 90 % interval is stated as a bound
WORST_ERROR_DB = 5.0  # residuals of readings with a larger error are not stored


@dataclass(frozen=True, slots=True)
class Leak:
    """Directivity in dB with its standard uncertainty, or a lower bound (95 %) of it.

    separation  with a real load, the size of the leak apart from it
    """

    db: float
    u_db: float
    bound: bool
    separation: Separation | None = None


@dataclass(frozen=True)
class FitOutcome:
    """Solution of a problem, to be stated in the units of the calibration file."""

    problem: Problem
    solution: Solution
    departures: Departures
    assumptions: Assumptions | None = None

    @cached_property
    def _values(self) -> Parameters:
        return self.problem.layout.view(self.solution.x)

    @cached_property
    def _sd(self) -> Parameters:
        return self.problem.layout.view(np.sqrt(np.diag(self.solution.covariance)))

    def make_file(
        self,
        bench: Bench,
        *,
        instrument: dict[str, str | float],
        strongest_w: float | None,
        date: datetime,
    ) -> file.CalibrationFile:
        """Return the calibration file.

        `strongest_w` is the value assumed for the highest unknown power.
        """
        readings = self.problem.readings
        shift_db = 0.0
        if strongest_w is not None:
            shift_db = DB * (math.log(strongest_w) - float(self._values.ln_power.max()))
        doubts = estimate_doubt(self.problem, self.solution, self.departures)
        ports = [self._port(port, shift_db, doubts[port]) for port in (0, 1)]
        clips = math.isfinite(readings.clip_v)
        return file.CalibrationFile(
            mismatchd_calibration=1,
            date=date.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            instrument=instrument,
            impedance_ohm=IMPEDANCE_OHM,
            temperature_c=self.problem.temperature_c,
            forward=ports[0],
            reflected=ports[1],
            directivity=self._directivity(),
            assumptions=self.assumptions or msgspec.UNSET,
            noise=file.PortVolts(
                forward_v=_round(readings.noise_v[0]), reflected_v=_round(readings.noise_v[1])
            ),
            converter=file.Converter(
                step_v=_round(readings.step_v, 9),
                full_scale_v=_round(readings.clip_v + readings.step_v) if clips else None,
            ),
            valid=self._valid(ports),
            covariance=self._covariance(ports),
            watts="absolute" if strongest_w is None else "relative",
            bench_points=self._points(bench, ports),
        )

    @cached_property
    def reflected_leaks(self) -> list[Leak | None]:
        """Directivity of the reflected port by band, from matched rows."""
        return [
            self._leak(band, 1) if self._has(MATCHED, band, 1) else None for band in self._bands
        ]

    def forward_leak(self) -> tuple[Leak | None, str]:
        """Return the forward port's directivity, the worst of all bands, and its source.

        Reversed rows determine it. Open against short determine the part in phase with their
        reflection, which is 1/sqrt(2) of it in the mean square; the result is limited to the
        directivity of the reflected port. Without either it is assumed equal to that of the
        reflected port.
        """
        leaks = [self._leak(band, 0) for band in self._bands if self._has(REVERSED, band, 0)]
        if leaks:
            return _worst(leaks), "reversed"
        worst = _worst(self.reflected_leaks)
        bands = [
            band for band in self._bands if self._has(OPEN, band, 0) and self._has(SHORT, band, 0)
        ]
        if not bands or worst is None:
            return worst, "assumed"
        size = float((np.abs(self._values.aligned) + self._sd.aligned)[bands, 0].max())
        db = min(-20 * math.log10(math.sqrt(2) * size), worst.db)
        return Leak(db, 0.0, True), "open and short"

    @property
    def _bands(self) -> range:
        return range(len(self.problem.readings.bands_khz))

    def _leak(self, band: int, port: int) -> Leak:
        leak2, sd = float(self._values.leak2[band, port]), float(self._sd.leak2[band, port])
        if self.assumptions is not None:
            return self._separate(band, port, self.assumptions)
        if leak2 > max(MEASURED_FROM * sd, LEAST_LEAK2):
            return Leak(-DB * math.log(leak2), DB * sd / leak2, bound=False)
        highest = max(leak2, 0.0) + ONE_SIDED * sd
        return Leak(-DB * math.log(max(highest, LEAST_LEAK2)), 0.0, bound=True)

    def _separate(self, band: int, port: int, assumptions: Assumptions) -> Leak:
        settings = self.problem.readings.settings
        readings = [
            LeakReading(load, float(leak2), math.hypot(sd, SAME_READING * leak2))
            for (own_band, load), leak2, sd in zip(
                settings, self._values.leak2[:, port], self._sd.leak2[:, port], strict=True
            )
            if own_band == band and (port == 1 or load == settings[band][1])
        ]
        separation = separate(readings, assumptions)
        rms_db = -DB * math.log(separation.leak2)
        span_db = separation.best_db - separation.worst_db
        is_bound = span_db > UNDETERMINED_DB
        return Leak(
            separation.worst_db if is_bound else rms_db,
            0.0 if is_bound else span_db / (2 * ONE_SIDED),
            is_bound,
            separation,
        )

    def _has(self, condition: int, band: int, port: int) -> bool:
        readings = self.problem.readings
        rows = (readings.condition == condition) & (readings.power > 0) & (readings.band == band)
        return bool(np.any(rows & self.problem.used[:, port]))

    def _directivity(self) -> file.Directivity | None:
        reflected, (forward, _) = _worst(self.reflected_leaks), self.forward_leak()
        if reflected is None or forward is None:
            return None
        return file.Directivity(
            reflected_db=round(reflected.db, 3),
            forward_db=round(forward.db, 3),
            bound=reflected.bound,
            reflected_u_db=round(reflected.u_db, 3),
            forward_u_db=round(forward.u_db, 3),
            forward_bound=forward.bound,
            **self._root_mean_squares(reflected, forward),
        )

    def _root_mean_squares(self, reflected: Leak, forward: Leak) -> dict[str, float]:
        """Return what the file states of leaks apart from the load."""
        if reflected.separation is None:
            return {}
        forward2 = (forward.separation or reflected.separation).leak2
        return {
            "reflected_rms_db": round(-DB * math.log(reflected.separation.leak2), 3),
            "forward_rms_db": round(-DB * math.log(forward2), 3),
            "reflected_known": round(reflected.separation.known, 4),
        }

    def _port(self, port: int, shift_db: float, doubt: list[tuple[float, float]]) -> file.Port:
        law, departure = self._values.law(port), self.departures[port]
        offsets_db = self._values.band_db[:, port].tolist()
        by_khz = zip(self.problem.readings.bands_khz, [0.0, *offsets_db], strict=False)
        per_c = self._values.r_is_per_c
        return file.Port(
            coupling_db=round(law.coupling_db + shift_db, 6),
            n_vt_v=_round(law.n_vt_v),
            r_is_v=_round(law.r_is_v),
            zero_v=round(law.zero_v, 8),
            coupling_by_khz=[(khz, round(db, 5)) for khz, db in by_khz if khz and offsets_db],
            r_is_per_c=_round(float(per_c[port])) if len(per_c) else 0.0,
            correction=departure.correction if departure else [],
            doubt=doubt,
        )

    def _valid(self, ports: list[file.Port]) -> file.Valid:
        readings = self.problem.readings
        rows = [self.problem.full_wave(port) for port in (0, 1)]
        volts = [readings.volts[rows[port], port] for port in (0, 1)]
        laws = [DetectorLaw.of(port, TOP_V, IMPEDANCE_OHM) for port in ports]
        if not len(
            volts[1]
        ):  # up to the range of the forward port, which it is assumed to resemble
            volts[1] = laws[1].volts(laws[0].watts(volts[0]))
        spans_v = [_span(v) for v in volts]
        spans_w = [
            _span(readings.power[rows[port]])
            if rows[port].any() and not self.problem.unknown
            else _span(laws[port].watts(np.array(spans_v[port])))
            for port in (0, 1)
        ]
        return file.Valid(
            forward_v=spans_v[0],
            reflected_v=spans_v[1],
            forward_w=spans_w[0],
            reflected_w=spans_w[1],
        )

    def _covariance(self, ports: list[file.Port]) -> file.Covariance:
        """Return the covariance of both laws; the parameters of the fit are partly logarithms."""
        index = self.problem.layout.index
        unit = np.array([[1.0, port.n_vt_v, port.r_is_v, 1.0] for port in ports]).ravel()
        places = index.laws.T.ravel()
        matrix = self.solution.covariance[np.ix_(places, places)] * np.outer(unit, unit)
        for coupling, departure in zip(index.coupling_db, self.departures, strict=True):
            if departure and departure.correction:
                matrix[coupling, coupling] += departure.interpolant_db**2
        return file.Covariance(
            parameters=[f"{side}.{name}" for side in file.SIDES for name in file.LAW],
            matrix=[[_round(value, 9) for value in row] for row in matrix.tolist()],
        )

    def _points(self, bench: Bench, ports: list[file.Port]) -> list[dict[str, str | float]]:
        """Return the points with the residual of each reading and the excluded readings."""
        problem = self.problem
        miss_db = problem.miss_db(self.solution.x)
        slopes = problem.miss_v(self.solution.x)[1]
        scatter = [
            departure.interpolant_db / DB if departure and departure.correction else problem.scatter
            for departure in self.departures
        ]
        error_db = DB * np.hypot(problem.readings.sd_v / np.maximum(slopes, 1e-9), scatter)
        for number, port in enumerate(ports):
            miss_db[:, number] += interpolate_db(
                port.correction, problem.readings.volts[:, number] - port.zero_v
            )
        rows = []
        columns = problem.used, miss_db, error_db
        for point, *cells in zip(bench.points, *columns, strict=True):
            values = msgspec.structs.asdict(point)
            row = {name: value for name, value in values.items() if value not in (None, "")}
            for side, is_used, miss, error in zip(file.SIDES, *cells, strict=True):
                if point.power_w > 0 and error < WORST_ERROR_DB:
                    row[f"{side}_miss_db"] = round(float(miss), 3)
                    row[f"{side}_error_db"] = round(float(error), 3)
                if not is_used:
                    row["left_out"] = f"{row.get('left_out', '')} {side}".strip()
            rows.append(row)
        return rows


def _worst(leaks: Sequence[Leak | None]) -> Leak | None:
    measured = [leak for leak in leaks if leak is not None]
    return min(measured, key=lambda leak: leak.db) if measured else None


def _span(values: Floats) -> tuple[float, float]:
    return _round(float(values.min())), _round(float(values.max()))


def _round(value: float, digits: int = 7) -> float:
    """Round to significant digits."""
    return float(f"{value:.{digits}g}")
