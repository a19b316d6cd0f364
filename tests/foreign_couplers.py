"""Homebuilt couplers with detectors by laws that the package does not use.

`draw_coupler(seed, kind)` returns one, of `KINDS`: "cycle" (current of a diode with series
resistance and junction capacitance, averaged over the RF cycle), "germanium" (two slopes and
leakage), "compensated" (an op-amp with a second diode), "logarithmic". `bench_points` returns bench
points as a user would collect them, with a real reference meter and dummy load. `volts` returns
detector volts for any power and load with the truth beside them; arrays broadcast.

    coupler = draw_coupler(5, "germanium")
    csv_text = bench_points(coupler, (0.1, 0.5, 1, 2, 4), seed=5)
    reading = volts(coupler, 3.0, 0.2 * np.exp(1j * np.linspace(0, 6.28, 50)), seed=6)
    reading.forward_v, reading.reflected_v     # (50,) as the converter gives them
    reading.forward_w, reading.reflected_w, reading.swr      # the truth

Phases, powers and gammas belong to the coupler's antenna port. Values of parts are invented within
what is common for such parts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import wrightomega

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

KINDS = ("cycle", "germanium", "compensated", "logarithmic")
CB_KHZ = 27_205.0
ROOM_C = 25.0
MOST_W = 20.0
IMPEDANCE = 50.0
THERMAL_V = 0.02569  # kT/q at 25 °C
PEAK_GRID = np.geomspace(1e-4, 80, 140)  # volts of the wave at the detector
# Nodes over half an RF cycle, dense about its peak where the diode conducts.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_U = (_NODES + 1) / 2
COSINE = np.cos(np.pi * _U**3)
SHARE = _WEIGHTS / 2 * 3 * _U**2


def _balance(peak_v: Floats, net_current: Callable[[Floats, Floats], Floats]) -> Floats:
    """Return the output, (n,), at which `net_current(peak_v, output)` is 0, by bisection."""
    low, high = np.full(peak_v.shape, np.log(1e-13)), np.log(peak_v)
    for _ in range(42):
        middle = (low + high) / 2
        charging = net_current(peak_v, np.exp(middle)) > 0
        low, high = np.where(charging, middle, low), np.where(charging, high, middle)
    return np.exp((low + high) / 2)


class _Detector:
    """A law from the peak of the wave to volts, tabulated when first asked for."""

    def solve(self, peak_v: Floats) -> Floats:
        raise NotImplementedError

    def volts(self, peak_v: Floats) -> Floats:
        """Return output volts without offset, 0 for 0 V, in proportion to power when small."""
        table = _table(self)
        peak_v = np.asarray(peak_v, dtype=float)
        inside = np.clip(peak_v, PEAK_GRID[0], PEAK_GRID[-1])
        output = np.exp(table(np.log(inside)))
        return output * np.minimum(peak_v / PEAK_GRID[0], 1) ** 2


@lru_cache(maxsize=256)
def _table(detector: _Detector) -> PchipInterpolator:
    return PchipInterpolator(np.log(PEAK_GRID), np.log(detector.solve(PEAK_GRID)))


@dataclass(frozen=True)
class CycleDetector(_Detector):
    """Peak detector of a diode behind resistance: what it conducts in a cycle leaves by the load.

    The current solves i = Is (exp((v - i Rs) / (n Vt)) - 1), by the Wright omega function. The
    junction's capacitance, less with reverse bias, takes part of the RF.
    """

    saturation_a: float
    ideality: float
    series_ohm: float
    load_ohm: float
    junction_pf: float

    def solve(self, peak_v: Floats) -> Floats:
        """Return output volts, (n,)."""
        return _balance(peak_v, self._net_current)

    def _net_current(self, peak_v: Floats, output: Floats) -> Floats:
        capacitance = self.junction_pf * 1e-12 / (1 + output / 0.6) ** 0.4
        share = 2 * np.pi * CB_KHZ * 1e3 * capacitance * self.series_ohm
        reaching = peak_v / np.sqrt(1 + share**2)
        across = reaching[:, None] * COSINE - output[:, None]
        unit = self.ideality * THERMAL_V
        drive = self.saturation_a * self.series_ohm
        bent = wrightomega((across + drive) / unit + np.log(drive / unit))
        return (unit / self.series_ohm * bent - self.saturation_a) @ SHARE - output / self.load_ohm


@dataclass(frozen=True)
class GermaniumDetector(_Detector):
    """Point contact: exponential at first, a second lazier slope above, and reverse leakage."""

    saturation_a: float
    slope_v: float
    second_a: float
    second_slope_v: float
    bulk_ohm: float
    leak_ohm: float
    load_ohm: float

    def solve(self, peak_v: Floats) -> Floats:
        """Return output volts, (n,)."""
        return _balance(peak_v, self._net_current)

    def _net_current(self, peak_v: Floats, output: Floats) -> Floats:
        across = peak_v[:, None] * COSINE - output[:, None]
        free = self.saturation_a * np.expm1(np.minimum(across / self.slope_v, 60))
        free += self.second_a * np.expm1(np.minimum(across / self.second_slope_v, 60))
        # The bulk takes over where the junction would conduct better.
        limit = (np.abs(across) + self.slope_v) / self.bulk_ohm
        conducting = free / (1 + np.maximum(free, 0) / limit)
        return (conducting + across / self.leak_ohm) @ SHARE - output / self.load_ohm


@dataclass(frozen=True)
class CompensatedDetector(_Detector):
    """A diode detector, then an op-amp that adds the drop of a second diode, never quite the same.

    The second diode carries the output of the first over `second_ohm`.
    """

    diode: CycleDetector
    saturation_a: float
    ideality: float
    second_ohm: float

    def solve(self, peak_v: Floats) -> Floats:
        """Return output volts, (n,)."""
        first = self.diode.solve(peak_v)
        scale = self.second_ohm * self.saturation_a
        return first + self.ideality * THERMAL_V * np.log1p(first / scale)


@dataclass(frozen=True)
class LogarithmicDetector(_Detector):
    """A compressing detector: so many volts a decibel above its noise, with some ripple."""

    volts_per_db: float
    floor_dbm: float
    ripple_db: float
    ripple_period_db: float

    def volts(self, peak_v: Floats) -> Floats:
        """Return output volts, 0 without RF."""
        power_mw = np.asarray(peak_v, dtype=float) ** 2 / (2 * IMPEDANCE) * 1e3
        above = 10 * np.log10(1 + power_mw / 10 ** (self.floor_dbm / 10))
        wave = np.sin(2 * np.pi * above / self.ripple_period_db)
        return self.volts_per_db * (above + self.ripple_db * wave)


@dataclass(frozen=True)
class Coupler:
    """A coupler, its two detectors and the converter behind them.

    Couplings in dB at 27.2 MHz, `slope_db` an octave. `leak_into_reflected` and `leak_into_forward`
    are complex: the directivity is their magnitude. `gains` multiply the detectors' output,
    `offsets_v` add to it, `drift_per_c` is by which share the output rises with temperature.
    """

    kind: str
    forward_coupling_db: float
    reflected_coupling_db: float
    slope_db: float
    leak_into_reflected: complex
    leak_into_forward: complex
    forward: _Detector
    reflected: _Detector
    gains: tuple[float, float]
    offsets_v: tuple[float, float]
    drift_per_c: tuple[float, float]
    bits: int
    full_scale_v: float
    noise_v: float

    @property
    def directivity_db(self) -> float:
        """Directivity of the reflected port."""
        return float(-20 * np.log10(abs(self.leak_into_reflected)))

    @cached_property
    def step_v(self) -> float:
        """Volts a count."""
        return self.full_scale_v / 2**self.bits


@dataclass(frozen=True)
class Bench:
    """What the bench points are taken with.

    `meter_class` is the most its readings are off, by one common factor, `meter_noise` the spread
    of a single one. `load_gamma` is the dummy load's reflection. The detectors warm up by
    `warming_c` in the course of the bench. `samples` readings of the converter make a point.
    """

    meter_factor: float
    meter_noise: float
    load_gamma: complex
    open_gamma: complex
    short_gamma: complex
    warming_c: float
    samples: int = 100
    meter_class: float = 0.05


class CouplerReading(NamedTuple):
    """Volts, and the truth: watts of both waves, SWR. All of the broadcast shape."""

    forward_v: Floats
    reflected_v: Floats
    forward_w: Floats
    reflected_w: Floats
    swr: Floats
    clipped: NDArray[np.bool_]


def draw_coupler(
    seed: int,
    kind: str | None = None,
    *,
    directivity_db: float | None = None,
    coupling_db: float | None = None,
    bits: int | None = None,
) -> Coupler:
    """Return a coupler; what is None is drawn by chance, the kind among the first three."""
    rng = np.random.default_rng([seed, 31])
    kind = KINDS[int(rng.integers(3))] if kind is None else kind
    coupling = rng.uniform(10, 40) if coupling_db is None else coupling_db
    directivity = rng.uniform(12, 45) if directivity_db is None else directivity_db
    second = max(directivity + rng.normal(0, 3), 12.0)
    leaks = [
        complex(10 ** (-db / 20) * np.exp(2j * np.pi * rng.random()))
        for db in (directivity, second)
    ]
    couplings = coupling, coupling + rng.normal(0, 0.3)
    forward, reflected = _draw_pair(rng, kind)
    full_scale = float(rng.choice([1.024, 2.5, 3.3, 5.0]))
    # The builder chose a divider or an amplifier for 20 W, roughly.
    most = float(forward.volts(_peak(np.array(MOST_W), couplings[0])))
    gain = float(np.clip(full_scale / (most * rng.uniform(1.0, 1.4)), 1e-3, 30))
    if kind == "logarithmic":
        full_scale, gain = 5.0, 1.0
    bits = int(rng.choice([10, 12, 12, 16])) if bits is None else bits
    noise = full_scale / 2**bits * rng.uniform(0.3, 1.5) if bits < 16 else full_scale * 4e-5
    return Coupler(
        kind=kind,
        forward_coupling_db=couplings[0],
        reflected_coupling_db=couplings[1],
        slope_db=rng.uniform(-0.5, 1.0),
        leak_into_reflected=leaks[0],
        leak_into_forward=leaks[1],
        forward=forward,
        reflected=reflected,
        gains=(gain * rng.normal(1, 0.01), gain * rng.normal(1, 0.01)),
        offsets_v=(full_scale * rng.normal(0, 0.001), full_scale * rng.normal(0, 0.001)),
        drift_per_c=(rng.normal(0, 4e-4), rng.normal(0, 4e-4)),
        bits=bits,
        full_scale_v=full_scale,
        noise_v=noise,
    )


def _draw_pair(rng: np.random.Generator, kind: str) -> tuple[_Detector, _Detector]:
    """Two detectors of the same parts, which differ a little."""
    load = float(rng.choice([10e3, 47e3, 100e3, 470e3]))

    def near(value: float, spread: float) -> float:
        return float(value * np.exp(spread * rng.standard_normal()))

    saturation = 10 ** rng.uniform(-8.5, -5.5)
    ideality, series, junction = rng.uniform(1.02, 1.15), rng.uniform(15, 120), rng.uniform(0.3, 3)

    def cycle() -> CycleDetector:
        return CycleDetector(
            saturation_a=near(saturation, 0.12),
            ideality=near(ideality, 0.005),
            series_ohm=near(series, 0.05) + IMPEDANCE / 2,
            load_ohm=near(load, 0.01),
            junction_pf=near(junction, 0.05),
        )

    slope, bulk, leak = rng.uniform(0.03, 0.045), rng.uniform(40, 250), 10 ** rng.uniform(5, 6.3)
    second, second_slope = 10 ** rng.uniform(-5.5, -4.3), rng.uniform(0.07, 0.13)

    def germanium() -> GermaniumDetector:
        return GermaniumDetector(
            saturation_a=near(3 * saturation, 0.15),
            slope_v=near(slope, 0.01),
            second_a=near(second, 0.1),
            second_slope_v=near(second_slope, 0.01),
            bulk_ohm=near(bulk, 0.05),
            leak_ohm=near(leak, 0.2),
            load_ohm=near(load, 0.01),
        )

    per_db, floor = rng.uniform(0.018, 0.03), rng.uniform(-50, -30)

    def one() -> _Detector:
        if kind == "cycle":
            return cycle()
        if kind == "germanium":
            return germanium()
        if kind == "compensated":
            return CompensatedDetector(
                cycle(), near(saturation, 0.12), near(ideality, 0.005), near(load, 0.01)
            )
        if kind == "logarithmic":
            ripple = rng.uniform(0.05, 0.3)
            return LogarithmicDetector(near(per_db, 0.02), floor, ripple, rng.uniform(7, 12))
        raise ValueError(f"no such kind of detector: {kind}")

    return one(), one()


def draw_bench(seed: int, *, meter_class: float = 0.05) -> Bench:
    """Return a bench: the meter is off by up to its class, the load reflects -20 to -40 dB."""
    rng = np.random.default_rng([seed, 32])
    turn = np.exp(2j * np.pi * rng.random(1))[0]
    return Bench(
        meter_factor=1 + meter_class * rng.uniform(-1, 1),
        meter_noise=rng.uniform(0.002, 0.015),
        load_gamma=complex(10 ** (-rng.uniform(20, 40) / 20) * turn),
        open_gamma=complex(rng.uniform(0.985, 1.0) * np.exp(-1j * rng.uniform(0, 0.12))),
        short_gamma=complex(-rng.uniform(0.98, 1.0) * np.exp(-1j * rng.uniform(0, 0.08))),
        warming_c=rng.uniform(-2, 8),
        meter_class=meter_class,
    )


def bench_points(
    coupler: Coupler,
    powers: Sequence[float],
    seed: int,
    *,
    conditions: Sequence[str] = ("matched", "reversed", "open", "short"),
    repeats: int = 1,
    low_w: float | None = None,
    bench: Bench | None = None,
) -> str:
    """Return the CSV text of bench points, `condition,power_w,forward_v,reflected_v`.

    powers  true incident watts of the rows, 0 is added; the CSV has what the meter shows
    low_w   open and short are taken up to this power only; None: a quarter of the highest
    bench   None: `draw_bench(seed)`
    """
    bench = draw_bench(seed) if bench is None else bench
    rng = np.random.default_rng([seed, 33])
    low_w = max(powers) / 4 if low_w is None else low_w
    ascending = np.unique([0.0, *powers])
    plan = [
        (condition, power)
        for condition in conditions
        for power in np.repeat(ascending, repeats)
        if condition in ("matched", "reversed") or power <= low_w
    ]
    power = np.array([power for _, power in plan])
    loads = {"matched": bench.load_gamma, "open": bench.open_gamma, "short": bench.short_gamma}
    reversed_ = np.array([condition == "reversed" for condition, _ in plan])
    gamma = np.array([loads.get(condition, bench.load_gamma) for condition, _ in plan])
    to_antenna = np.where(reversed_, gamma, 1)
    from_antenna = np.where(reversed_, 1, gamma)
    done = np.arange(len(plan)) / max(len(plan) - 1, 1)
    temperature = ROOM_C + bench.warming_c * (1 - np.exp(-2.5 * done))
    analog = _analog(coupler, power, to_antenna, from_antenna, CB_KHZ, temperature)
    pair = _convert(coupler, analog, rng, bench.samples)
    shown = power * bench.meter_factor * (1 + bench.meter_noise * rng.standard_normal(len(plan)))
    rows = [
        f"{condition},{watts:.4g},{forward:.6f},{reflected:.6f}"
        for (condition, _), watts, forward, reflected in zip(plan, shown, *pair, strict=True)
    ]
    return "\n".join(["condition,power_w,forward_v,reflected_v", *rows]) + "\n"


def volts(
    coupler: Coupler,
    incident_w: ArrayLike,
    gamma: ArrayLike,
    *,
    seed: int | None = None,
    samples: int = 1,
    frequency_khz: ArrayLike = CB_KHZ,
    temperature_c: ArrayLike = ROOM_C,
) -> CouplerReading:
    """Return volts and truth for incident watts up to 20 W and complex reflections of the load.

    seed     None: analog volts, without noise and steps of the converter, but within its ends
    samples  so many readings are averaged
    """
    arrays = np.broadcast_arrays(incident_w, gamma, frequency_khz, temperature_c)
    power, reflection = arrays[0].astype(float), arrays[1].astype(complex)
    analog = _analog(coupler, power, np.ones_like(reflection), reflection, arrays[2], arrays[3])
    if seed is None:
        pair = np.clip(analog, 0, coupler.full_scale_v)
    else:
        pair = _convert(coupler, analog, np.random.default_rng([seed, 34]), samples)
    rho = np.abs(reflection)
    with np.errstate(divide="ignore"):
        swr = np.where(rho < 1, (1 + rho) / np.abs(1 - rho), np.inf)
    clipped = (analog <= 0).any(axis=0) | (analog >= coupler.full_scale_v).any(axis=0)
    return CouplerReading(pair[0], pair[1], power, power * rho**2, swr, clipped)


def _peak(power_w: Floats, coupling_db: Floats | float) -> Floats:
    return np.sqrt(2 * IMPEDANCE * power_w * 10 ** (-np.asarray(coupling_db) / 10))


def _analog(
    coupler: Coupler,
    power_w: Floats,
    to_antenna: Complexes,
    from_antenna: Complexes,
    frequency_khz: Floats | float,
    temperature_c: Floats | float,
) -> Floats:
    """Return volts at the converter, (2, ...), for waves of that size at 1 W times the power."""
    tilt = coupler.slope_db * np.log2(np.asarray(frequency_khz, dtype=float) / CB_KHZ)
    heard = (
        np.abs(to_antenna + coupler.leak_into_forward * from_antenna),
        np.abs(from_antenna + coupler.leak_into_reflected * to_antenna),
    )
    couplings = coupler.forward_coupling_db, coupler.reflected_coupling_db
    warmer = np.asarray(temperature_c, dtype=float) - ROOM_C
    outputs = []
    for i, detector in enumerate((coupler.forward, coupler.reflected)):
        output = detector.volts(_peak(power_w * heard[i] ** 2, couplings[i] - tilt))
        output = output * coupler.gains[i] * (1 + coupler.drift_per_c[i] * warmer)
        outputs.append(output + coupler.offsets_v[i])
    return np.array(outputs)


def _convert(coupler: Coupler, analog: Floats, rng: np.random.Generator, samples: int) -> Floats:
    """Return what the converter gives, the mean of so many readings: noise, steps and both ends."""
    noise = coupler.noise_v * rng.standard_normal((samples, *analog.shape))
    counts = np.clip(np.floor((analog + noise) / coupler.step_v + 0.5), 0, 2**coupler.bits - 1)
    return counts.mean(axis=0) * coupler.step_v
