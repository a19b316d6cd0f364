"""An independent model of homebuilt couplers at the bench, to judge the fit and the intervals.

Nothing here is shared with the package. The detector obeys

    I0(Vp / (n Vt)) = (1 + V / (R Is)) exp(V / (n Vt))

(Knight, "Diode detectors for RF measurement", part 1), with Vp = sqrt(2 Z P) 10^(-C/20) times the
magnitude of the wave that the port hears, relative to the incident one:

    forward port    |1 + d_f Gamma|      d_f, d_r: complex directivities of the ports
    reflected port  |Gamma + d_r|        Gamma: reflection coefficient at the coupler

A coupler that is turned round hears the same with the ports exchanged. All couplers are invented.
"""

from __future__ import annotations

import cmath
import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Floats = NDArray[np.float64]
Row = dict[str, str | float]

IMPEDANCE_OHM = 50.0
VT_25C_V = 0.025692579121  # k T / q with the exact constants of the SI of 2019
FULL_SCALE_V = 3.3
NOISE_LSB = 0.7
SCATTER = 0.003  # of the reference meter from one key-down to the next, relative
SERIES_BELOW = 0.03  # ln(i0e) + x loses figures there
TELLS_FROM = 1.96 / 0.2**2  # two deviations of one reading are what SWR 1.5 reflects
ALL = ("matched", "reversed", "open", "short")
NEEDED = ("condition", "power_w", "forward_v", "reflected_v")


def ln_i0(x: ArrayLike) -> Floats:
    """ln I0(x), x >= 0."""
    x = np.asarray(x, dtype=np.float64)
    square = x**2
    series = square / 4 - square**2 / 64 + square**3 / 576
    return np.where(x < SERIES_BELOW, series, np.log(special.i0e(x)) + x)


@dataclass(frozen=True)
class Port:
    """A coupler port with its detector; `leak` is its directivity as a complex ratio."""

    coupling_db: float
    leak: complex
    n_vt_v: float
    r_is_v: float
    zero_v: float

    @property
    def directivity_db(self) -> float:
        return -20 * math.log10(abs(self.leak))

    @property
    def watts_per_peak2(self) -> float:
        """Watts of the wave on the line per square of the peak volts at the detector."""
        return float(10 ** (self.coupling_db / 10)) / (2 * IMPEDANCE_OHM)

    def volts(self, watts: ArrayLike) -> Floats:
        """What the detector gives, zero included, when the port hears so many watts.

        ln(1 + V/c) + V/m - L is concave and rising in V, so Newton's steps from V = 0 approach
        the root from below and never pass it.
        """
        watts = np.asarray(watts, dtype=np.float64)
        level = ln_i0(np.sqrt(watts / self.watts_per_peak2) / self.n_vt_v)
        volts = np.zeros_like(level)
        for _ in range(100):
            miss = level - volts / self.n_vt_v - np.log1p(volts / self.r_is_v)
            step = miss / (1 / self.n_vt_v + 1 / (self.r_is_v + volts))
            volts = volts + step
            if np.all(np.abs(step) <= 1e-14 * volts + 1e-18):
                break
        return volts + self.zero_v

    def _argument(self, volts: Floats) -> Floats:
        """x with ln I0(x) = V/m + ln(1 + V/c). ln I0 is convex: from above Newton stays above."""
        level = volts / self.n_vt_v + np.log1p(volts / self.r_is_v)
        x = np.minimum(2 * np.sqrt(level) * np.exp(level), level + 0.5 * np.log1p(7 * level) + 1)
        for _ in range(100):
            slope = special.i1e(x) / special.i0e(x)
            step = np.divide(ln_i0(x) - level, slope, out=np.zeros_like(x), where=slope > 0)
            x = x - step
            if np.all(np.abs(step) <= 1e-13 * x):
                break
        return x

    def watts(self, reading_v: ArrayLike) -> Floats:
        """Watts of readings; those below the zero go on by the square law, and are negative."""
        volts = np.asarray(reading_v, dtype=np.float64) - self.zero_v
        above = np.maximum(volts, 0.0)
        real = self.watts_per_peak2 * (self.n_vt_v * self._argument(above)) ** 2
        return np.where(volts > 0, real, self.square_law * volts)

    @property
    def square_law(self) -> float:
        """Watts per volt near zero."""
        return 4 * self.watts_per_peak2 * self.n_vt_v * (1 + self.n_vt_v / self.r_is_v)

    def slope(self, reading_v: ArrayLike) -> Floats:
        """Watts per volt at readings."""
        volts = np.maximum(np.asarray(reading_v, dtype=np.float64) - self.zero_v, 0.0)
        x = np.maximum(self._argument(volts), 1e-6)
        per_volt = 1 / self.n_vt_v + 1 / (self.r_is_v + volts)
        gain = special.i1e(x) / special.i0e(x)
        return 2 * self.watts_per_peak2 * self.n_vt_v**2 * x * per_volt / gain


