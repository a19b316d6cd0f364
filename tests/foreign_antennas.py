"""Antennas that a person adjusts by cutting or sliding, by formulas that the product does not use.

`random_antenna(seed, kind)` draws an antenna with a feedline; `truth` has its best length and the
SWR there, and `CuttingSession` takes noisy readings and inexact cuts as a person would. Lengths are
in mm of the whole element, frequencies in kHz; everything is determined by the seed.

    antenna = random_antenna(7, "dipole")
    session = CuttingSession(antenna, seed=1)
    swr = session.read_swr(antenna.channels_khz[1])
    recorded_mm = session.shorten(20.0)
    excess_mm = session.length_mm - antenna.truth.best_length_mm

Formulas are textbook ones, from memory: induced EMF for dipoles and monopoles, open transmission
lines for loaded and end-fed wires, coupled circuits for two resonances. Ranges of ground loss,
coil Q and the like are common practice, no single source.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.special import sici

Complex = NDArray[np.complex128]
FeedImpedance = Callable[[NDArray[np.float64], NDArray[np.float64]], Complex]

ETA = 376.730
EULER = 0.5772156649
LIGHT = 299_792.458
"""m kHz"""
REFERENCE_OHM = 50.0
BANDS_KHZ: dict[str, tuple[float, float, float]] = {
    "27": (26_965.0, 27_185.0, 27_405.0),
    "27 wide": (26_565.0, 27_185.0, 27_805.0),
    "27 upper": (27_415.0, 27_700.0, 27_985.0),
    "7": (7_020.0, 7_100.0, 7_180.0),
    "14": (14_020.0, 14_170.0, 14_330.0),
    "28": (28_050.0, 28_300.0, 28_550.0),
}
NEAR_27 = ("27", "27", "27", "27 wide", "27 upper", "28")


def wave_number(frequency_khz: ArrayLike) -> NDArray[np.float64]:
    """Return the free-space phase constant, rad/m."""
    return 2 * np.pi * np.asarray(frequency_khz, float) / LIGHT


def dipole_impedance(frequency_khz: ArrayLike, length_m: ArrayLike, radius_m: float) -> Complex:
    """Return the impedance of a centre-fed dipole in free space by induced EMF, from memory.

    `length_m` is tip to tip. The current is taken as sinusoidal, so lengths near a whole wavelength
    are meaningless.
    """
    length = np.asarray(length_m, float)
    k = wave_number(frequency_khz)
    x = k * length
    si1, ci1 = sici(x)
    si2, ci2 = sici(2 * x)
    ci_wire = sici(2 * k * radius_m**2 / length)[1]
    real = (
        EULER
        + np.log(x)
        - ci1
        + 0.5 * np.sin(x) * (si2 - 2 * si1)
        + 0.5 * np.cos(x) * (EULER + np.log(x / 2) + ci2 - 2 * ci1)
    )
    imaginary = (2 * si1 + np.cos(x) * (2 * si1 - si2) - np.sin(x) * (2 * ci1 - ci2 - ci_wire)) / 2
    return np.asarray(ETA / (2 * np.pi) * (real + 1j * imaginary) / np.sin(x / 2) ** 2)


def mutual_impedance(frequency_khz: ArrayLike, length_m: ArrayLike, distance_m: float) -> Complex:
    """Return the mutual impedance of parallel half-wave dipoles side by side, from memory."""
    length = np.asarray(length_m, float)
    k = wave_number(frequency_khz)
    diagonal = np.hypot(distance_m, length)
    si0, ci0 = sici(k * distance_m)
    si1, ci1 = sici(k * (diagonal + length))
    si2, ci2 = sici(k * (diagonal - length))
    return np.asarray(ETA / (4 * np.pi) * ((2 * ci0 - ci1 - ci2) - 1j * (2 * si0 - si1 - si2)))


def parallel(*impedances: ArrayLike) -> Complex:
    """Return the impedance of branches in parallel, ohm."""
    return np.asarray(1 / sum(1 / np.asarray(z, complex) for z in impedances))


def line_input(load: ArrayLike, z0: ArrayLike, electrical: ArrayLike) -> Complex:
    """Return the input impedance of a line; `electrical` is its (alpha + j beta) l."""
    t = np.tanh(np.asarray(electrical, complex))
    return np.asarray(z0 * (load + z0 * t) / (z0 + load * t))


def reactance(frequency_khz: ArrayLike, henry: float, q: float) -> Complex:
    """Return the impedance of a coil of constant Q, ohm."""
    x = 2e3 * np.pi * np.asarray(frequency_khz, float) * henry
    return np.asarray(x / q + 1j * x)


def capacitance(frequency_khz: ArrayLike, farad: float) -> Complex:
    """Return the impedance of a capacitor, ohm."""
    return np.asarray(-1j / (2e3 * np.pi * np.asarray(frequency_khz, float) * farad))


def reflection(impedance: ArrayLike, z0: float = REFERENCE_OHM) -> Complex:
    """Return the reflection coefficient of an impedance."""
    z = np.asarray(impedance, complex)
    return np.asarray((z - z0) / (z + z0))


def swr_of(gamma: ArrayLike) -> NDArray[np.float64]:
    """Return the SWR of reflection coefficients, limited to 400."""
    magnitude = np.minimum(np.abs(np.asarray(gamma)), 0.995)
    return np.asarray((1 + magnitude) / (1 - magnitude))


@dataclass(frozen=True)
class Line:
    """Feedline between antenna and coupler; loss in dB at 10 MHz grows with sqrt(f)."""

    length_m: float
    loss_db: float
    velocity: float
    z0: float

    def input(self, frequency_khz: ArrayLike, load: ArrayLike) -> Complex:
        """Return the impedance at the shack end, ohm."""
        f = np.asarray(frequency_khz, float)
        alpha = self.loss_db / 8.6859 * np.sqrt(f / 10_000.0)
        beta = wave_number(f) * self.length_m / self.velocity
        return line_input(load, self.z0, alpha + 1j * beta)


@dataclass(frozen=True)
class Truth:
    """Length that minimises the worst SWR over the channels, and the SWR there at the coupler."""

    best_length_mm: float
    swr: tuple[float, float, float]
    worst_swr: float
    khz_per_mm: float
    """How fast the best-matched frequency falls per mm added to the element."""


@dataclass(frozen=True)
class ForeignAntenna:
    """Antenna with feedline; `feed` gives the impedance at its terminals, ohm, of kHz and m."""

    kind: str
    seed: int
    channels_khz: tuple[float, float, float]
    feed: FeedImpedance
    line: Line
    range_mm: tuple[float, float]
    """Lengths among which the best is sought."""
    can_lengthen: bool
    """True if the element slides; False if it can only be cut."""
    start_excess_share: float
    station_network: Callable[[NDArray[np.float64], Complex], Complex] | None = None
    """Matching network at the shack end of the line, if it is not at the antenna."""

    def reading(self, frequency_khz: ArrayLike, length_mm: ArrayLike) -> Complex:
        """Return the reflection coefficient at the antenna terminals, 50 ohm."""
        return reflection(self._feed(frequency_khz, length_mm))

    def shack_reading(self, frequency_khz: ArrayLike, length_mm: ArrayLike) -> Complex:
        """Return the reflection coefficient where the coupler is, 50 ohm."""
        f = np.asarray(frequency_khz, float)
        at_shack = self.line.input(f, self._feed(f, length_mm))
        if self.station_network is not None:
            at_shack = self.station_network(f, at_shack)
        return reflection(at_shack)

    def swr(self, frequency_khz: ArrayLike, length_mm: ArrayLike) -> NDArray[np.float64]:
        """Return the true SWR at the coupler."""
        return swr_of(self.shack_reading(frequency_khz, length_mm))

    def worst_swr(self, length_mm: ArrayLike) -> NDArray[np.float64]:
        """Return the worst true SWR over the channels, one per length."""
        lengths = np.asarray(length_mm, float)
        channels = np.asarray(self.channels_khz).reshape((3,) + (1,) * lengths.ndim)
        return np.asarray(self.swr(channels, lengths).max(axis=0))

    @cached_property
    def truth(self) -> Truth:
        """Best length and the SWR there, from the noiseless formulas."""
        best = _minimum(self.worst_swr, *self.range_mm)
        swr = self.swr(np.asarray(self.channels_khz), best)
        return Truth(
            best,
            (float(swr[0]), float(swr[1]), float(swr[2])),
            float(swr.max()),
            self._sensitivity(best),
        )

    @property
    def start_length_mm(self) -> float:
        """Length at which a session starts: too long by 5 to 60 mm of a quarter-wave at 27 MHz.

        The excess is scaled so that the resonance is as far off, in share of the frequency.
        """
        return self.truth.best_length_mm + self.start_excess_mm

    @property
    def start_excess_mm(self) -> float:
        """How much too long the element is at the start, mm."""
        return self.start_excess_share * self.channels_khz[1] / self.truth.khz_per_mm

    def _feed(self, frequency_khz: ArrayLike, length_mm: ArrayLike) -> Complex:
        f, length = np.broadcast_arrays(
            np.asarray(frequency_khz, float), np.asarray(length_mm, float) / 1e3
        )
        return self.feed(f, length)

    def _sensitivity(self, best_mm: float) -> float:
        middle = self.channels_khz[1]
        step = 0.002
        ends = [
            _minimum(
                lambda lengths, f=f: np.abs(self.reading(f, lengths)),
                *(max(best_mm * (1 - s), 1.0) for s in (self._span, -self._span)),
            )
            for f in (middle * (1 - step), middle * (1 + step))
        ]
        slope = (ends[0] - ends[1]) / (2 * step * middle)
        return float(1 / slope) if slope > 0 else float("inf")

    @property
    def _span(self) -> float:
        low, high = self.range_mm
        return (high - low) / (high + low)


@dataclass(frozen=True)
class _Design:
    feed: FeedImpedance
    low_m: float
    high_m: float
    can_lengthen: bool = False
    network: Callable[[NDArray[np.float64], Complex], Complex] | None = None


def _minimum(figure: Callable[..., NDArray[np.float64]], low: float, high: float) -> float:
    grid = np.linspace(low, high, 601)
    best = int(np.argmin(figure(grid)))
    step = grid[1] - grid[0]
    return float(
        minimize_scalar(
            lambda x: float(figure(np.asarray(x))),
            bounds=(grid[best] - step, grid[best] + step),
            method="bounded",
            options={"xatol": 0.01},
        ).x
    )


def _half_waves(band: Sequence[float]) -> float:
    return LIGHT / band[1] / 2


def _dipole(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    half = _half_waves(band)
    radius = float(rng.choice([0.0007, 0.001, 0.0015, 0.004, 0.008]))
    stretch = rng.uniform(1.0, 1.05)
    insulators = rng.uniform(0.0, 0.06)
    twice_height = 2 * rng.uniform(0.25, 0.8) * 2 * half
    ground = -rng.uniform(0.4, 0.95) * np.exp(1j * rng.uniform(-0.4, 0.4))

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        electrical = length * stretch + insulators
        own = dipole_impedance(f, electrical, radius)
        return np.asarray(own + ground * mutual_impedance(f, electrical, twice_height))

    return _Design(feed, 0.86 * half, 1.04 * half)


def _whip_over_radials(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    quarter = _half_waves(band) / 2
    radius = rng.uniform(0.0008, 0.008)
    loss = rng.uniform(1.0, 18.0)
    radials, radial_length = rng.integers(2, 5), quarter * rng.uniform(0.92, 1.06)
    radial_z0 = rng.uniform(280, 420)
    slope = rng.uniform(1.0, 1.35)
    stray = rng.uniform(1e-12, 8e-12)
    tip = rng.uniform(0.0, 0.02)

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        whip = dipole_impedance(f, 2 * (length + tip), radius) / 2
        counterpoise = -1j * radial_z0 / np.tan(wave_number(f) * radial_length) / radials
        series = whip.real * slope + 1j * whip.imag + loss + counterpoise
        return parallel(series, capacitance(f, stray))

    return _Design(feed, 0.84 * quarter, 1.06 * quarter, bool(rng.random() < 0.3))


def _rod(f: NDArray[np.float64], length: ArrayLike, z0: float) -> Complex:
    """Open rod as a line: reactance only, ohm."""
    return np.asarray(-1j * z0 / np.tan(wave_number(f) * np.asarray(length)))


def _base_loaded(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    middle = np.asarray(band[1])
    design = rng.uniform(1.0, 1.6)
    z0 = 60 * (float(np.log(2 * design / rng.uniform(0.0010, 0.003))) - 1)
    ground, q = rng.uniform(8, 24), rng.uniform(80, 300)
    stray = rng.uniform(2e-12, 10e-12)
    has_shunt_coil = rng.random() < 0.6
    resistance = 10 * (float(wave_number(middle)) * design) ** 2 + ground
    needed = -float(_rod(middle, design, z0).imag)
    resistance += needed / q
    offset = (
        float(np.sqrt(resistance * (50 - resistance)))
        if has_shunt_coil and resistance < 48
        else 0.0
    )
    omega = 2e3 * np.pi * float(middle)
    coil = (needed - offset) / omega
    shunt = 50 * resistance / offset / omega * rng.uniform(0.9, 1.1) if offset else 0.0

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        radiation = 10 * (wave_number(f) * length) ** 2
        series = _rod(f, length, z0) + reactance(f, coil, q) + radiation + ground
        branches = [series, capacitance(f, stray)]
        if shunt:
            branches.append(reactance(f, shunt, q))
        return parallel(*branches)

    return _Design(feed, 0.85 * design, 1.15 * design, bool(rng.random() < 0.5))


def _top_loaded(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    middle = np.asarray(band[1])
    mast, tip = rng.uniform(0.6, 1.2), rng.uniform(0.15, 0.45)
    z_mast, z_tip = rng.uniform(260, 330), 60 * (np.log(2 * tip / 0.001) - 1)
    ground, q = rng.uniform(8, 20), rng.uniform(120, 300)
    own_capacitance = rng.uniform(0.5e-12, 2e-12)
    base = 1j * z_mast * np.tan(wave_number(middle) * mast)
    # The mast seen from the coil down is a shorted line; resonance needs the sum to vanish.
    above = parallel(_rod(middle, tip, z_tip), capacitance(middle, own_capacitance))
    coil = float(-(above + base).imag) / (2e3 * np.pi * float(middle))

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        top = parallel(_rod(f, length, z_tip), capacitance(f, own_capacitance))
        top = top + reactance(f, coil, q)
        base_z = line_input(top, z_mast, 1j * wave_number(f) * mast)
        radiation = 950 * ((mast + 0.5 * length) / (LIGHT / f)) ** 2
        return np.asarray(base_z + radiation + ground)

    return _Design(feed, 0.7 * tip, 1.35 * tip, bool(rng.random() < 0.5))


def _beam_element(
    rng: np.random.Generator, band: Sequence[float]
) -> tuple[FeedImpedance, float, float]:
    """Driven element with a reflector behind it; returns impedance, half wave and radius."""
    half = _half_waves(band)
    radius = rng.uniform(0.004, 0.010)
    reflector = half * rng.uniform(0.985, 1.03)
    distance = half * 2 * rng.uniform(0.14, 0.22)
    loss = rng.uniform(0.3, 2.0)

    def driven(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        own = dipole_impedance(f, length, radius)
        other = dipole_impedance(f, reflector, radius)
        # Mutual impedance goes with the effective lengths, thus with the radiation resistances;
        # so scaled, the pair can never give power.
        effective = np.sqrt(own.real * other.real) / 73.13
        mutual = mutual_impedance(f, LIGHT / f / 2, distance) * effective
        return np.asarray(own + loss - mutual**2 / (other + loss))

    return driven, half, radius


def _hairpin(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    driven, half, _ = _beam_element(rng, band)
    middle = np.asarray(band[1])
    lengths = np.linspace(0.82, 0.97, 600) * half
    admittance = 1 / driven(np.broadcast_to(middle, lengths.shape), lengths)
    # Capacitive side with a conductance of 1/50 S; the hairpin takes the rest away.
    usable = np.where(admittance.imag > 0, np.abs(admittance.real - 0.02), 1.0)
    at_best = int(np.argmin(usable))
    z0, velocity = rng.uniform(180, 420), 0.98
    reactance_wanted = 1 / admittance[at_best].imag * rng.uniform(0.93, 1.07)
    stub = np.arctan(abs(reactance_wanted) / z0) / wave_number(middle) * velocity

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        hairpin = 0.05 + 1j * z0 * np.tan(wave_number(f) * stub / velocity)
        return parallel(driven(f, length), hairpin)

    best = lengths[at_best]
    return _Design(feed, 0.93 * best, 1.07 * best, bool(rng.random() < 0.6))


def _gamma(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    driven, half, _ = _beam_element(rng, band)
    middle = np.asarray(band[1])
    design = half * rng.uniform(0.93, 0.97)
    step_up = (1 + rng.uniform(0.8, 1.6)) ** 2
    z0 = rng.uniform(200, 340)
    rods = np.linspace(0.02, 0.2, 400) * half
    seen = parallel(step_up * driven(middle, np.asarray(design)) / 2, _stub(middle, rods, z0))
    rod = float(rods[int(np.argmin(np.abs(seen.real - 50)))]) * rng.uniform(0.97, 1.03)
    residue = float(
        parallel(step_up * driven(middle, np.asarray(design)) / 2, _stub(middle, rod, z0)).imag
    )
    farad = 1 / (2e3 * np.pi * float(middle) * max(residue, 5.0)) * rng.uniform(0.95, 1.05)

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        tapped = parallel(step_up * driven(f, length) / 2, _stub(f, rod, z0))
        return np.asarray(tapped + capacitance(f, farad) + 0.2)

    return _Design(feed, 0.93 * design, 1.07 * design, bool(rng.random() < 0.7))


def _stub(f: NDArray[np.float64], length_m: ArrayLike, z0: float) -> Complex:
    return np.asarray(1j * z0 * np.tan(wave_number(f) * np.asarray(length_m)))


def _trap(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    """Two-band dipole whose tips outside the traps are cut for the lower band."""
    half = _half_waves(band)
    upper_khz = band[1] * (2.0 if band[1] < 20_000 else 1.35) * rng.uniform(0.97, 1.03)
    inner = LIGHT / upper_khz / 4 * rng.uniform(0.93, 0.98)
    z0 = rng.uniform(800, 1000)
    farad = rng.uniform(20e-12, 60e-12)
    henry = 1 / ((2e3 * np.pi * upper_khz) ** 2 * farad)
    q = rng.uniform(100, 250)
    alpha = rng.uniform(0.065, 0.1) / (half / 2)

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        k = alpha + 1j * wave_number(f)
        outer = np.maximum(length / 2 - inner, 0.02)
        trap = 2 * parallel(reactance(f, henry, q), capacitance(f, farad))
        return line_input(z0 / np.tanh(k * outer) + trap, z0, k * inner)

    return _Design(feed, max(0.6 * half, 2 * inner + 0.1), 1.0 * half)


def _two_resonances(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    """Whip with a fixed rod beside it that resonates near the band."""
    quarter = _half_waves(band) / 2
    z_whip, z_rod = rng.uniform(280, 420), rng.uniform(280, 420)
    r_whip, r_rod = rng.uniform(32, 55), rng.uniform(10, 25)
    rod = quarter * 0.97 * rng.choice([rng.uniform(0.955, 0.985), rng.uniform(1.012, 1.04)])
    coupling = rng.uniform(15, 32)

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        mutual = coupling * f / band[1]
        beside = r_rod + _rod(f, rod / 0.97, z_rod)
        return np.asarray(r_whip + _rod(f, length / 0.97, z_whip) + mutual**2 / beside)

    return _Design(feed, 0.86 * quarter, 1.08 * quarter, bool(rng.random() < 0.3))


def _matched(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    """Short monopole behind an L network (series coil, shunt capacitor) and a few metres of line.

    The network is at the antenna, or at the shack end of the line.
    """
    middle = np.asarray(band[1])
    quarter = _half_waves(band) / 2
    design = quarter * rng.uniform(0.7, 0.93)
    radius, ground = rng.uniform(0.0008, 0.004), rng.uniform(3, 15)
    q = rng.uniform(100, 250)
    omega = 2e3 * np.pi * float(middle)

    def element(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        return np.asarray(dipole_impedance(f, 2 * length, radius) / 2 + ground)

    at_station = rng.random() < 0.4
    metres = rng.uniform(2, 6)
    jumper = Line(metres, 0.04 * metres, 0.66, 50.0)
    load = element(middle, np.asarray(design))
    load = jumper.input(middle, load) if at_station else load
    resistance = min(float(load.real), 47.0)
    series = np.sqrt(resistance * (50 - resistance)) - float(load.imag)
    shunt_farad = np.sqrt((50 - resistance) / resistance) / 50 / omega
    series *= rng.uniform(0.98, 1.02)
    shunt_farad *= rng.uniform(0.92, 1.08)

    def network(f: NDArray[np.float64], z: Complex) -> Complex:
        if series >= 0:
            z = z + reactance(f, series / omega, q)
        else:
            z = z + capacitance(f, -1 / (series * omega))
        return parallel(z, capacitance(f, shunt_farad))

    if at_station:

        def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
            return jumper.input(f, element(f, length))

        return _Design(feed, 0.88 * design, 1.12 * design, False, network)

    def feed_matched(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        return jumper.input(f, network(f, element(f, length)))

    return _Design(feed_matched, 0.88 * design, 1.12 * design, bool(rng.random() < 0.3))


def _end_fed(rng: np.random.Generator, band: Sequence[float]) -> _Design:
    """End-fed half wave on a transformer with magnetising and leakage inductance."""
    half = _half_waves(band)
    z0 = rng.uniform(500, 620)
    alpha = rng.uniform(0.17, 0.26) / half
    ratio = float(rng.choice([49.0, 56.0, 64.0]))
    omega = 2e3 * np.pi * band[1]
    magnetising = rng.uniform(250, 600) / omega
    core = rng.uniform(600, 2000)
    leakage = rng.uniform(5, 16) / omega
    compensation = leakage / 2500 * rng.uniform(0.6, 1.4)
    rise = rng.uniform(1.0, 1.05)
    counterpoise = rng.uniform(0, 300)

    def feed(f: NDArray[np.float64], length: NDArray[np.float64]) -> Complex:
        wire = z0 / np.tanh((alpha + 1j * wave_number(f) * rise) * length) + counterpoise
        primary = parallel(wire / ratio, reactance(f, magnetising, 30.0), core)
        return parallel(primary + reactance(f, leakage, 50.0), capacitance(f, compensation))

    return _Design(feed, 0.86 * half, 1.05 * half)


_BUILDERS: dict[
    str, tuple[Callable[[np.random.Generator, Sequence[float]], _Design], tuple[str, ...]]
] = {
    "dipole": (_dipole, (*NEAR_27, "7", "14")),
    "whip": (_whip_over_radials, (*NEAR_27, "14")),
    "base_loaded": (_base_loaded, NEAR_27),
    "top_loaded": (_top_loaded, NEAR_27),
    "hairpin": (_hairpin, (*NEAR_27, "14")),
    "gamma": (_gamma, (*NEAR_27, "14")),
    "trap": (_trap, ("7", "14", "28", "27")),
    "two_resonances": (_two_resonances, NEAR_27),
    "matched": (_matched, (*NEAR_27, "14", "7")),
    "end_fed": (_end_fed, (*NEAR_27, "7", "14")),
}
KINDS = tuple(_BUILDERS)
MOST_SWR = 2.6
"""A design is drawn again if its best length leaves a worse SWR than this at the coupler."""


def random_antenna(seed: int, kind: str | None = None) -> ForeignAntenna:
    """Draw an antenna; the same seed and kind always give the same one."""
    rng = np.random.default_rng([seed, 0 if kind is None else 1 + KINDS.index(kind)])
    chosen = kind or str(rng.choice(KINDS))
    build, bands = _BUILDERS[chosen]
    for _ in range(200):
        band = BANDS_KHZ[str(rng.choice(bands))]
        with np.errstate(all="ignore"):
            antenna = _assemble(chosen, seed, band, build(rng, band), rng)
            if _is_usable(antenna):
                return antenna
    raise AssertionError(f"no usable {chosen} for seed {seed}")


def _assemble(
    kind: str,
    seed: int,
    band: tuple[float, float, float],
    design: _Design,
    rng: np.random.Generator,
) -> ForeignAntenna:
    length = rng.uniform(3.0, 30.0)
    loss = length * rng.uniform(0.02, 0.06)
    line = Line(length, loss, float(rng.choice([0.66, 0.83])), rng.uniform(49.0, 51.5))
    return ForeignAntenna(
        kind,
        seed,
        band,
        design.feed,
        line,
        (design.low_m * 1e3, design.high_m * 1e3),
        design.can_lengthen,
        # 10 kHz per mm is about a quarter-wave's at 27 MHz.
        rng.uniform(5.0, 60.0) * 10.0 / 27_185.0,
        design.network,
    )


def _is_usable(antenna: ForeignAntenna) -> bool:
    truth = antenna.truth
    low, high = antenna.range_mm
    start = truth.best_length_mm + antenna.start_excess_mm
    margin = 0.01 * (high - low)
    return (
        truth.worst_swr <= MOST_SWR
        # Where two resonances meet, the frequency of the least reflection can jump.
        and antenna.start_excess_mm > 0.0015 * truth.best_length_mm
        and low + margin < truth.best_length_mm < high - margin
        and start < high
        and float(antenna.worst_swr(start)) > truth.worst_swr
    )


class CuttingSession:
    """A person who cuts or slides, measures and reads.

    The owner's first length is off by a few mm, or up to 2 cm if `careless`. Each change is off by
    `cut_rms_mm`; with `forget_rate` it is recorded with the wrong sign, on elements that slide only
    (nobody cuts a wire longer). The coupler adds its directivity, fixed for the session.
    """

    def __init__(
        self,
        antenna: ForeignAntenna,
        seed: int,
        *,
        careless: bool = False,
        cut_rms_mm: float = 1.0,
        forget_rate: float = 0.03,
        noise: float = 0.01,
        directivity_db: tuple[float, float] = (22.0, 38.0),
    ) -> None:
        self.antenna = antenna
        self._rng = rng = np.random.default_rng([antenna.seed, seed])
        self.length_mm = antenna.start_length_mm
        error = rng.uniform(8.0, 20.0) * rng.choice([-1, 1]) if careless else rng.normal(0, 2.0)
        self.measured_start_mm = self.length_mm + float(error)
        self._directivity = 10 ** (-rng.uniform(*directivity_db) / 20) * np.exp(
            2j * np.pi * rng.random()
        )
        self._cut_rms_mm, self._forget_rate, self._noise = cut_rms_mm, forget_rate, noise

    @property
    def leak(self) -> float:
        """Magnitude of the coupler's directivity, as a matched load shows it."""
        return float(abs(self._directivity))

    def read_gamma(self, frequency_khz: float) -> float:
        """Return the magnitude of the reflection that the coupler shows, with noise."""
        true = complex(self.antenna.shack_reading(frequency_khz, self.length_mm))
        shown = abs(true + self._directivity) * np.exp(self._rng.normal(0, self._noise))
        return float(min(abs(shown + self._rng.normal(0, 0.002)), 0.99))

    def read_swr(self, frequency_khz: float) -> float:
        """Return the SWR that the coupler shows, with noise."""
        return float(swr_of(self.read_gamma(frequency_khz)))

    def shorten(self, wanted_mm: float) -> float:
        """Shorten by about `wanted_mm`; return the change that the person records, signed.

        Raises ValueError if a negative value would lengthen an element that can only be cut.
        """
        if wanted_mm < 0 and not self.antenna.can_lengthen:
            raise ValueError("this element can only be cut")
        done = wanted_mm + self._rng.normal(0, self._cut_rms_mm)
        if not self.antenna.can_lengthen:
            done = max(done, 0.0)
        self.length_mm -= float(done)
        has_forgotten = self.antenna.can_lengthen and self._rng.random() < self._forget_rate
        return wanted_mm if has_forgotten else -wanted_mm

    def measure_length(self) -> float:
        """Return the length by tape, off by 1.5 mm rms and the session's own constant error."""
        constant = self.measured_start_mm - self.antenna.start_length_mm
        return self.length_mm + constant + float(self._rng.normal(0, 1.5))
