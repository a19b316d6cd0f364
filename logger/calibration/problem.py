"""Least-squares problem of the bench points.

All points are fitted at once, weighted in the logarithm of power. A residual is in volts, divided
by its standard deviation in volts: this equals the weighting in the logarithm where a reading is
clear of the noise, and uses other readings (a leak, an unkeyed row) according to their information.
The two readings of a row share the scatter of the reference, which cancels in their ratio.
"""

from __future__ import annotations

import math

import numpy as np

from logger.blocks import Bools, Floats
from logger.calibration.bench_points import CONDITIONS
from logger.calibration.detector import squared_peak_v
from logger.calibration.model import detect
from logger.calibration.readings import Readings, alike

IMPEDANCE_OHM = 50.0
KELVIN = 273.15
ROOM_C = 21.0
DB = 10 / math.log(10)
MATCHED, REVERSED, OPEN, SHORT = range(len(CONDITIONS))
FULL_WAVE = ((MATCHED, OPEN, SHORT), (REVERSED, OPEN, SHORT))  # by port

# Priors: value, standard deviation.
COUPLING_DB = (25.0, 50.0)
COUPLING_UNKNOWN_DB = (25.0, 1e-3)  # watts unknown: any value is valid
LN_N_VT = (math.log(0.030), 0.4)  # n from 1 to 2.5 at room temperature
LN_N_VT_UNKNOWN = (math.log(0.028), 0.08)  # watts unknown: the law must be that of typical diodes
LN_R_IS = (math.log(3e-3), 4.0)  # from microvolts to volts
ZERO_V = (0.0, 0.01)
LEAK2 = (0.0, 0.05)
BAND_DB = (0.0, 3.0)
R_IS_PER_C = (0.06, 0.03)  # saturation current doubles in about ten degrees
LN_POWER = (0.0, 20.0)
# Difference between the ports of one coupler, used where the points do not determine it: dB, ln n
# Vt, ln R Is.
ALIKE = (1.0, 0.1, 0.7)
SAME_LEAK2 = 1e-4
LAW_POWERS = 3  # number of distinct powers over LAW_SPAN that determine a law
LAW_SPAN = 4.0

C, N_VT, R_IS, ZERO = range(4)  # of a port


