"""Records of a history: what an instrument measured, what people noted, and the truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.foreign_faults.causes import Cause
from tests.foreign_faults.draws import Floats, Integers, Random, draw_ar1
from tests.foreign_faults.habits import QUARTER_S, Gap, Weather
from tests.foreign_faults.station import Feedline, Station

UNREST = {"fm": 0.004, "am": 0.04, "ssb": 0.45}  # of log watts from quarter to quarter


@dataclass(frozen=True)
class Excursion:
    """A departure as an instrument lists it; `cause` is truth, None for static."""

    time_ns: int
    duration_ms: float
    rho_peak: float
    rho_before: float
    rho_after: float
    cause: int | None


@dataclass(frozen=True)
class Quarters:
    """Means by quarter-second since key-down, (k,) each; the last quarter may be shorter."""

    rho: Floats
    forward_w: Floats
    length_s: Floats

    def mean(self) -> tuple[float, float]:
        """Return incident watts and |Gamma| of the sums of both powers."""
        energy = self.length_s * self.forward_w
        rho = np.sqrt(energy @ self.rho**2 / energy.sum())
        return float(energy.sum() / self.length_s.sum()), float(rho)


@dataclass(frozen=True)
class Seconds:
    """Means by whole UTC second, (k,) each; `time_ns` of the first is the key-down."""

    time_ns: Integers
    length_s: Floats
    forward_w: Floats
    reflected_w: Floats

    @property
    def rho(self) -> Floats:
        """|Gamma| as read."""
        return np.sqrt(self.reflected_w / self.forward_w)


@dataclass(frozen=True)
class MeasuredOver:
    """A transmission as measured; see the module for the use of the fields.

    antenna_reflection    Gamma at the antenna, without departures (truth)
    line_db               loss of the line one way, with its water (truth)
    true_rho              |Gamma| at the coupler at key-down (truth)
    gain_db               errors of the forward and the reflected port (truth)
    noise_rho, quarter_noise_rho, pair_noise_rho    rms of noise of |Gamma|: all, 0.25 s, a pair
    sway_rho              rms of |Gamma| by wind, in some seconds
    quarters              stored where something happened, else None: constant with noise
    """

    start_ns: int
    duration_s: float
    channel: int
    frequency_khz: float
    mode: str
    power_w: float
    antenna_reflection: complex
    line_db: float
    true_rho: float
    gain_db: tuple[float, float]
    rho: float
    noise_rho: float
    quarter_noise_rho: float
    pair_noise_rho: float
    sway_rho: float
    settled_pairs: int
    forward_w_mean: float
    forward_w_max: float
    reflected_w_mean: float
    reflected_w_max: float
    held_rho: float
    held_at_s: float
    is_cut: bool
    excursions: tuple[Excursion, ...] = ()
    active: tuple[int, ...] = ()
    visible: tuple[int, ...] = ()
    plain: tuple[int, ...] = ()
    quarters: Quarters | None = field(default=None, repr=False)

    @property
    def end_ns(self) -> int:
        """Key-up."""
        return self.start_ns + round(self.duration_s * 1e9)

    def measure_quarters(self) -> Quarters:
        """Return means by quarter-second; their weighted means are those of the transmission."""
        if self.quarters is not None:
            return self.quarters
        rng = np.random.default_rng(self.start_ns // 1_000_000)
        length = quarter_lengths(self.duration_s)
        forward = draw_envelope(rng, self.mode, length)
        rho = draw_unrest(rng, len(length), self.sway_rho, self.quarter_noise_rho)
        weight = length * forward / (length @ forward)
        rho = np.maximum(self.rho + rho - weight @ rho, 1e-4)
        rho = rho * self.rho / np.sqrt(weight @ rho**2)
        return Quarters(rho, self.forward_w_mean * forward, length)

    def seconds(self) -> Seconds:
        """Return means by second."""
        quarters = self.measure_quarters()
        number = self.start_ns // 250_000_000 + np.arange(len(quarters.length_s))
        first = np.flatnonzero(np.diff(number // 4, prepend=-1))
        length = np.add.reduceat(quarters.length_s, first)
        energy = quarters.length_s * quarters.forward_w
        return Seconds(
            number[first] * 250_000_000,
            length,
            np.add.reduceat(energy, first) / length,
            np.add.reduceat(energy * quarters.rho**2, first) / length,
        )


@dataclass(frozen=True)
class Carrier:
    """Another transmitter's signal from the antenna: watts at the reflected port."""

    begin_s: float
    end_s: float
    reflected_w: float


@dataclass(frozen=True)
class JournalEntry:
    """What somebody noted. Truth: `cause` and `outcome`.

    outcome: "fixed", "not fixed" (the same trouble goes on), "other thing" (something else was
    mended, the trouble goes on), "" for a mere remark.
    """

    time_ns: int
    kind: str
    text: str
    cause: int | None = None
    outcome: str = ""


@dataclass(frozen=True)
class History:
    """A station's weeks. Times in s count from `start_ns`.

    `first_sign_ns` goes with `causes`; None if there was no sign. `unseen` transmissions fell into
    gaps. `relation` says how two causes lie in time: "together", "second within the first",
    "apart"; "" otherwise. Also truth: `rest` is the condition at each key-down without causes, and
    `mean_w` the watts of the transmitter into a matched load.
    """

    seed: int
    station: Station
    start_ns: int
    days: int
    weather: Weather
    overs: tuple[MeasuredOver, ...]
    gaps: tuple[Gap, ...]
    carriers: tuple[Carrier, ...]
    causes: tuple[Cause, ...]
    first_sign_ns: tuple[int | None, ...]
    journal: tuple[JournalEntry, ...]
    unseen: int
    relation: str = ""
    rest: Feedline | None = None
    mean_w: Floats | None = None

    def time_ns(self, time_s: float) -> int:
        """UTC of a time of the history."""
        return self.start_ns + round(time_s * 1e9)


def quarter_lengths(duration_s: float) -> Floats:
    """Return lengths of the quarter-seconds of a key-down."""
    count = max(int(np.ceil(duration_s / QUARTER_S - 1e-9)), 1)
    length = np.full(count, QUARTER_S)
    length[-1] = duration_s - QUARTER_S * (count - 1)
    return length


def draw_envelope(rng: Random, mode: str, length: Floats) -> Floats:
    """Return incident power by quarter-second, relative to its mean."""
    power = np.exp(UNREST[mode] * rng.standard_normal(len(length)))
    return np.asarray(power * length.sum() / (power @ length))


def draw_unrest(rng: Random, n: int, sway: float, noise: float) -> Floats:
    """Return changes of |Gamma| by quarter-second: wind with a memory of 1.5 s, and noise."""
    return sway * draw_ar1(rng, n, np.exp(-QUARTER_S / 1.5)) + noise * rng.standard_normal(n)
