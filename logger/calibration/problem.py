"""Least-squares problem of the bench points.

All points are fitted at once, weighted in the logarithm of power. A residual is in volts, divided
by its standard deviation in volts: this equals the weighting in the logarithm where a reading is
clear of the noise, and uses other readings (a leak, an unkeyed row) according to their information.
The two readings of a row share the scatter of the reference, which cancels in their ratio. Input:
readings and parameters (see `parameters`). Output: predictions, residuals and derivatives.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from logger.blocks import Bools, Floats, Times
from logger.calibration.detector import KELVIN, ROOM_C, squared_peak_v
from logger.calibration.expectation import BROAD, Expectation
from logger.calibration.file import CONDITIONS
from logger.calibration.model import IMPEDANCE_OHM, Detected, detect
from logger.calibration.parameters import Layout, Parameters
from logger.calibration.readings import Readings, group_values

DB = 10 / math.log(10)
MATCHED, REVERSED, OPEN, SHORT, MISMATCHED = range(len(CONDITIONS))
OWN = ((MATCHED, MISMATCHED), (REVERSED,))  # conditions with the full wave at one port only
FULL_WAVE = ((MATCHED, OPEN, SHORT), (REVERSED, OPEN, SHORT))  # by port

# Priors: value, standard deviation. Those of the diodes are in `expectation`.
COUPLING_DB = (25.0, 50.0)
COUPLING_UNKNOWN_DB = (25.0, 1e-3)  # watts unknown: any value is valid
LN_N_VT_UNKNOWN = (math.log(0.028), 0.08)  # watts unknown: the law must be that of typical diodes
ZERO_V = (0.0, 0.01)
LEAK2 = (0.0, 0.05)
MISMATCH_SD = 0.1  # of the squared reflection read on a known mismatch, leaks included
BAND_DB = (0.0, 3.0)
R_IS_PER_C = (0.06, 0.03)  # saturation current doubles in about ten degrees
LN_POWER = (0.0, 20.0)
# Standard deviations of differences between the ports of one coupler, used where the points do not
# determine them.
SAME_COUPLING_DB, SAME_LN_N_VT, SAME_LN_R_IS, SAME_LEAK2 = 1.0, 0.1, 0.7, 1e-4
LAW_POWERS = 3  # number of distinct powers over LAW_SPAN that determine a law
LAW_SPAN = 4.0


class Prediction(NamedTuple):
    """Predicted readings.

    volts      (n, 2)
    by_ln_watt their derivatives by the logarithm of the power, (n, 2)
    jacobian   their derivatives by the parameters, (n, 2, p)
    """

    volts: Floats
    by_ln_watt: Floats
    jacobian: Floats


class ProblemOptions(NamedTuple):
    """What a problem was made with."""

    unknown: bool
    by_band: bool
    by_temperature: bool
    expectation: Expectation


class Problem:
    """Residuals as a function of the parameters x, (p,), whose order is that of `layout`.

    scatter  relative standard deviation of the reference between readings
    used     readings in use, (n, 2)
    """

    def __init__(
        self,
        readings: Readings,
        *,
        unknown: bool = False,
        by_band: bool = False,
        by_temperature: bool = False,
        expectation: Expectation = BROAD,
    ) -> None:
        self.readings = readings
        self.options = ProblemOptions(unknown, by_band, by_temperature, expectation)
        self._expectation = expectation
        self.unknown = unknown
        self.used: Bools = readings.used.copy()
        self.scatter = 0.02
        self._keyed = readings.power > 0
        self._mark = group_values(readings.power[self._keyed])
        # Sign of the reflection relative to the part of the leak in phase with that of an open.
        is_open, is_short = readings.condition == OPEN, readings.condition == SHORT
        self._phase = is_open.astype(float) - is_short
        self._full = [is_open | is_short | np.isin(readings.condition, own) for own in OWN]
        has_temperature = ~np.isnan(readings.temperature)
        self.temperature_c: float | None = None
        if has_temperature.any():
            self.temperature_c = float(np.median(readings.temperature[has_temperature]))
        room = ROOM_C if self.temperature_c is None else self.temperature_c
        self._warmer_c = np.where(has_temperature, readings.temperature - room, 0.0)
        self._vt_ratio = 1 + self._warmer_c / (room + KELVIN) if by_temperature else 1.0
        self._by_band, self._by_temperature = by_band, by_temperature
        bands = len(readings.bands_khz)
        self.layout = Layout(
            bands,
            len(readings.settings),
            by_band=by_band,
            by_temperature=by_temperature,
            marks=int(self._mark.max() + 1) if unknown else 0,
        )
        self._gain = np.zeros_like(readings.volts)
        self._aligned_sd = np.full((len(readings.settings), 2), 0.1)
        self._priors = self._make_priors()

    def full_wave(self, port: int) -> Bools:
        """Return a mask of rows in use with the full wave at a port, (n,)."""
        return np.asarray(
            self.used[:, port] & self._keyed & np.isin(self.readings.condition, FULL_WAVE[port])
        )

    def determines_law(self, port: int) -> bool:
        """True if a port had the full wave at enough powers to fit its law."""
        powers = np.unique(self.readings.power[self.full_wave(port)])
        return len(powers) >= LAW_POWERS and bool(
            self.unknown or powers[-1] >= LAW_SPAN * powers[0]
        )

    def start(self, r_is_v: float) -> Floats:
        """Return initial parameters, with couplings that fit the strongest readings."""
        x = np.zeros(self.layout.size)
        start = self.layout.view(x)
        start.laws[:3] = np.array([[25.0], [math.log(0.028)], [math.log(r_is_v)]])
        start.zero_v[:] = self.readings.zero_v
        start.leak2[:] = 1e-3
        readings = self.readings
        for port in (0, 1):
            rows = self.full_wave(port)
            volts = np.maximum(readings.volts[:, port] - readings.zero_v[port], 1e-5)
            watts = squared_peak_v(volts, 0.028, r_is_v) / (2 * IMPEDANCE_OHM)
            if self.unknown:
                if port == 0:
                    marks = self._mark[rows[self._keyed]]
                    start.ln_power[marks] = np.log(watts[rows] * 10**2.5)
            elif rows.any():
                strong = rows & (volts >= np.median(volts[rows]))
                start.coupling_db[port] = np.median(
                    DB * np.log(readings.power[strong] / watts[strong])
                )
            else:
                start.coupling_db[port] = start.coupling_db[0]
        return x

    def extend(self, simpler: Problem, x: Floats) -> Floats:
        """Return parameters that predict the same as `x` in a simpler problem."""
        wider = np.zeros(self.layout.size)
        for target, source in zip(self.layout.view(wider), simpler.layout.view(x), strict=True):
            target[: len(source)] = source
        return wider

    def predict(self, x: Floats) -> Prediction:
        """Return the predicted readings with their derivatives."""
        readings, band, phase = self.readings, self.readings.band, self._phase
        setting = readings.setting
        values = self.layout.view(x)
        incident = readings.power
        if self.unknown:
            incident = incident.copy()
            incident[self._keyed] = np.exp(values.ln_power)[self._mark]
        shape = readings.volts.shape
        result = Prediction(np.empty(shape), np.empty(shape), np.zeros((*shape, len(x))))
        rows, later = np.arange(len(incident)), band > 0
        for port, is_full in enumerate(self._full):
            share = values.leak2[setting, port] + 2 * phase * values.aligned[setting, port]
            share += is_full
            detected = self._detect(values, port, incident * share)
            result.volts[:, port] = detected.volts + values.zero_v[port]
            slopes = detected.by_watt * incident * share
            result.by_ln_watt[:, port] = slopes
            by = self.layout.view(result.jacobian[:, port])
            by.coupling_db[:, port] = -slopes / DB
            by.ln_n_vt[:, port] = detected.by_ln_n_vt
            by.ln_r_is[:, port] = detected.by_ln_r_is
            by.zero_v[:, port] = 1.0
            by.leak2[rows, setting, port] = detected.by_watt * incident
            by.aligned[rows, setting, port] = 2 * phase * detected.by_watt * incident
            if self._by_band:
                by.band_db[rows[later], band[later] - 1, port] = -slopes[later] / DB
            if self._by_temperature:
                by.r_is_per_c[:, port] = detected.by_ln_r_is * self._warmer_c
            if self.unknown:
                by.ln_power[rows[self._keyed], self._mark] = slopes[self._keyed]
        return result

    def _detect(self, values: Parameters, port: int, watts: Floats) -> Detected:
        band_db, per_c = 0.0, 0.0
        if self._by_band:
            band_db = np.append(0.0, values.band_db[:, port])[self.readings.band]
        if self._by_temperature:
            per_c = values.r_is_per_c[port]
        return detect(
            watts,
            values.coupling_db[port] + band_db,
            math.exp(values.ln_n_vt[port]) * self._vt_ratio,
            np.exp(values.ln_r_is[port] + per_c * self._warmer_c),
            IMPEDANCE_OHM,
        )

    def weigh(self, x: Floats) -> None:
        """Update the weights of points and the priors of the in-phase leaks from x."""
        self._gain = self.predict(x).by_ln_watt
        leak2 = np.maximum(self.layout.view(x).leak2, 1e-6)
        self._aligned_sd = np.sqrt(leak2 / 2 + np.square(self._expectation.aligned_sd))
        self._priors = self._make_priors()

    def residuals(self, x: Floats) -> Floats:
        """Return residuals in standard deviations: both readings per row (2n), then the priors."""
        matrix, values = self._priors
        miss = self.readings.volts - self.predict(x).volts
        return np.concatenate([self._standardise(miss).ravel(), matrix @ x - values])

    def jacobian(self, x: Floats) -> Floats:
        """Return the derivatives of the residuals by the parameters, (2n + k, p)."""
        by = -self._standardise(self.predict(x).jacobian)
        return np.concatenate([by.reshape(-1, len(x)), self._priors[0]])

    def effect(self, x: Floats, ln_watts: Floats) -> Floats:
        """Return the effect on the residuals, (2n + k, m), of changes of ln P, (n, 2, m).

        The changes are relative to the powers of the readings by the law of `x`.
        """
        volts = -self.predict(x).by_ln_watt[..., None] * ln_watts
        rows = -self._standardise(volts).reshape(-1, ln_watts.shape[-1])
        return np.concatenate([rows, np.zeros((len(self._priors[1]), rows.shape[1]))])

    def _standardise(self, volts: Floats) -> Floats:
        """Return volts (n, 2, ...) in standard deviations.

        The part that the second reading of a row shares with the first is removed.
        """
        used = self.used.reshape(*self.used.shape, *[1] * (volts.ndim - 2))
        volts = np.where(used, volts, 0.0)
        gain = np.where(self.used, self._gain, 0.0) * self.scatter
        variance = self.readings.sd_v**2 + gain**2
        shared = gain[:, 0] * gain[:, 1]
        rest = np.sqrt(variance[:, 1] - shared**2 / variance[:, 0])
        first = (volts[:, 0].T / np.sqrt(variance[:, 0])).T
        second = ((volts[:, 1].T - shared / variance[:, 0] * volts[:, 0].T) / rest).T
        return np.stack([first, second], axis=1)

    def miss_v(self, x: Floats) -> tuple[Floats, Floats]:
        """Return readings less predictions, and volts per unit of ln power; each (n, 2)."""
        prediction = self.predict(x)
        return self.readings.volts - prediction.volts, prediction.by_ln_watt

    def deviation(self, x: Floats, least_scatter: float = 0.0) -> Floats:
        """Return readings less predictions in standard deviations, (n, 2)."""
        miss_v, slopes = self.miss_v(x)
        scatter = max(self.scatter, least_scatter)
        return np.asarray(miss_v / np.hypot(self.readings.sd_v, scatter * slopes))

    def miss_db(self, x: Floats) -> Floats:
        """Return measured over true power in dB, (n, 2); valid for small values."""
        miss_v, slopes = self.miss_v(x)
        return np.asarray(DB * miss_v / np.maximum(slopes, 1e-9))

    def _make_priors(self) -> tuple[Floats, Floats]:
        """Return rows (k, p) and values (k,) of the priors, divided by their deviations."""
        index, unit = self.layout.index, np.eye(self.layout.size)
        rows: list[Floats] = []
        values: list[float] = []

        def expect(place: int, prior: tuple[float, float]) -> None:
            value, sd = prior
            rows.append(unit[place] / sd)
            values.append(value / sd)

        def expect_equal(ports: Times, sd: float) -> None:
            rows.append((unit[ports[0]] - unit[ports[1]]) / sd)
            values.append(0.0)

        for port in (0, 1):
            free = self.unknown and port == 0
            expect(index.coupling_db[port], COUPLING_UNKNOWN_DB if free else COUPLING_DB)
            narrow = self.unknown and self._expectation == BROAD
            expect(index.ln_n_vt[port], LN_N_VT_UNKNOWN if narrow else self._expectation.ln_n_vt)
            expect(index.ln_r_is[port], self._expectation.ln_r_is)
            expect(index.zero_v[port], ZERO_V)
        if not self.full_wave(1).any():
            expect_equal(index.coupling_db, SAME_COUPLING_DB)
        if self.unknown or not self.determines_law(1):
            expect_equal(index.ln_n_vt, SAME_LN_N_VT)
            expect_equal(index.ln_r_is, SAME_LN_R_IS)
        reversed_settings = self.readings.setting[self.readings.condition == REVERSED]
        for setting, sd in enumerate(self._aligned_sd):
            _, load = self.readings.settings[setting]
            expect(index.leak2[setting, 0], LEAK2)
            expect(index.aligned[setting, 0], (0.0, sd[0]))
            if setting not in reversed_settings and load.ohm is None:
                expect_equal(index.leak2[setting], SAME_LEAK2)
            expect(index.leak2[setting, 1], (load.gamma**2, MISMATCH_SD) if load.ohm else LEAK2)
            expect(index.aligned[setting, 1], (0.0, sd[1]))
        for places, prior in (
            (index.band_db, BAND_DB),
            (index.r_is_per_c, R_IS_PER_C),
            (index.ln_power, LN_POWER),
        ):
            for place in places.ravel():
                expect(place, prior)
        return np.array(rows), np.array(values)
