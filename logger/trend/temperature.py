"""Temperature coefficient of the detectors, learned from transmissions, and its part in readings.

Saturation current and thermal voltage of a diode grow with temperature, which changes a small
reading much and a large one little. Input: transmissions with the coupler's temperature, and the
calibration that read them. Output: the relative change of R Is per degree (`r_is_per_c` of the
calibration file) with its standard uncertainty, and reflections as they would read at bench
temperature.

The logarithm of the reflection is compared only within a day, an antenna and a channel, so that
season, weather, drift and repairs do not count: what is left are a shack that is heated or in the
sun, and several powers. Beside the coefficient a regression has a level for each power, the daily
cycle of the antenna, which may differ between seasons, and an antenna that follows the coupler's
temperature alike at all powers within ANTENNA_PER_C. At one power the last cannot be told from the
detectors, so the coefficient remains about as uncertain as its prior. Departures of a week share
their causes, so the uncertainty is that of sums over weeks (a cluster-robust variance; R. Liang and
S. L. Zeger, Biometrika 73 (1986) 13).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from logger.blocks import Bools, Floats, Times
from logger.calibration.detector import KELVIN, ROOM_C, interpolate_db, squared_peak_v
from logger.calibration.file import CalibrationFile
from logger.calibration.problem import R_IS_PER_C
from logger.physics.reflection import COVERAGE
from logger.trend.design import YEAR
from logger.wording import count

if TYPE_CHECKING:
    from scipy.interpolate import RectBivariateSpline

MOST_PER_C = 0.2
ANTENNA_PER_C = 0.05  # prior of d ln rho / d temperature of what is alike at all powers
OFFSET_C = 5.0  # prior of the sensor's offset; a wrong R Is looks the same
NUISANCE_SD = 0.3  # prior of the antenna's daily cycle and of the other columns, of ln rho
BEND = 0.004  # prior of the relative change of the coefficient per degree, beside a junction's
MODEL_SHARE = 0.05  # of the coefficient: the diodes differ, and the law is not quite theirs
LEAST_RHO = 0.02  # below it the logarithm is mostly noise
MOST_READINGS = 12_000  # on evenly chosen days
LEAST_READINGS = 60  # that can be compared
LEARNED = 0.7  # of the prior's uncertainty: less is left by readings that tell something
POWER_GAP, POWER_BIN = 0.2, 0.35  # of ln watts: between two powers; of continuous ones
WEEK = 7.0
GRID_C, LEAST_GRID = 3.0, 6  # of the table of a law, degrees
LN_V = np.linspace(math.log(1e-5), math.log(20.0), 100)  # above the zero, likewise
NEWTON, INVERSE_ROUNDS = 3, 2
DB_PER_NEPER = 10 / math.log(10)
ROUNDS = 4
FAR = 5.0  # standard deviations beyond which a departure is a fault, or an answer of a bad joint
SIGMA_PER_MAD = 1.4826
PER_C_STEP = 1e-3


class Readings(NamedTuple):
    """Transmissions of one calibration, each (n,).

    group  number of antenna and channel
    """

    day: Floats
    group: Times
    forward_w: Floats
    rho: Floats
    celsius: Floats

    def of(self, rows: Bools | Times) -> Readings:
        """Return some of them."""
        return Readings(
            self.day[rows],
            self.group[rows],
            self.forward_w[rows],
            self.rho[rows],
            self.celsius[rows],
        )


class ThermalPart(NamedTuple):
    """Part of the coupler's temperature in the daily values of a place, each (d,).

    shift  what is to be added to ln rho
    by_u   how that changes with one standard uncertainty of the coefficient
    """

    day: Times
    shift: Floats
    by_u: Floats


class Coefficient(msgspec.Struct, frozen=True, kw_only=True):
    """Relative change of the detectors' R Is per degree, and its standard uncertainty.

    calibrated    that of the calibration, 0 if it has none
    transmissions compared; low_c, high_c  temperatures of all
    reading_per_c d ln rho / d temperature that the calibration leaves at the usual power
    """

    per_c: float
    u: float
    calibrated: float
    transmissions: int
    low_c: float
    high_c: float
    reading_per_c: float

    @property
    def is_learned(self) -> bool:
        """True if it is more than the prior."""
        return self.u < LEARNED * R_IS_PER_C[1]

    @property
    def departs(self) -> bool:
        """True if that of the calibration is not within the 95 % interval."""
        return self.is_learned and abs(self.per_c - self.calibrated) > COVERAGE * self.u

    def describe(self) -> str:
        """Return it as sentences."""
        span = f"{self.low_c:.0f} to {self.high_c:.0f} °C"
        source = f"learned from {count(self.transmissions, 'transmission')} at {span}"
        if not self.is_learned:
            source = f"usual for diodes; transmissions at {span} do not determine it"
        calibrated = "the calibration does not correct it"
        if self.calibrated:
            calibrated = f"the calibration corrects {100 * self.calibrated:.1f} %"
        percent, reach = 100 * self.per_c, 100 * COVERAGE * self.u
        return (
            f"R·Is of the detectors grows by {percent:.1f} % (±{reach:.1f}, 95 %) per °C"
            f" ({source}); {calibrated}, which leaves {100 * self.reading_per_c:+.2f} % of the"
            " reflection per °C at the usual power."
        )


class ThermalLaw:
    """What a coupler of one calibration would have read at the temperature of its bench.

    The laws are tabulated over the range of some temperatures (n,), °C, and interpolated smoothly:
    the errors of straight lines would look like a dependence on temperature.
    """

    def __init__(self, content: CalibrationFile, celsius: Floats) -> None:
        self._bench_c = ROOM_C if content.temperature_c is None else content.temperature_c
        self._scale = 2 * content.impedance_ohm
        self._ports = content.forward, content.reflected
        has_bench = content.temperature_c is not None
        # By which the readings were corrected for their temperature; 0 if they were not.
        self._used = [port.r_is_per_c * has_bench for port in self._ports]
        self._bench_k = self._bench_c + KELVIN
        warmer = celsius - self._bench_c
        low_c, high_c = min(float(warmer.min()), 0.0), max(float(warmer.max()), 0.0)
        count = max(LEAST_GRID, math.ceil((high_c - low_c) / GRID_C) + 1)
        self._grid_c = np.linspace(low_c - GRID_C, high_c + GRID_C, count)
        self._surface = lru_cache(maxsize=16)(self._tabulate)

    @property
    def calibrated(self) -> float:
        """Coefficient of the calibration, 0 if it has none."""
        return self._used[1]

    @property
    def prior(self) -> float:
        """Expected coefficient: that of the bench, or else of the fit's prior."""
        return self._ports[1].r_is_per_c or R_IS_PER_C[0]

    def ln_rho(self, readings: Readings, per_c: float) -> Floats:
        """Return ln rho with the coefficient `per_c` in both ports, (n,)."""
        ln_rho, ln_w = np.log(readings.rho), np.log(readings.forward_w)
        warmer = readings.celsius - self._bench_c
        forward, reflected = (
            self._change(side, warmer, of_side, per_c)
            for side, of_side in enumerate((ln_w, ln_w + 2 * ln_rho))
        )
        return np.asarray(ln_rho + (reflected - forward) / 2)

    def _change(self, side: int, warmer: Floats, ln_w: Floats, per_c: float) -> Floats:
        """Return what `per_c` adds to the logarithm of a port's watts, (n,)."""
        port, used = self._ports[side], self._surface(side, self._used[side], False)
        as_read = ln_w + math.log(self._scale) - port.coupling_db / DB_PER_NEPER
        # Volts by Newton's steps; a correction of the law depends on the volts alone.
        at = warmer if self._used[side] else np.zeros_like(warmer)
        ln_v = np.interp(as_read, used.ev(np.zeros_like(LN_V), LN_V), LN_V)
        for _ in range(NEWTON):
            db = interpolate_db(port.correction, np.exp(ln_v))
            miss = used.ev(at, ln_v) + db / DB_PER_NEPER - as_read
            ln_v = np.clip(ln_v - miss / used.ev(at, ln_v, dy=1), LN_V[0], LN_V[-1])
        new = self._surface(side, per_c, True)
        return np.asarray(new.ev(warmer, ln_v) - used.ev(at, ln_v))

    def _tabulate(self, side: int, per_c: float, is_junction: bool) -> RectBivariateSpline:
        """Return the logarithm of the squared peak by degrees above the bench and LN_V.

        R Is grows by a constant rate, as in a calibration, or as a junction's does, whose rate
        falls with the square of the absolute temperature.
        """
        from scipy.interpolate import RectBivariateSpline  # half a second

        port = self._ports[side]
        rows = [
            squared_peak_v(
                np.exp(LN_V),
                port.n_vt_v * (1 + warmer / self._bench_k),
                port.r_is_v * math.exp(per_c * warmer / (1 + is_junction * warmer / self._bench_k)),
            )
            for warmer in self._grid_c.tolist()
        ]
        return RectBivariateSpline(self._grid_c, LN_V, np.log(rows))


