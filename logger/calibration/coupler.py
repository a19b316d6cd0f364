"""Calibrated coupler: volts to watts and flags, with uncertainty.

This module is responsible for applying a calibration file. Input: the content of the file and the
volts of pairs. Output: watts, flags, the readable floor, and variances of powers and ratios.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from copy import copy
from functools import cached_property

import msgspec
import numpy as np

from drivers.contract import SampleBlock
from logger.blocks import Bits, Floats, Noise
from logger.calibration.detector import KELVIN, ROOM_C, DetectorLaw, interpolate_db, squared_peak_v
from logger.calibration.file import Assumptions, CalibrationFile, Port, identify
from logger.calibration.strays import find_leaks, harmonic2
from logger.physics.reflection import COVERAGE, LEAST_W, Stray, blend
from logger.quantiles import distinct
from logger.rows import Flag

SENSITIVITY_POINTS = 256
UNKNOWN_END_V = 20.0  # end of the laws if the file does not state the end of the converter
LEAKAGE_PER_DECADE = 0.08  # see `Coupler.watts_u`
LEAST_V = 2e-4  # volts above the zero at which the sensitivities end
TEMPERATURE_STEP_C = 0.5
MOST_FLOORS = 16  # remembered
MOST_TEMPERATURES = 64  # cached laws; each is a table
TEMPERATURE_RANGE_C = 8.0  # usual distance of the shack from the bench, either way
EDGE = 1.03  # 0.25 dB: a power setting that varies by as much is still that of a bench point
TEMPERATURE = "temperature_c"  # auxiliary column of pairs
# Range of a coupler's temperature. A sensor that lost its supply or its wire reports 85 or -127 °C.
PLAUSIBLE_C = (-40.0, 80.0)
SQRT3 = math.sqrt(3)  # of a rectangular distribution (JCGM 100:2008, 4.3.7)
READABLE_RHO = 0.2  # the reflection coefficient of SWR 1.5
READABLE_FACTOR = COVERAGE / READABLE_RHO**2


def coupler_temperature(aux: Mapping[str, Floats]) -> Floats | None:
    """Return the coupler's temperature of each pair in °C, (n,), NaN where it is not known.

    None if the bridge does not report it.
    """
    celsius = aux.get(TEMPERATURE)
    if celsius is None:
        return None
    lowest, highest = PLAUSIBLE_C
    return np.where((celsius > lowest) & (celsius < highest), celsius, np.nan)


class Coupler:
    """Coupler with one calibration. Immutable after construction.

    least_slope         watts per volt of the reflected reading at its zero
    leak, forward_leak  directivity of both ports as magnitudes, as far as their size is known
    lowest_v, ends_v    least forward reading and highest of both ports that the points cover, volts
    stray               waves of unknown size: leaks, harmonics, re-reflection by the antenna port
    """

    def __init__(
        self,
        content: CalibrationFile,
        frequency_khz: float | None = None,
        temperature_range_c: float = TEMPERATURE_RANGE_C,
    ) -> None:
        """Prepare the tables.

        frequency_khz        of pairs that do not report their own
        temperature_range_c  largest distance of the detectors' temperature from that of the bench
        """
        self.content = content
        self.temperature_range_c = temperature_range_c
        self._frequency_khz = frequency_khz
        self.id = identify(content)
        top_v = 1.05 * max(
            content.valid.forward_v[1],
            content.valid.reflected_v[1],
            content.converter.full_scale_v or UNKNOWN_END_V,
        )
        self._top_v = top_v
        self.lowest_v = content.valid.forward_v[0] / EDGE
        self.ends_v = (EDGE * content.valid.forward_v[1], EDGE * content.valid.reflected_v[1])
        self._ports = {"forward": content.forward, "reflected": content.reflected}
        self.forward = self._law(content.forward)
        self.reflected = self._law(content.reflected)
        self._laws = {"forward": self.forward, "reflected": self.reflected}
        self.least_slope = float(self.reflected.slope(self.reflected.zero_v))
        self.leak, self.forward_leak, self.strays = find_leaks(content)
        self.stray = Stray(*np.sum(list(self.strays.values()), axis=0).tolist())
        self._by_temperature: dict[tuple[str, int], DetectorLaw] = {}
        self._floors_w: dict[Noise, float] = {}  # asked for several times a block
        self.relative_watts = content.watts == "relative"
        self._sensitivity_v = np.linspace(0.0, 1.0, SENSITIVITY_POINTS) ** 4 * top_v
        self._sensitivities = self._tabulate_sensitivities()
        self._matrix = np.array([] if content.covariance is None else content.covariance.matrix)

    def _law(self, port: Port, warmer_c: float = 0.0) -> DetectorLaw:
        return DetectorLaw.of(
            port,
            self._top_v,
            self.content.impedance_ohm,
            warmer_c,
            ROOM_C if self.content.temperature_c is None else self.content.temperature_c,
        )

    def power(self, block: SampleBlock) -> tuple[Floats, Floats, Bits]:
        """Return incident watts, reflected watts and flags of a block, each (n,).

        Flags are CLIPPED (a reading at the end of the converter's range), EXTRAPOLATED (a reading
        above the range of the bench points), and RELATIVE with relative watts.
        """
        forward_w = self.watts("forward", block.forward_v, block.aux, block.step_v[0])
        reflected_w = self.watts("reflected", block.reflected_v, block.aux, block.step_v[1])
        full_scale = block.full_scale_v or self.content.converter.full_scale_v or np.inf
        flags = np.zeros(len(block), dtype=np.uint8)
        for volts, step_v, highest in (
            (block.forward_v, block.step_v[0], self.ends_v[0]),
            (block.reflected_v, block.step_v[1], self.ends_v[1]),
        ):
            clip_from = full_scale - 0.5 * max(step_v, self.content.converter.step_v)
            if volts.max() > min(highest, clip_from):
                flags |= (volts > highest).astype(np.uint8) * np.uint8(Flag.EXTRAPOLATED)
                flags |= (volts >= clip_from).astype(np.uint8) * np.uint8(Flag.CLIPPED)
        if self.relative_watts:
            flags |= np.uint8(Flag.RELATIVE)
        return forward_w, reflected_w, flags

    def watts(
        self, side: str, volts: Floats, aux: Mapping[str, Floats], step_v: float = 0.0
    ) -> Floats:
        """Return the watts at the port `forward` or `reflected`, (n,) -> (n,).

        `step_v` is as in the law. `aux` may hold the `temperature_c` and `frequency_khz` of each
        pair, which are used where the calibration depends on them.
        """
        port, law = self._ports[side], self._laws[side]
        temperature = coupler_temperature(aux)
        if port.r_is_per_c and temperature is not None and self.content.temperature_c is not None:
            warmer_c = np.nan_to_num(temperature - self.content.temperature_c)
            steps = np.rint(warmer_c / TEMPERATURE_STEP_C).astype(np.int64)
            watts = np.empty_like(volts)
            for step in distinct(steps):
                mask = steps == step
                watts[mask] = self._warmer(side, int(step)).watts(volts[mask])
        else:
            watts = law.watts(volts, step_v)
        if port.coupling_by_khz:
            khz, db = np.array(port.coupling_by_khz).T
            usual = self._frequency_khz or khz[0]
            frequency = aux.get("frequency_khz", np.array([usual]))
            ln_frequency = np.log(np.where(frequency > 0, frequency, usual))
            watts *= 10 ** (np.interp(ln_frequency, np.log(khz), db) / 10)
        return watts

    def at(self, celsius: float) -> Coupler:
        """Return the coupler with the laws by which pairs of this temperature are converted.

        That is the coupler itself if the temperature is NaN, or if the calibration does not depend
        on it.
        """
        bench_c = self.content.temperature_c
        if math.isnan(celsius) or bench_c is None or not self.depends_on_temperature:
            return self
        step = round((celsius - bench_c) / TEMPERATURE_STEP_C)
        other = copy(self)
        other._laws = {
            side: self._warmer(side, step) if port.r_is_per_c else self._laws[side]
            for side, port in self._ports.items()
        }
        other.forward, other.reflected = other._laws["forward"], other._laws["reflected"]
        return other

    @property
    def depends_on_temperature(self) -> bool:
        """True if pairs are corrected for their temperature."""
        return self.content.temperature_c is not None and any(
            port.r_is_per_c for port in self._ports.values()
        )

    def _warmer(self, side: str, step: int) -> DetectorLaw:
        key = side, step
        if key not in self._by_temperature:
            if len(self._by_temperature) >= MOST_TEMPERATURES:
                self._by_temperature.clear()
            self._by_temperature[key] = self._law(self._ports[side], step * TEMPERATURE_STEP_C)
        return self._by_temperature[key]

    def readable_floor_w(self, noise: Noise) -> float:
        """Return the lowest incident power at which the SWR of one pair can be stated, watts.

        There, two standard deviations of the reflected reading about zero equal the reflection of
        an SWR of 1.5, so that 1.0 and 1.5 can be distinguished with 95 % confidence. The law is
        evaluated over these two, since at the zero itself a silicon diode converts microvolts to
        watts.
        """
        floor_w = self._floors_w.get(noise)
        if floor_w is None:
            high_v = COVERAGE * math.hypot(noise.sd_v[1], noise.zero_u_v[1])
            reflected_w = self.reflected.watts(np.array([self.reflected.zero_v + high_v]))
            floor_w = float(reflected_w[0]) / READABLE_RHO**2
            if len(self._floors_w) >= MOST_FLOORS:
                self._floors_w.clear()
            self._floors_w[noise] = floor_w
        return floor_w

    @cached_property
    def worst_leak(self) -> float:
        """Magnitude of the leak of the reflected port that is not exceeded in 95 %."""
        if not self.stray.constant:
            return self.leak
        return float(
            blend(np.array(COVERAGE * math.sqrt(self.stray.constant)), np.array(self.leak))
        )

    def ratio_variance(self, forward_v: Floats, reflected_v: Floats, zero_u: Noise) -> Floats:
        """Return the variance of ln(reflected/incident) that averaging does not reduce, (n,)."""
        return np.asarray(sum(self.ratio_components(forward_v, reflected_v, zero_u).values()))

    def ratio_components(
        self, forward_v: Floats, reflected_v: Floats, zero_u: Noise
    ) -> dict[str, Floats]:
        """Return the components of `ratio_variance` by name, (n,) each.

        law: doubt of both laws; zero: of both ports; fit: covariance of the fitted parameters; and
        with assumptions, temperature, load (its effect on the balance) and harmonics (likewise).
        """
        by = self._by_parameters("reflected", reflected_v) - self._by_parameters(
            "forward", forward_v
        )
        readings = (("forward", forward_v), ("reflected", reflected_v))
        zeros = [
            self._zero_variance(side, volts, u_v)
            for (side, volts), u_v in zip(readings, zero_u.zero_u_v, strict=True)
        ]
        laws = [self._law_variance(side, volts) for side, volts in readings]
        components = {
            "zero": zeros[0] + zeros[1],
            "law": laws[0] + laws[1],
            "fit": self._quadratic(by),
        }
        assumptions = self.content.assumptions
        if isinstance(assumptions, Assumptions):
            load2 = 10 ** (-assumptions.load_return_loss_db / 10)
            leak2 = self.leak**2 + 2 * self.stray.constant + 2 * self.strays["directivity"][1]
            components["temperature"] = self._temperature_variance(by)
            components["load"] = np.full(by.shape[1:], 2 * load2 * leak2)
            components["harmonics"] = np.full(by.shape[1:], 2 * harmonic2(assumptions))
        return components

    def watts_u(self, side: str, reading_v: Floats, zero_u_v: float = 0.0) -> Floats:
        """Return the relative standard uncertainty of the watts of mean readings, (n,) -> (n,).

        Without noise; meaningless with relative watts.
        """
        return np.sqrt(sum(self.watts_components(side, reading_v, zero_u_v).values()))

    def watts_components(
        self, side: str, reading_v: Floats, zero_u_v: float = 0.0
    ) -> dict[str, Floats]:
        """Return the components of the squared `watts_u` by name, (n,) each.

        The accuracy class of the reference meter is a rectangular distribution (JCGM
        100:2008, 4.3.7). Below the lowest bench point reverse leakage of diode and
        board bends the law, by 0.08 of the power per decade of volts (an estimate from common
        parts).
        """
        instrument = self.content.instrument
        percent = float(instrument.get("reference_class_percent", 0.0))
        exponent = 1 if instrument.get("reference", "watts") == "watts" else 2  # of volts
        of_class = exponent * percent / 100 / SQRT3
        zero_v = self._laws[side].zero_v
        lowest_v: float = getattr(self.content.valid, f"{side}_v")[0] - zero_v
        above_v = np.maximum(reading_v - zero_v, LEAST_V)
        of_leakage = LEAKAGE_PER_DECADE * np.log10(np.maximum(lowest_v / above_v, 1.0))
        by = self._by_parameters(side, reading_v)
        components = {
            "zero": self._zero_variance(side, reading_v, zero_u_v),
            "detector law": self._law_variance(side, reading_v),
            "fit": self._quadratic(by),
            "reference class": np.full_like(reading_v, of_class**2),
            "extrapolation": of_leakage**2,
        }
        assumptions = self.content.assumptions
        if isinstance(assumptions, Assumptions):
            harmonics = np.full_like(reading_v, 2 * harmonic2(assumptions))
            components |= {"temperature": self._temperature_variance(by), "harmonics": harmonics}
        return components

    def returned_wave(self, rho: Floats) -> tuple[Floats, Floats]:
        """Return what the reflected wave may add to ln P of the forward port, (n,) -> (n,) each.

        The port reads |1 + leak rho|**2 of the power, in unknown phase. The values are the standard
        uncertainty where the size of the leak is not known, and the bound where it is.
        """
        of_unknown = np.sqrt(4 * self.strays["directivity"][1]) * rho
        return np.asarray(of_unknown), np.asarray(
            -2 * np.log1p(-np.minimum(self.forward_leak, 0.9) * rho)
        )

    def _temperature_variance(self, by: Floats) -> Floats:
        """Return the variance (n,) of a quantity with derivatives `by` (p, n) by the parameters.

        n Vt is in proportion to the absolute temperature. R Is follows `assumptions`, unless its
        change was fitted, since the temperature of each pair is then known.
        """
        assumptions, content = self.content.assumptions, self.content
        per_c = np.zeros(len(by))
        if isinstance(assumptions, Assumptions) and content.covariance is not None:
            room_c = ROOM_C if content.temperature_c is None else content.temperature_c
            for place, name in enumerate(content.covariance.parameters):
                side, _, field = name.partition(".")
                port = self._ports[side]
                if field == "n_vt_v" and not port.r_is_per_c:
                    per_c[place] = port.n_vt_v / (room_c + KELVIN)
                elif field == "r_is_v" and not port.r_is_per_c:
                    per_c[place] = port.r_is_v * assumptions.r_is_per_c
        return np.asarray((np.tensordot(per_c, by, axes=1) * self.temperature_range_c) ** 2 / 3)

    def _zero_variance(self, side: str, reading_v: Floats, zero_u_v: float) -> Floats:
        """Return the variance of ln P of a port from its zero, (n,)."""
        law = self._laws[side]
        # At the lower end of a converter that cannot read below 0 the detector may be at its zero.
        above_v = np.maximum(reading_v - law.zero_v, 0.0)
        hidden_v = np.where(reading_v < self.content.converter.step_v, above_v, 0.0)
        off_v = np.hypot(zero_u_v, hidden_v)
        of_zero = law.slope(reading_v) * off_v / np.maximum(law.watts(reading_v), LEAST_W)
        return np.asarray(of_zero**2)

    def _law_variance(self, side: str, reading_v: Floats) -> Floats:
        """Return the variance of ln P of a port from the choice of its law, (n,)."""
        port = self._ports[side]
        doubt_db = interpolate_db(port.doubt, reading_v - port.zero_v)
        return np.asarray((doubt_db * math.log(10) / 10) ** 2)

    def _by_parameters(self, side: str, reading_v: Floats) -> Floats:
        """Return the derivatives of ln P of a port by the fitted parameters, (p, n).

        The parameters are those of both ports.
        """
        covariance = self.content.covariance
        names = [] if covariance is None else covariance.parameters
        by = np.zeros((len(names), *np.shape(reading_v)))
        law = self._laws[side]
        volts = reading_v - law.zero_v
        for row, name, table in zip(by, names, self._sensitivities, strict=True):
            if name == f"{side}.zero_v":  # near the zero, watts count, not their logarithm
                row[:] = -law.slope(reading_v) / np.maximum(law.watts(reading_v), LEAST_W)
            elif name.startswith(f"{side}."):
                row[:] = np.interp(volts, self._sensitivity_v, table)
        return by

    def _quadratic(self, by: Floats) -> Floats:
        """Return the variance (n,) of a quantity with derivatives `by` (p, n) by the parameters."""
        if not len(by):
            return np.zeros(by.shape[1:])
        return np.asarray((by * np.tensordot(self._matrix, by, axes=1)).sum(axis=0))

    def _tabulate_sensitivities(self) -> list[Floats]:
        """Return d ln P / d parameter of each fitted parameter at `_sensitivity_v`."""
        covariance = self.content.covariance
        if covariance is None:
            return []
        tables = []
        for name in covariance.parameters:
            side, _, field = name.partition(".")
            port = self._ports[side]
            value = getattr(port, field)
            step = 1e-4 if field in ("coupling_db", "zero_v") else 1e-4 * value
            readings = self._sensitivity_v + port.zero_v + LEAST_V
            higher, lower = (
                _ln_watts(msgspec.structs.replace(port, **{field: value + change}), readings)
                for change in (step, -step)
            )
            tables.append((higher - lower) / (2 * step))
        return tables


def _ln_watts(port: Port, reading_v: Floats) -> Floats:
    """Return ln of a port's watts up to a constant, (n,) -> (n,)."""
    volts = reading_v - port.zero_v
    by_law = np.log(squared_peak_v(volts, port.n_vt_v, port.r_is_v))
    db = port.coupling_db + interpolate_db(port.correction, volts)
    return np.asarray(by_law + db * math.log(10) / 10)