@dataclass(frozen=True)
class Coupler:
    """A coupler, its converter and the reference instrument it is calibrated with.

    top_w    the highest bench power, true watts; the full wave stays below the converter's end
    scale    what the reference shows over what is true, within its class
    line     exp(j psi) of the way from the coupler to its open antenna port and back
    """

    forward: Port
    reflected: Port
    bits: int
    top_w: float
    scale: float
    class_percent: float
    line: complex

    @property
    def step_v(self) -> float:
        return FULL_SCALE_V / 2**self.bits

    @property
    def noise_v(self) -> float:
        """Standard deviation of one reading, quantisation included."""
        return self.step_v * math.hypot(NOISE_LSB, 12**-0.5)

    @property
    def floor_w(self) -> float:
        """Incident power from which one pair tells SWR 1.5 from 1."""
        return TELLS_FROM * self.reflected.square_law * self.noise_v

    def hears(self, gamma: ArrayLike) -> tuple[Floats, Floats]:
        """Powers at the two ports relative to the incident one, for a load at the coupler."""
        gamma = np.asarray(gamma, dtype=np.complex128)
        return (
            np.abs(1 + self.forward.leak * gamma) ** 2,
            np.abs(gamma + self.reflected.leak) ** 2,
        )

    def bench_volts(self, condition: str, watts: ArrayLike) -> tuple[Floats, Floats]:
        """Volts of both detectors at the bench, before the converter."""
        if condition == "reversed":
            forward, reflected = np.asarray(abs(self.forward.leak) ** 2), np.ones(())
        else:
            gamma = {"matched": 0.0, "open": self.line, "short": -self.line}[condition]
            forward, reflected = self.hears(gamma)
        watts = np.asarray(watts, dtype=np.float64)
        return self.forward.volts(watts * forward), self.reflected.volts(watts * reflected)

    def read(self, rng: np.random.Generator, volts: ArrayLike, count: int) -> Floats:
        """`count` readings of each voltage, (...) -> (..., count)."""
        steps = np.asarray(volts, dtype=np.float64)[..., None] / self.step_v
        noisy = np.rint(steps + rng.normal(0, NOISE_LSB, (*steps.shape[:-1], count)))
        return np.clip(noisy, 0, 2**self.bits - 1) * self.step_v


def random_port(
    rng: np.random.Generator, like: Port | None, directivity_db: float | None, noise_v: float
) -> Port:
    """A port; its partner `like` has the same construction and diodes of the same type."""
    if like is None:
        coupling_db = rng.uniform(18, 32)
        n = rng.uniform(1.0, 1.2)
        r_is_v = 10 ** rng.uniform(4, 6) * 10 ** rng.uniform(-9, -6)
    else:
        coupling_db = like.coupling_db + rng.uniform(-1, 1)
        n = like.n_vt_v / VT_25C_V * rng.uniform(0.99, 1.01)
        r_is_v = like.r_is_v * 2 ** rng.uniform(-1, 1) * rng.uniform(0.95, 1.05)
    d_db = rng.uniform(18, 40) if directivity_db is None else directivity_db
    leak = cmath.rect(10 ** (-d_db / 20), rng.uniform(0, 2 * math.pi))
    # Far enough from the converter's lower end for its noise to be seen whole.
    return Port(coupling_db, leak, n * VT_25C_V, r_is_v, rng.uniform(3, 6) * noise_v)