def learn(content: CalibrationFile, readings: Readings, is_quiet: Bools) -> Coefficient:
    """Return the coefficient of a coupler from its readings (n,), n > 0.

    It is the prior if they tell nothing. Those with little noise are compared (`is_quiet`, (n,)).
    """
    law = ThermalLaw(content, readings.celsius)
    per_c, u = law.prior, R_IS_PER_C[1]
    compared = _compared(readings.of(is_quiet & (readings.rho > LEAST_RHO)))
    if len(compared.day) >= LEAST_READINGS:
        per_c, u = _estimate(law, compared)
    usual = readings.of(np.argsort(readings.forward_w)[[len(readings.day) // 2]])
    warmer = usual._replace(celsius=usual.celsius + 1)
    left = law.ln_rho(usual, per_c) - law.ln_rho(warmer, per_c)
    return Coefficient(
        per_c=per_c,
        u=u,
        calibrated=law.calibrated,
        transmissions=len(compared.day),
        low_c=float(readings.celsius.min()),
        high_c=float(readings.celsius.max()),
        reading_per_c=float(left[0]),
    )


def _compared(readings: Readings) -> Readings:
    """Return readings that are not alone on their day and place, MOST_READINGS or a few more."""
    every = max(1, round(len(readings.day) / MOST_READINGS))
    readings = readings.of(np.floor(readings.day) % every == 0)
    if not len(readings.day):
        return readings
    groups = _groups(readings)
    return readings.of(np.bincount(groups)[groups] > 1)


def _estimate(law: ThermalLaw, readings: Readings) -> tuple[float, float]:
    """Return the coefficient and its standard uncertainty, with the prior, by Gauss's steps."""
    groups, nuisance = _groups(readings), _nuisance(readings)
    bins = power_bins(readings.forward_w)
    usual_w = medians(readings.forward_w, bins)[bins]
    span_c = float(_within(readings.celsius, groups).std())
    per_c = law.prior
    for _ in range(ROUNDS):
        value = law.ln_rho(readings, per_c)
        usual = _usual(law, readings._replace(forward_w=usual_w), value, per_c)
        by_per_c, by_c = _derivatives(law, usual, per_c)
        one_w = np.full_like(usual_w, np.median(usual_w))
        one_power = _usual(law, readings._replace(forward_w=one_w), value, per_c)
        alike, _ = _derivatives(law, one_power, per_c)
        # An antenna that follows the coupler's temperature just as the detectors do at one power.
        span = float(_within(alike, groups).std())
        mimic = alike * (ANTENNA_PER_C * span_c / max(span, 1e-9))
        bend = by_per_c * (usual.celsius - usual.celsius.mean()) * (law.prior * BEND)
        doubts = np.column_stack([mimic, bend, by_c * OFFSET_C]) / NUISANCE_SD
        columns = _within(np.column_stack([-by_per_c, doubts, nuisance]), groups)
        expected = np.zeros(columns.shape[1])
        expected[0] = law.prior - per_c
        change, u = _regress(readings, _within(value, groups), columns, expected)
        per_c = min(max(per_c + change, 0.0), MOST_PER_C)
    return per_c, math.hypot(u, MODEL_SHARE * per_c)


def _usual(law: ThermalLaw, readings: Readings, value: Floats, per_c: float) -> Readings:
    """Return what would be read of the usual reflection of each place at the same temperatures.

    Nothing of a reading's own departure may be left in it: the derivatives are nearly alike, and
    what is common to them and to the departures would be found by their differences.

    value  ln rho at the temperature of the bench, (n,)
    """
    level = value - _within(value, readings.group)
    ln_rho = level
    for _ in range(INVERSE_ROUNDS):
        usual = readings._replace(rho=np.exp(ln_rho))
        ln_rho = ln_rho + level - law.ln_rho(usual, per_c)
    return usual


def _derivatives(law: ThermalLaw, readings: Readings, per_c: float) -> tuple[Floats, Floats]:
    """Return d ln rho / d coefficient and d ln rho / d temperature, (n,) each."""
    value = law.ln_rho(readings, per_c)
    warmer = readings._replace(celsius=readings.celsius + 1)
    return (
        (law.ln_rho(readings, per_c + PER_C_STEP) - value) / PER_C_STEP,
        law.ln_rho(warmer, per_c) - value,
    )


def medians(values: Floats, bins: Times) -> Floats:
    """Return the median of each bin, (k,)."""
    return np.array([np.median(values[bins == each]) for each in range(bins.max() + 1)])


def thermal_part(content: CalibrationFile, found: Coefficient, readings: Readings) -> ThermalPart:
    """Return the part in the daily medians of one place's readings, (n,) in order of time."""
    law = ThermalLaw(content, readings.celsius)
    readings = readings.of((readings.rho > 0) & (readings.forward_w > 0))
    day, begins = np.unique(np.floor(readings.day).astype(np.int64), return_index=True)
    medians = np.stack(
        [
            [np.median(part) for part in np.split(values, begins[1:])]
            for values in (
                np.log(readings.rho),
                law.ln_rho(readings, found.per_c),
                law.ln_rho(readings, found.per_c + found.u),
            )
        ]
    )
    return ThermalPart(day, medians[1] - medians[0], medians[2] - medians[1])


def _groups(readings: Readings) -> Times:
    """Return the number of the day and place of each reading, (n,)."""
    return _number(readings.day, readings.group)


def _number(values: Floats | Times, group: Times) -> Times:
    """Return the number of each combination of a whole value and a group, (n,), from 0 on."""
    both = np.floor(values).astype(np.int64) * (group.max(initial=0) + 1) + group
    return np.asarray(np.unique(both, return_inverse=True)[1])


def _within(values: Floats, groups: Times) -> Floats:
    """Return values (n, ...) less the mean of their group."""
    count = np.maximum(np.bincount(groups), 1)
    table = values.reshape(len(values), -1).T
    means = np.stack([np.bincount(groups, column) / count for column in table], axis=1)
    return np.asarray(values - means[groups].reshape(values.shape))


def _nuisance(readings: Readings) -> Floats:
    """Return the columns of what does not depend on the coefficient, (n, k).

    They are an antenna that follows the coupler, what the laws leave of the power, the antenna's
    daily cycle by season, and the level of each power at each place.
    """
    hour, season = (2 * np.pi * at for at in (readings.day % 1, readings.day / YEAR))
    seasons = np.ones(len(season)), np.cos(season), np.sin(season)
    waves = [wave(number * hour) for number in (1, 2) for wave in (np.cos, np.sin)]
    place = _number(power_bins(readings.forward_w), readings.group)
    levels = (place[:, None] == np.arange(place.max() + 1)).astype(np.float64)
    return np.column_stack(
        [
            *(readings.celsius * (ANTENNA_PER_C / NUISANCE_SD) * by for by in seasons),
            *(wave * by for wave in waves for by in seasons),
            np.log(readings.forward_w),
            levels,
        ]
    )


def power_bins(watts: Floats) -> Times:
    """Return the number of the power in use to which each of `watts` > 0 belongs, (n,).

    Powers are separated by gaps, since fixed edges would divide one power by its temperature. A
    range of powers without gaps, as of speech, is divided into bins.
    """
    ln = np.log(watts)
    order = np.argsort(ln)
    number = np.zeros(len(ln), dtype=np.int64)
    number[order[1:]] = np.cumsum(np.diff(ln[order]) > POWER_GAP)
    bins = np.round(ln / POWER_BIN)
    for each in range(int(number.max(initial=0)) + 1):
        own = number == each
        if np.ptp(np.quantile(ln[own], (0.01, 0.99))) < 3 * POWER_BIN:
            bins[own] = 0.0
    return _number(bins - bins.min(initial=0.0), number)


def _regress(
    readings: Readings, value: Floats, columns: Floats, expected: Floats
) -> tuple[float, float]:
    """Return the first coefficient of a regression with priors, and its standard uncertainty.

    The priors are `expected`, with R_IS_PER_C for the first and NUISANCE_SD for the others.
    """
    precision = np.full(columns.shape[1], NUISANCE_SD**-2)
    precision[0] = R_IS_PER_C[1] ** -2
    estimate: Floats = expected
    for _ in range(ROUNDS):
        rest = value - columns @ estimate
        scale = _scales(rest, readings)
        weight = np.where(np.abs(rest) < FAR * scale, scale**-2, 0.0)
        normal = columns.T @ (weight[:, None] * columns) + np.diag(precision)
        estimate = np.asarray(
            np.linalg.solve(normal, columns.T @ (weight * value) + precision * expected)
        )
    pull = weight * (value - columns @ estimate)
    week = np.unique(np.floor(readings.day / WEEK), return_inverse=True)[1]
    sums = np.stack([np.bincount(week, pull * column) for column in columns.T])
    count = sums.shape[1]
    spread = sums @ sums.T * count / max(count - 1, 1)
    inverse = np.linalg.inv(normal)
    covariance = inverse @ (spread + np.diag(precision)) @ inverse
    return float(estimate[0]), math.sqrt(max(float(covariance[0, 0]), float(inverse[0, 0])))


def _scales(rest: Floats, readings: Readings) -> Floats:
    """Return the standard deviation of the departures at the power of each reading, (n,)."""
    bins = power_bins(readings.forward_w)
    return np.asarray(np.maximum(SIGMA_PER_MAD * medians(np.abs(rest), bins), 1e-4)[bins])
