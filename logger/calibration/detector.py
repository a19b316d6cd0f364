"""Law of a diode peak detector behind a coupler port: volts to watts and back.

A series diode with load resistance R, fed with a sine of peak voltage Vp, gives the direct voltage
V that solves

    I0(Vp / (n Vt)) = (1 + V / (R Is)) exp(V / (n Vt))

with I0 the modified Bessel function of order 0: square law when small, linear when large (Knight,
"Diode detectors for RF measurement", part 1; Harrison and Le Polozec, IEEE Trans. MTT 42(5), 1994).
The port's peak voltage is Vp = sqrt(2 Z P) 10^(-C/20) for a wave of P watts on a line of impedance
Z and a coupling of C dB.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np

from logger.blocks import Floats
from logger.calibration.file import Port

KELVIN = 273.15
ROOM_C = 21.0

TABLE_CELLS = 4096  # relative error below 3e-5 from 10 µV to 20 V, less at higher volts
MOST_CODES = 65_536  # of a converter, up to which a table of codes pays
LEAST_READINGS = 512  # at a time, from which it pays; below, half a megabyte a port is spared
OFF_GRID = 1e-9  # steps: further from a multiple, a reading is none
LEAST_END_V = 1.0  # converters end above it: finer steps have too many codes for a table
STEPS = 10
SMALL = 1e-4  # levels below which the series of the inverse is exact to 1e-8
ASYMPTOTIC_FROM = 500.0  # numpy's I0 overflows near 713


def ln_i0(x: Floats) -> Floats:
    """Return ln I0(x) for x >= 0, (n,) -> (n,); relative error below 1e-7."""
    x = np.asarray(x, dtype=np.float64)
    bounded = np.minimum(x, ASYMPTOTIC_FROM)
    large = np.maximum(x, ASYMPTOTIC_FROM)
    series = 1 + 1 / (8 * large) + 9 / (128 * large**2)
    return np.where(
        x < ASYMPTOTIC_FROM,
        np.log(np.i0(bounded)),
        large - 0.5 * np.log(2 * np.pi * large) + np.log(series),
    )


def squared_argument(ln_value: Floats) -> Floats:
    """Return x**2 such that ln I0(x) = `ln_value` >= 0, (n,) -> (n,).

    Newton's steps with I1(x)/I0(x) approximated by x / (1/2 + sqrt(x**2 + 9/4)), which is exact at
    both ends and within 1 % between, so that each step leaves a hundredth of the error.
    """
    level = np.asarray(ln_value, dtype=np.float64)
    square = 4 * level + level**2
    for _ in range(STEPS):
        excess = ln_i0(np.sqrt(square)) - level
        square = np.maximum(square - 2 * excess * (0.5 + np.sqrt(square + 2.25)), 0.0)
    return np.where(level < SMALL, 4 * level * (1 + level / 4), square)


def squared_peak_v(volts: Floats, n_vt_v: float, r_is_v: float) -> Floats:
    """Return the square of the peak voltage that gives each of `volts` >= 0, (n,) -> (n,); slow."""
    level = volts / n_vt_v + np.log1p(volts / r_is_v)
    return squared_argument(level) * n_vt_v**2


def interpolate_db(table: Sequence[tuple[float, float]], volts: Floats) -> Floats:
    """Interpolate a port's table of [volts above the zero, dB] at `volts`, (n,) -> (n,).

    Linear over the logarithm of the volts, constant beyond the ends; an empty table gives 0.
    """
    if not table:
        return np.zeros_like(volts)
    knots, db = np.array(table).T
    return np.asarray(np.interp(np.log(np.maximum(volts, knots[0])), np.log(knots), db))


@functools.lru_cache(maxsize=4)
def _table_volts(top_v: float) -> Floats:
    """Return the ends of the cells of a table, (TABLE_CELLS + 1,), shared by the laws."""
    return np.asarray(top_v * (np.arange(TABLE_CELLS + 1) / TABLE_CELLS) ** 4)


class DetectorLaw:
    """One port's detector, tabulated for fast conversion of many pairs.

    coupling_db  coupling of the port, dB
    n_vt_v       ideality times thermal voltage, volts
    r_is_v       load resistance times saturation current, volts
    zero_v       reading with no power, volts
    top_v        end of the table; above it the law continues with the exponent at its end
    correction   (volts above the zero, dB to add to the power), constant beyond its ends
    """

    @classmethod
    def of(
        cls,
        port: Port,
        top_v: float,
        impedance_ohm: float,
        warmer_c: float = 0.0,
        temperature_c: float = ROOM_C,
    ) -> DetectorLaw:
        """Return the law of a port in a calibration file, `warmer_c` above bench temperature."""
        vt_ratio = 1 + warmer_c / (temperature_c + KELVIN)
        return cls(
            port.coupling_db,
            port.n_vt_v * vt_ratio,
            port.r_is_v * math.exp(port.r_is_per_c * warmer_c),
            port.zero_v,
            top_v=top_v,
            impedance_ohm=impedance_ohm,
            correction=port.correction,
        )

    def __init__(
        self,
        coupling_db: float,
        n_vt_v: float,
        r_is_v: float,
        zero_v: float = 0.0,
        *,
        top_v: float = 5.0,
        impedance_ohm: float = 50.0,
        correction: Sequence[tuple[float, float]] = (),
    ) -> None:
        self.zero_v = zero_v
        self._correction = correction
        self._n_vt_v = n_vt_v
        self._r_is_v = r_is_v
        self._watts_per_peak2 = 10 ** (coupling_db / 10) / (2 * impedance_ohm)
        # Watts per volt is nearly linear in both the square-law and the linear region, so this
        # ratio is interpolated. Over the fourth root of the volts the steps are even enough at
        # every level, and a cell is found by two square roots instead of a search.
        self._top_v = top_v
        self._per_top = 1 / top_v
        self._volts = _table_volts(top_v)
        volts = self._volts[1:]
        watts = self.exact_watts(volts + zero_v)
        at_zero = 4 * n_vt_v * (1 + n_vt_v / r_is_v) * self._watts_per_peak2
        at_zero *= float(10 ** (interpolate_db(correction, np.zeros(1))[0] / 10))
        self._ratio = np.concatenate([[at_zero], watts / volts])
        self._rise = np.append(np.diff(self._ratio), 0.0)
        self._slope = np.gradient(self._ratio * self._volts, self._volts)
        self._slope[0] = at_zero
        self._end_exponent = float(self._slope[-1] / self._ratio[-1])  # d ln P / d ln V
        self._by_code: tuple[float, Floats] | None = None  # a step and the watts of each multiple

    def exact_watts(self, reading_v: Floats) -> Floats:
        """Return watts by solving the equation for each reading >= zero_v, (n,) -> (n,); slow."""
        volts = np.asarray(reading_v, dtype=np.float64) - self.zero_v
        watts = self._watts_per_peak2 * squared_peak_v(volts, self._n_vt_v, self._r_is_v)
        return np.asarray(watts * 10 ** (interpolate_db(self._correction, volts) / 10))

    def watts(self, reading_v: Floats, step_v: float = 0.0) -> Floats:
        """Return the watts of each reading, (n,) -> (n,).

        Readings below the zero give negative watts by the square law, so that noise about zero
        averages to zero. Above the table the watts follow a power law with the exponent at its end.
        `step_v` is that of the converter if known; it only makes the conversion faster.
        """
        if not step_v * MOST_CODES > LEAST_END_V:
            return self._interpolated(reading_v)
        codes = min(int(self._top_v / step_v), MOST_CODES) + 1
        steps = reading_v * (1 / step_v)
        nearest = np.rint(steps)
        steps -= nearest
        off_grid = np.abs(steps, out=steps) > OFF_GRID
        if nearest.min() < 0 or nearest.max() >= codes:
            off_grid |= (nearest < 0) | (nearest >= codes)
            nearest[off_grid] = 0.0
        if len(reading_v) < LEAST_READINGS:
            volts: Floats = np.abs(nearest) * step_v  # -0.0 is 0.0
            np.copyto(volts, reading_v, where=off_grid)
            return self._interpolated(volts)
        watts = self._watts_by_code(step_v, codes).take(nearest.astype(np.intp))
        if off_grid.any():
            watts[off_grid] = self._interpolated(reading_v[off_grid])
        return watts

    def _watts_by_code(self, step_v: float, codes: int) -> Floats:
        if self._by_code is None or self._by_code[0] != step_v:
            self._by_code = step_v, self._interpolated(np.asarray(np.arange(codes) * step_v))
        return self._by_code[1]

    def _interpolated(self, reading_v: Floats) -> Floats:
        volts = reading_v - self.zero_v
        place = np.clip(volts * self._per_top, 0.0, 1.0)
        np.sqrt(place, out=place)
        np.sqrt(place, out=place)
        place *= TABLE_CELLS
        cell = place.astype(np.intp)
        place -= cell
        place *= self._rise.take(cell)
        place += self._ratio.take(cell)
        place *= volts
        if volts.size and volts.max() > self._top_v:
            beyond = np.maximum(volts * self._per_top, 1.0)
            place *= beyond ** (self._end_exponent - 1)
        return np.asarray(place)

    def slope(self, reading_v: Floats | float) -> Floats:
        """Return watts per volt at each reading, (n,) -> (n,)."""
        return np.asarray(np.interp(np.asarray(reading_v) - self.zero_v, self._volts, self._slope))

    def least_slope(self, low_v: Floats, high_v: Floats) -> Floats:
        """Return the least watts per volt between two readings, (n,), (n,) -> (n,)."""
        last = len(self._volts) - 1
        first = np.searchsorted(self._volts[1:], np.asarray(low_v) - self.zero_v)
        past = np.searchsorted(self._volts[:-1], np.asarray(high_v) - self.zero_v) + 1
        bounds = np.column_stack([np.minimum(first, last), past]).ravel()
        return np.asarray(np.minimum.reduceat(np.append(self._slope, np.inf), bounds)[::2])

    def volts(self, watts: Floats | float) -> Floats:
        """Return the reading that `watts` >= 0 would give, (n,) -> (n,)."""
        return np.asarray(np.interp(watts, self._ratio * self._volts, self._volts)) + self.zero_v