def random_coupler(
    rng: np.random.Generator,
    *,
    directivity_db: float | None = None,
    bits: int | None = None,
    deaf: bool = False,
) -> Coupler:
    """A homebuilt coupler. Unless `deaf`, one that a person would keep: it can tell SWR 1.5 from 1
    with one pair at a tenth of the top power."""
    while True:
        chosen = int(rng.choice([10, 12])) if bits is None else bits
        noise_v = FULL_SCALE_V / 2**chosen * NOISE_LSB
        forward = random_port(rng, None, directivity_db, noise_v)
        reflected = random_port(rng, forward, directivity_db, noise_v)
        # A person turns down until an open antenna port does not reach the converter's end.
        louder = (1 + max(abs(forward.leak), abs(reflected.leak))) ** 2
        bound = min(float(p.watts(0.97 * FULL_SCALE_V)) for p in (forward, reflected)) / louder
        percent = rng.uniform(0, 5)
        coupler = Coupler(
            forward,
            reflected,
            chosen,
            min(rng.uniform(4, 12), bound),
            1 + percent / 100 * rng.uniform(-1, 1),
            percent,
            cmath.exp(1j * rng.uniform(0, 2 * math.pi)),
        )
        if deaf or coupler.floor_w <= coupler.top_w / 10:
            return coupler


def bench_rows(
    coupler: Coupler,
    rng: np.random.Generator,
    conditions: Sequence[str] = ALL,
    *,
    powers: int = 8,
    unkeyed: int = 2,
    readings: int = 200,
    detail: bool = False,
    extra: Row | None = None,
) -> list[Row]:
    """Bench points as a person would write them down: `power_w` is what the reference shows.

    detail  with the spread of the readings and the converter's properties, as a program notes them
    extra   further columns, the same in each row
    """
    rows: list[Row] = []

    def note(condition: str, shown_w: float, volts: tuple[Floats, Floats]) -> None:
        both = coupler.read(rng, np.stack(volts), readings)
        mean, sd = both.mean(axis=1), both.std(axis=1, ddof=1)
        row: Row = {
            "condition": condition,
            "power_w": float(f"{shown_w:.5g}"),
            "forward_v": round(float(mean[0]), 6),
            "reflected_v": round(float(mean[1]), 6),
        }
        if detail:
            row |= {
                "forward_sd_v": float(sd[0]),
                "reflected_sd_v": float(sd[1]),
                "readings": readings,
                "step_v": coupler.step_v,
                "full_scale_v": FULL_SCALE_V,
            }
        rows.append(row | (extra or {}))

    for _ in range(unkeyed):
        note(conditions[0], 0.0, coupler.bench_volts("matched", 0.0))
    for condition in conditions:
        # Full reflection is for low power only.
        top_w = coupler.top_w * (0.25 if condition in ("open", "short") else 1.0)
        for watts in np.geomspace(coupler.top_w / 100, top_w, powers):
            shown_w = watts * coupler.scale * (1 + SCATTER * rng.standard_normal())
            note(condition, shown_w, coupler.bench_volts(condition, watts))
    return rows


def csv_text(rows: Iterable[Row]) -> str:
    """The rows as the text of a file of bench points; a row is on line 2 and after."""
    rows = list(rows)
    names = list(dict.fromkeys([*NEEDED, *(name for row in rows for name in row)]))
    text = io.StringIO()
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
