"""Couplers, transmitters and dummy loads that are imperfect, as vectors, with bench points.

Written from the physics, with no formula of the package. A wave `a` goes to the load, whose
reflection is G. The coupler's antenna port reflects `match`, so that the wave that returns through
it is G / (1 - match G). The reflected port hears that and a leak of `a`, the forward port hears `a`
and a leak of the returning wave. Harmonics of the transmitter leave by the coupling of the
fundamental, raised by `slope_db` an octave, and an antenna returns most of them, a dummy load
little. A detector is a series diode into R: over one RF cycle the mean of exp(v(t) / n Vt) equals
(1 + V / R Is) exp(V / n Vt), averaged here over the waveform with its harmonics. Is grows with
temperature by a rate of the part; n Vt is in proportion to the absolute temperature.

`draw_world(seed, ...)` draws from these distributions, uniform in dB where dB are given:
load 20 to 40 dB, test-port match 15 to 30 dB, strongest harmonic (second or third) -60 to -30 dBc,
slope 0 to 6 dB an octave, rate of Is 3 to 9 % a degree. Values of parts are invented within what
is common for such parts. All phases are uniform.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

ROOM_C = 21.0
IMPEDANCE = 50.0
STEP_V = 3.3 / 4096
NOISE_V = 0.6 * STEP_V
CYCLE = np.exp(1j * np.pi / 24 * np.arange(48))  # of the fundamental
READINGS = 400  # in a bench point
DETECTORS = {  # (n), (Is in ampere), each from, to
    "germanium": ((1.0, 1.4), (3e-7, 5e-6)),
    "schottky": ((1.03, 1.15), (5e-9, 3e-6)),
    "silicon": ((1.6, 2.0), (1e-9, 1e-8)),
}


def _size(db: float) -> float:
    return float(10 ** (-db / 20))


def _turn(rng: np.random.Generator) -> complex:
    return complex(np.exp(2j * np.pi * rng.random()))


@dataclass(frozen=True)
class Detector:
    """A diode and its load; couplings in dB belong to the port."""

    coupling_db: float
    n: float
    is_a: float
    load_ohm: float
    rate_per_c: float

    def volts(self, waves: Complexes, warmer_c: Floats | float = 0.0) -> Floats:
        """Output for waves (3, ...) in root watts: fundamental, second and third harmonic."""
        warmer = np.asarray(warmer_c, dtype=float)
        unit = self.n * 8.617e-5 * (273.15 + ROOM_C + warmer)
        drop = self.load_ohm * self.is_a * np.exp(self.rate_per_c * warmer)
        peak = waves * np.sqrt(2 * IMPEDANCE) * 10 ** (-self.coupling_db / 20)
        v = np.zeros((len(CYCLE), *waves.shape[1:]))
        for order in (1, 2, 3):
            v += np.real(np.multiply.outer(CYCLE**order, peak[order - 1]))
        v /= unit
        top = v.max(axis=0)
        level = top + np.log(np.exp(v - top).mean(axis=0))
        low, high = np.zeros_like(level), np.maximum(level, 0.0) * unit
        for _ in range(48):  # (1 + V/drop) exp(V/unit) rises with V
            middle = (low + high) / 2
            above = np.log1p(middle / drop) + middle / unit > level
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        return (low + high) / 2


@dataclass(frozen=True)
class World:
    """One coupler with its transmitter, dummy load and meter.

    load, second  reflections of two dummy loads; match, of the coupler's antenna port
    harmonic      of the transmitter, relative amplitude; order 2 or 3
    """

    forward: Detector
    reflected: Detector
    leak: complex
    forward_leak: complex
    match: complex
    load: complex
    second: complex
    harmonic: complex
    order: int
    slope_db: float
    meter: float
    zeros_v: tuple[float, float]

    def hear(
        self, watts: Floats, gamma: Complexes, echo: Complexes, warmer_c: Floats | float = 0.0
    ) -> Floats:
        """Volts (2, ...) with `gamma` at the antenna port, which returns `echo` of harmonics."""
        gamma, echo = np.broadcast_arrays(np.asarray(gamma, complex), np.asarray(echo, complex))
        root = np.sqrt(watts)
        stray = self.harmonic * 10 ** (self.slope_db * np.log2(self.order) / 20)
        waves = np.zeros((2, 3, *gamma.shape), dtype=complex)
        for place, size, load in ((0, 1.0, gamma), (self.order - 1, stray, echo)):
            returned = load / (1 - self.match * load)
            waves[0, place] = root * size * (1 + self.forward_leak * returned)
            waves[1, place] = root * size * (returned + self.leak)
        return self._outputs(waves, warmer_c)

    def hear_reversed(self, watts: Floats, gamma: complex) -> Floats:
        """Volts (2, ...) of the coupler turned round, `gamma` on its transmitter port."""
        waves = np.zeros((2, 3, *np.shape(watts)), dtype=complex)
        stray = self.harmonic * 10 ** (self.slope_db * np.log2(self.order) / 20)
        root = np.sqrt(watts)
        for place, size, load in ((0, 1.0, gamma), (self.order - 1, stray, 0.1)):
            waves[1, place] = root * size * (1 + self.leak * load)
            waves[0, place] = root * size * (self.forward_leak + load)
        return self._outputs(waves, 0.0)

    def _outputs(self, waves: Complexes, warmer_c: Floats | float) -> Floats:
        return np.array(
            [
                detector.volts(wave, warmer_c) + zero
                for detector, wave, zero in zip(
                    (self.forward, self.reflected), waves, self.zeros_v, strict=True
                )
            ]
        )


def draw_world(
    seed: int,
    directivity_db: float,
    *,
    trimmed: bool = False,
    kind: str = "schottky",
    load_db: tuple[float, float] = (20.0, 40.0),
    match_db: tuple[float, float] = (15.0, 30.0),
    harmonic_dbc: tuple[float, float] = (30.0, 60.0),
) -> World:
    """Draw a world; `trimmed`: the coupler was trimmed on its dummy load, to 45 to 60 dB there."""
    rng = np.random.default_rng([seed, 71])
    (n_low, n_high), (is_low, is_high) = DETECTORS[kind]
    n, is_a = rng.uniform(n_low, n_high), np.exp(rng.uniform(np.log(is_low), np.log(is_high)))
    load_ohm, rate = float(rng.choice([22e3, 47e3, 100e3])), rng.uniform(0.03, 0.09)
    coupling = rng.uniform(18, 28)
    ports = [
        Detector(
            coupling + offset,
            n * (1 + 0.01 * rng.standard_normal()),
            is_a * np.exp(0.12 * rng.standard_normal()),
            load_ohm,
            rate * (1 + 0.05 * rng.standard_normal()),
        )
        for offset in (0.0, 0.25 * rng.standard_normal())
    ]
    load = _size(rng.uniform(*load_db)) * _turn(rng)
    leak = _size(directivity_db) * _turn(rng)
    rest = _size(rng.uniform(45, 60)) * _turn(rng)
    return World(
        forward=ports[0],
        reflected=ports[1],
        leak=rest - load if trimmed else leak,
        forward_leak=_size(directivity_db + rng.uniform(-2, 6)) * _turn(rng),
        match=_size(rng.uniform(*match_db)) * _turn(rng),
        load=load,
        second=_size(rng.uniform(*load_db)) * _turn(rng),
        harmonic=_size(rng.uniform(*harmonic_dbc)) * _turn(rng),
        order=int(rng.integers(2, 4)),
        slope_db=rng.uniform(0, 6),
        meter=1 + 0.05 * rng.uniform(-1, 1),
        zeros_v=(0.004 + 0.001 * rng.standard_normal(), 0.004 + 0.001 * rng.standard_normal()),
    )


def ideal(world: World) -> World:
    """The same with a perfect load, match and transmitter."""
    return replace(world, match=0j, load=0j, second=0j, harmonic=0j)


def convert(rng: np.random.Generator, volts: Floats, readings: int) -> Floats:
    """Mean of so many readings of the converter."""
    noisy = volts + NOISE_V * rng.standard_normal((readings, *volts.shape))
    codes = np.clip(np.rint(noisy / STEP_V), 0, 4095)
    return np.asarray(codes.mean(axis=0) * STEP_V)


class Row(NamedTuple):
    """A key-down of the bench: condition, watts at the coupler, and what the CSV notes of it."""

    condition: str
    watts: float
    load: str = ""
    line_deg: float | None = None
    load_ohm: float | None = None
    attenuation_db: float | None = None


def gamma_of(world: World, row: Row) -> complex:
    """Reflection of what a row has on the antenna port."""
    if row.load_ohm is not None:
        resistor = (row.load_ohm - IMPEDANCE) / (row.load_ohm + IMPEDANCE)
        if row.load_ohm < IMPEDANCE:  # two dummy loads in parallel
            y = sum((1 - g) / (1 + g) for g in (world.load, world.second))
            return complex((1 - y) / (1 + y))
        return complex(resistor * (1 + 0.02 * (1 + 1j)))
    load = world.second if row.load == "second" else world.load
    return complex(load * np.exp(-2j * np.deg2rad(row.line_deg or 0.0)))


def csv_text(world: World, rows: Sequence[Row], seed: int, detail: bool = True) -> str:
    """The CSV file of the rows, with an unkeyed one first, as a person with a meter writes it."""
    rng = np.random.default_rng([seed, 72])
    columns = ["condition", "power_w", "forward_v", "reflected_v"]
    extra = [name for name in Row._fields[2:] if any(getattr(row, name) for row in rows)]
    noted = ["forward_sd_v", "reflected_sd_v", "readings", "step_v"] if detail else []
    lines = [",".join([*columns, *extra, *noted])]
    for row in (Row("matched", 0.0), *rows):
        watts = np.array(row.watts)
        if row.condition == "reversed":
            volts = world.hear_reversed(watts, world.load)
        elif row.condition in ("open", "short"):
            volts = world.hear(watts, 0.99 if row.condition == "open" else -0.99, 0.9)
        else:
            volts = world.hear(watts, gamma_of(world, row), 0.1)
        forward, reflected = convert(rng, volts, READINGS)
        shown = row.watts * world.meter * (1 + 0.005 * rng.standard_normal())
        shown *= 10 ** ((row.attenuation_db or 0.0) / 10)
        cells = [row.condition, f"{shown:.5g}", f"{forward:.6f}", f"{reflected:.6f}"]
        cells += ["" if getattr(row, name) is None else str(getattr(row, name)) for name in extra]
        cells += [f"{NOISE_V:.6f}", f"{NOISE_V:.6f}", str(READINGS), f"{STEP_V:.8f}"][: len(noted)]
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"