class Problem:
    """Residuals as a function of the parameters x, (p,).

    The parts of x: `law` (coupling dB, ln n Vt, ln R Is, zero V of the forward, then of the
    reflected port), `leak` (squared leaks of both ports, then their parts in phase with the
    reflection of an open, by band), `band` (dB of coupling of both ports relative to the first
    band), `temperature` (ln R Is per degree of both ports), `power` (ln W of each mark, if
    unknown).

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
    ) -> None:
        self.readings = readings
        self.unknown = unknown
        self.used: Bools = readings.used.copy()
        self.scatter = 0.02
        self._keyed = readings.power > 0
        self._mark = alike(readings.power[self._keyed])
        # Sign of the reflection relative to the part of the leak in phase with that of an open.
        is_open, is_short = readings.condition == OPEN, readings.condition == SHORT
        self._phase = is_open.astype(float) - is_short
        self._bands = len(readings.bands_khz)
        known = ~np.isnan(readings.temperature)
        self.temperature_c = float(np.median(readings.temperature[known])) if known.any() else None
        room = ROOM_C if self.temperature_c is None else self.temperature_c
        self._warmer_c = np.where(known, readings.temperature - room, 0.0)
        self._vt_ratio = 1 + self._warmer_c / (room + KELVIN) if by_temperature else 1.0
        self.part: dict[str, slice] = {}
        end = 0
        for name, size in (
            ("law", 8),
            ("leak", 4 * self._bands),
            ("band", 2 * (self._bands - 1) * by_band),
            ("temperature", 2 * by_temperature),
            ("power", (self._mark.max() + 1) * unknown),
        ):
            self.part[name] = slice(end, end + size)
            end += size
        self._gain = np.zeros_like(readings.volts)
        self._aligned_sd = np.full((self._bands, 2), 0.1)
        self._assumed = self._assumptions(end)

    def full_wave(self, port: int) -> Bools:
        """Return a mask of rows in use with the full wave at a port, (n,)."""
        return np.asarray(
            self.used[:, port] & self._keyed & np.isin(self.readings.condition, FULL_WAVE[port])
        )

    def hears_itself(self, port: int) -> tuple[bool, bool]:
        """Return two flags: a port had the full wave at all; at enough powers to fit its law."""
        powers = np.unique(self.readings.power[self.full_wave(port)])
        enough = len(powers) >= LAW_POWERS and (self.unknown or powers[-1] >= LAW_SPAN * powers[0])
        return len(powers) > 0, bool(enough)

    def start(self, r_is_v: float) -> Floats:
        """Return initial parameters, with couplings that fit the strongest readings."""
        x = np.zeros(len(self._assumed[0][0]))
        x[self.part["law"]] = [25.0, math.log(0.028), math.log(r_is_v), 0.0] * 2
        x[[ZERO, 4 + ZERO]] = self.readings.zero_v
        x[self.part["leak"]] = ([1e-3] * 2 + [0.0] * 2) * self._bands
        readings = self.readings
        for port in (0, 1):
            rows = self.full_wave(port)
            volts = np.maximum(readings.volts[:, port] - readings.zero_v[port], 1e-5)
            watts = squared_peak_v(volts, 0.028, r_is_v) / (2 * IMPEDANCE_OHM)
            if self.unknown:
                if port == 0:
                    for row in np.flatnonzero(rows):
                        mark = self._mark[np.count_nonzero(self._keyed[:row])]
                        x[self.part["power"].start + mark] = math.log(watts[row] * 10**2.5)
            elif rows.any():
                strong = rows & (volts >= np.median(volts[rows]))
                x[4 * port] = np.median(DB * np.log(readings.power[strong] / watts[strong]))
            else:
                x[4 * port] = x[0]
        return x

    def extend(self, simpler: Problem, x: Floats) -> Floats:
        """Return parameters that predict the same as `x` in a simpler problem."""
        wider = np.zeros(len(self._assumed[0][0]))
        for name, part in simpler.part.items():
            wider[self.part[name]][: part.stop - part.start] = x[part]
        return wider

    def predict(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Return predicted readings (n, 2) in volts, and their derivatives.

        The derivatives are by the logarithm of the power (n, 2) and by the parameters (n, 2, p).
        """
        readings, part = self.readings, self.part
        incident = readings.power
        if self.unknown:
            incident = incident.copy()
            incident[self._keyed] = np.exp(x[part["power"]])[self._mark]
        leak = x[part["leak"]].reshape(self._bands, 4)[readings.band]
        volts, slopes = np.empty_like(readings.volts), np.empty_like(readings.volts)
        jacobian = np.zeros((*readings.volts.shape, len(x)))
        rows = np.arange(len(incident))
        first_leak = part["leak"].start + 4 * readings.band
        for port, own in ((0, MATCHED), (1, REVERSED)):
            law = x[4 * port : 4 * port + 4]
            heard = leak[:, port] + 2 * self._phase * leak[:, 2 + port]
            heard += (self._phase != 0) | (readings.condition == own)
            found = detect(
                incident * heard,
                law[C] + self._band_db(x, port),
                math.exp(law[N_VT]) * self._vt_ratio,
                np.exp(law[R_IS] + self._per_c(x, port) * self._warmer_c),
                IMPEDANCE_OHM,
            )
            volts[:, port] = found.volts + law[ZERO]
            slopes[:, port] = found.by_watt * incident * heard
            by = jacobian[:, port]
            by[:, 4 * port + C] = -slopes[:, port] / DB
            by[:, 4 * port + N_VT] = found.by_ln_n_vt
            by[:, 4 * port + R_IS] = found.by_ln_r_is
            by[:, 4 * port + ZERO] = 1.0
            by[rows, first_leak + port] = found.by_watt * incident
            by[rows, first_leak + 2 + port] = 2 * self._phase * found.by_watt * incident
            if part["band"].stop > part["band"].start:
                beyond = readings.band > 0
                at = part["band"].start + 2 * (readings.band[beyond] - 1) + port
                by[rows[beyond], at] = -slopes[beyond, port] / DB
            if part["temperature"].stop > part["temperature"].start:
                by[:, part["temperature"].start + port] = found.by_ln_r_is * self._warmer_c
            if self.unknown:
                by[rows[self._keyed], part["power"].start + self._mark] = slopes[self._keyed, port]
        return volts, slopes, jacobian

    def weigh(self, x: Floats) -> None:
        """Update the weights of points and the priors of the in-phase leaks from x."""
        self._gain = self.predict(x)[1]
        leak2 = x[self.part["leak"]].reshape(self._bands, 4)[:, :2]
        self._aligned_sd = np.sqrt(np.maximum(leak2, 1e-6) / 2)
        self._assumed = self._assumptions(len(x))

    def residuals(self, x: Floats) -> Floats:
        """Return residuals in standard deviations: both readings per row (2n), then the priors."""
        matrix, values = self._assumed
        miss = self.readings.volts - self.predict(x)[0]
        return np.concatenate([self._standardised(miss).ravel(), matrix @ x - values])

    def jacobian(self, x: Floats) -> Floats:
        """Return the derivatives of the residuals by the parameters, (2n + k, p)."""
        by = -self._standardised(self.predict(x)[2])
        return np.concatenate([by.reshape(-1, len(x)), self._assumed[0]])

    def effect(self, x: Floats, ln_watts: Floats) -> Floats:
        """Return the effect on the residuals, (2n + k, m), of changes of ln P, (n, 2, m).

        The changes are relative to the powers of the readings by the law of `x`.
        """
        volts = -self.predict(x)[1][..., None] * ln_watts
        rows = -self._standardised(volts).reshape(-1, ln_watts.shape[-1])
        return np.concatenate([rows, np.zeros((len(self._assumed[1]), rows.shape[1]))])

    def _standardised(self, volts: Floats) -> Floats:
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
        volts, slopes, _ = self.predict(x)
        return self.readings.volts - volts, slopes

    def deviation(self, x: Floats, least_scatter: float = 0.0) -> Floats:
        """Return readings less predictions in standard deviations, (n, 2)."""
        miss_v, slopes = self.miss_v(x)
        scatter = max(self.scatter, least_scatter)
        return np.asarray(miss_v / np.hypot(self.readings.sd_v, scatter * slopes))

    def miss_db(self, x: Floats) -> Floats:
        """Return measured over true power in dB, (n, 2); valid for small values."""
        miss_v, slopes = self.miss_v(x)
        return np.asarray(DB * miss_v / np.maximum(slopes, 1e-9))

    def _band_db(self, x: Floats, port: int) -> Floats | float:
        own = x[self.part["band"]][port::2]
        return np.concatenate([[0.0], own])[self.readings.band] if len(own) else 0.0

    def _per_c(self, x: Floats, port: int) -> float:
        own = x[self.part["temperature"]]
        return float(own[port]) if len(own) else 0.0

    def _assumptions(self, size: int) -> tuple[Floats, Floats]:
        """Return rows (k, p) and values (k,) of the priors, divided by their deviations."""
        rows: list[tuple[dict[int, float], float, float]] = []

        def near(index: int, value: float, sd: float) -> None:
            rows.append(({index: 1.0}, value, sd))

        def alike(index: int, other: int, sd: float) -> None:
            rows.append(({index: 1.0, other: -1.0}, 0.0, sd))

        for port in (0, 1):
            near(4 * port + C, *(COUPLING_UNKNOWN_DB if self.unknown and not port else COUPLING_DB))
            near(4 * port + N_VT, *(LN_N_VT_UNKNOWN if self.unknown else LN_N_VT))
            near(4 * port + R_IS, *LN_R_IS)
            near(4 * port + ZERO, *ZERO_V)
        heard, enough = self.hears_itself(1)
        if not heard:
            alike(C, 4 + C, ALIKE[C])
        if self.unknown or not enough:
            alike(N_VT, 4 + N_VT, ALIKE[N_VT])
            alike(R_IS, 4 + R_IS, ALIKE[R_IS])
        condition, band = self.readings.condition, self.readings.band
        for number in range(self._bands):
            first = self.part["leak"].start + 4 * number
            for port, own in ((0, REVERSED), (1, MATCHED)):
                near(first + port, *LEAK2)
                near(first + 2 + port, 0.0, float(self._aligned_sd[number, port]))
                if port == 0 and not np.any((condition == own) & (band == number)):
                    alike(first, first + 1, SAME_LEAK2)
        for index in range(self.part["band"].start, self.part["band"].stop):
            near(index, *BAND_DB)
        for index in range(self.part["temperature"].start, self.part["temperature"].stop):
            near(index, *R_IS_PER_C)
        for index in range(self.part["power"].start, self.part["power"].stop):
            near(index, *LN_POWER)
        matrix = np.zeros((len(rows), size))
        for number, (factors, _, sd) in enumerate(rows):
            for index, factor in factors.items():
                matrix[number, index] = factor / sd
        return matrix, np.array([value / sd for _, value, sd in rows])
