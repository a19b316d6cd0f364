"""Prints how near the fit comes to random couplers, how often the 95 % interval of SWR holds the
truth, and its width against an ideal one.

    python -m tests.bench.coverage [couplers] [loads of each] [seed]

Random couplers are calibrated from simulated bench points; random loads and powers then go
through the real pipeline as short transmissions. Couplers and loads are those of
`tests.coupler_model`, which shares nothing with the package.

The ideal interval knows the true laws, zeros, noise and magnitudes of both directivities, but not
their phases. For a reading r of reflected/incident and a reflection coefficient rho, let

    F(r | rho) = mean over both phases of Phi((r - R(rho, phases)) / s)
    R = |rho + d_r e^(ja)|^2 / |1 + d_f rho e^(jb)|^2,  a and b independent and uniform,

with s the standard deviation of r from the readings' noise. The interval reaches from the lowest
to the highest rho with 0.025 <= F <= 0.975 (Neyman's construction with equal tails). The mean is
taken over a Fibonacci lattice of the two phases. Its own coverage is printed as a check.
"""

from __future__ import annotations

import itertools
import sys
import time
from typing import NamedTuple

import msgspec
import numpy as np
from scipy import special

from drivers.contract import SampleBlock
from logger.blocks import Noise
from logger.calibration import bench_points, file
from logger.calibration.coupler import Coupler
from logger.config.load import (
    AntennaOptions,
    FaultsOptions,
    HighSwrOptions,
    StationOptions,
    TransmissionOptions,
    WatchdogOptions,
    WeatherOptions,
)
from logger.pipeline import Pipeline
from logger.rows import Transmission
from tests import coupler_model as model

DIRECTIVITIES_DB = (20.0, 25.0, 30.0, 40.0)
SUBSETS = {"matched, reversed": ("matched", "reversed"), "everything": model.ALL}
LEAST_COVERAGE = 0.94
HIGHEST_WIDTH = 1.3
WORST_WATTS = 0.03
WORST_DIRECTIVITY_DB = 2.0

PAIRS = 50  # of a transmission, settled
QUIET = 3400  # pairs before the first one: the noise estimate is renewed 32 s after the start
BETWEEN = 20
STEP_NS = 10_000_000
START_NS = 1_770_000_000_000_000_000
HIGHEST_SWR = 5.0
LATTICE = (987, 610)  # consecutive Fibonacci numbers
POWERS = 40  # at which watts are compared
GRID = 61  # reflection coefficients at which F is computed
CHUNK = 100
READINGS = 200  # of a bench point
# A leak's reading at the top power in standard deviations of a row's mean, from which on it can be
# measured within 2 dB: with the zero's own noise that is then three deviations. A file without
# the columns that tell the noise has to be taken for less exact.
MEASURABLE, MEASURABLE_UNTOLD = 8.0, 10.0
SWR_BINS = (1.0, 1.2, 1.5, 2.0, HIGHEST_SWR)


class Settings(msgspec.Struct):
    """What the pipeline reads of a configuration."""

    transmission: TransmissionOptions
    station: StationOptions = StationOptions()
    watchdog: WatchdogOptions = WatchdogOptions(high_swr=HighSwrOptions(limit=900.0))
    faults: FaultsOptions = FaultsOptions()
    weather: WeatherOptions = WeatherOptions()
    antennas: tuple[AntennaOptions, ...] = ()


class Outcome(NamedTuple):
    """Loads and what was found of them, each (n,)."""

    swr: model.Floats
    low: model.Floats
    high: model.Floats
    ideal_low: model.Floats
    ideal_high: model.Floats
    bits: model.Floats

    def held(self) -> np.ndarray:
        """Whether the interval holds the truth."""
        return (self.low <= self.swr) & (self.swr <= self.high)

    def ideal_held(self) -> np.ndarray:
        """Likewise the ideal one."""
        return (self.ideal_low <= self.swr) & (self.swr <= self.ideal_high)

    def width(self) -> np.ndarray:
        """Width over that of the ideal interval, NaN where that is empty: a dip deeper than all
        but one in forty loads would give."""
        ideal_width = self.ideal_high - self.ideal_low
        return (self.high - self.low) / np.where(ideal_width > 0, ideal_width, np.nan)

    def where(self, chosen: np.ndarray) -> Outcome:
        """Some of the loads."""
        return Outcome(*(values[chosen] for values in self))


def exact(coupler: model.Coupler) -> file.CalibrationFile:
    """The calibration that a perfect bench session would find."""
    ports = {
        name: file.Port(
            coupling_db=port.coupling_db,
            n_vt_v=port.n_vt_v,
            r_is_v=port.r_is_v,
            zero_v=port.zero_v,
        )
        for name, port in (("forward", coupler.forward), ("reflected", coupler.reflected))
    }
    powers = (coupler.top_w / 100, coupler.top_w)
    ranges = {
        f"{name}_v": tuple(getattr(coupler, name).volts(powers).tolist())
        for name in ("forward", "reflected")
    }
    return file.CalibrationFile(
        mismatchd_calibration=1,
        date="2026-01-15T18:00:00Z",
        directivity=file.Directivity(
            reflected_db=coupler.reflected.directivity_db,
            forward_db=coupler.forward.directivity_db,
        ),
        noise=file.PortVolts(forward_v=coupler.noise_v, reflected_v=coupler.noise_v),
        converter=file.Converter(step_v=coupler.step_v, full_scale_v=model.FULL_SCALE_V),
        valid=file.Valid(**ranges, forward_w=powers, reflected_w=powers),
        **ports,
    )


def fitted(
    coupler: model.Coupler,
    rng: np.random.Generator,
    conditions: tuple[str, ...],
    *,
    detail: bool = True,
) -> file.CalibrationFile:
    """The calibration fitted to simulated bench points."""
    # Imported here so that the ideal and the exact calibration can be had without a fit.
    from logger.calibration.fit import fit

    text = model.csv_text(
        model.bench_rows(coupler, rng, conditions, readings=READINGS, detail=detail)
    )
    return fit(
        bench_points.parse(text, "points.csv"), reference_class_percent=coupler.class_percent
    ).content


def bare(content: file.CalibrationFile) -> file.CalibrationFile:
    """Without what watts do not need and takes long to tabulate."""
    return msgspec.structs.replace(content, covariance=None)


def powers(
    calibrated: Coupler, forward_v: model.Floats, reflected_v: model.Floats, **aux: float
) -> tuple[model.Floats, model.Floats]:
    """Watts of pairs by the way that live pairs take."""
    block = SampleBlock(
        np.arange(len(forward_v)) * 1000,
        forward_v,
        reflected_v,
        {name: np.full(len(forward_v), value) for name, value in aux.items()},
    )
    return calibrated.power(block)[:2]


def watts_errors(
    coupler: model.Coupler, content: file.CalibrationFile, **aux: float
) -> model.Floats:
    """Relative errors of both ports' watts beyond the reference's own, (2, POWERS), over the
    calibrated range above the readable floor; NaN if there is none."""
    calibrated = Coupler(bare(content))
    zero_u_v = coupler.noise_v / np.sqrt(READINGS)
    floor_w = calibrated.readable_floor_w(Noise((coupler.noise_v,) * 2, (zero_u_v,) * 2))
    errors = np.full((2, POWERS), np.nan)
    for port, (lowest_w, highest_w) in enumerate(
        (content.valid.forward_w, content.valid.reflected_w)
    ):
        if max(floor_w, lowest_w) < highest_w:
            law = (coupler.forward, coupler.reflected)[port]
            # At another frequency the same power may give more volts than any point did.
            highest_v = (content.valid.forward_v, content.valid.reflected_v)[port][1]
            highest_w = min(highest_w, coupler.scale * float(law.watts(highest_v)))
            shown_w = np.geomspace(max(floor_w, lowest_w), highest_w, POWERS)
            volts = law.volts(shown_w / coupler.scale)
            errors[port] = powers(calibrated, volts, volts, **aux)[port] / shown_w - 1
    return errors


def rms(errors: model.Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(errors**2)))


def directivity_misses(
    coupler: model.Coupler, content: file.CalibrationFile, noise_told: bool
) -> tuple[list[float], list[float]]:
    """Fitted less true directivity in dB of those ports where it can be measured, and of the
    others where the file gives a lower bound."""
    got = content.directivity
    measurable: list[float] = []
    bounds: list[float] = []
    if got is None:
        return measurable, bounds
    for port, figure, u_db in (
        (coupler.forward, got.forward_db, got.forward_u_db),
        (coupler.reflected, got.reflected_db, got.reflected_u_db),
    ):
        leak_v = float(port.volts(coupler.top_w * abs(port.leak) ** 2)) - port.zero_v
        clear = leak_v / (coupler.noise_v / np.sqrt(READINGS))
        miss = np.inf if figure is None else figure - port.directivity_db
        if clear >= (MEASURABLE if noise_told else MEASURABLE_UNTOLD):
            measurable.append(miss)
        elif u_db == 0:
            bounds.append(miss)
    return measurable, bounds


def ideal(
    coupler: model.Coupler, forward_v: model.Floats, reflected_v: model.Floats, pairs: int
) -> tuple[model.Floats, model.Floats]:
    """The ideal 95 % interval of SWR from the means of so many readings; arrays (n,)."""
    forward_w = coupler.forward.watts(forward_v)
    reading = coupler.reflected.watts(reflected_v) / forward_w
    noise_v = coupler.noise_v / np.sqrt(pairs)
    sd = (
        noise_v
        * np.hypot(coupler.reflected.slope(reflected_v), reading * coupler.forward.slope(forward_v))
        / forward_w
    )
    leak, forward_leak = abs(coupler.reflected.leak), abs(coupler.forward.leak)
    parts = [
        _ideal_rho(reading[at : at + CHUNK], sd[at : at + CHUNK], leak, forward_leak)
        for at in range(0, len(reading), CHUNK)
    ]
    low, high = (np.concatenate(values) for values in zip(*parts, strict=True))
    return (1 + low) / (1 - low), (1 + high) / (1 - high)


def _ideal_rho(
    reading: model.Floats, sd: model.Floats, leak: float, forward_leak: float
) -> tuple[model.Floats, model.Floats]:
    lower = np.sqrt(np.maximum(reading - 5 * sd, 0.0))
    upper = np.sqrt(np.maximum(reading, 0.0) + 5 * sd)
    lower = np.maximum(lower * (1 - 1.2 * forward_leak * lower) - leak, 0.0)
    upper = np.minimum((upper + leak) * (1 + 1.5 * forward_leak), 0.999)
    rho = lower[:, None] + (upper - lower)[:, None] * np.linspace(0, 1, GRID)
    index = np.arange(LATTICE[0])
    turn = 2 * np.pi / LATTICE[0]
    cos_a, cos_b = np.cos(turn * (index + 0.5)), np.cos(turn * (index * LATTICE[1] + 0.25))
    at = rho[:, :, None]
    heard = (at**2 + leak**2 + 2 * at * leak * cos_a) / (
        1 + (forward_leak * at) ** 2 + 2 * forward_leak * at * cos_b
    )
    below = special.ndtr((reading[:, None, None] - heard) / sd[:, None, None]).mean(axis=2)
    inside = (below >= 0.025) & (below <= 0.975)
    found = inside.any(axis=1)
    # A reading nearer to zero than any load allows (a deep dip): the likeliest load at least.
    inside[~found, np.abs(below[~found] - 0.5).argmin(axis=1)] = True
    first = inside.argmax(axis=1)
    last = GRID - 1 - inside[:, ::-1].argmax(axis=1)

    def edge(within: np.ndarray, without: np.ndarray) -> model.Floats:
        """Where F passes its limit between two neighbours on the grid."""
        load = np.arange(len(rho))
        without = np.clip(without, 0, GRID - 1)
        f_in, f_out = below[load, within], below[load, without]
        limit = np.where(f_out < 0.5, 0.025, 0.975)
        part = np.divide(limit - f_in, f_out - f_in, out=np.zeros_like(f_in), where=f_out != f_in)
        span = rho[load, without] - rho[load, within]
        return rho[load, within] + np.clip(part, 0.0, 1.0) * span

    return edge(first, first - 1), edge(last, last + 1)


def play(
    coupler: model.Coupler,
    content: file.CalibrationFile,
    rng: np.random.Generator,
    loads: int,
) -> Outcome:
    """Random loads through the real pipeline, each a transmission of its own."""
    calibrated = Coupler(content)
    noise = Noise((coupler.noise_v,) * 2, (0.0, 0.0))
    # By way of the volts, since the file's watts are those of its reference, or relative.
    floor_v = float(calibrated.forward.volts(calibrated.readable_floor_w(noise)))
    lowest_v, highest_v = content.valid.forward_v
    lowest_v = max(lowest_v, floor_v)
    if lowest_v >= highest_v:
        return Outcome(*np.empty((6, 0)))
    lowest_w, highest_w = coupler.forward.watts([lowest_v, highest_v])
    # Ascending: a weak and badly matched signal after much stronger ones counts as foreign.
    watts = np.sort(np.exp(rng.uniform(np.log(lowest_w), np.log(highest_w), loads)))
    threshold_w = 0.5 * float(calibrated.forward.watts(np.array([lowest_v]))[0])
    swr = np.exp(rng.uniform(0, np.log(HIGHEST_SWR), loads))
    gamma = (swr - 1) / (swr + 1) * np.exp(2j * np.pi * rng.uniform(size=loads))
    heard = coupler.hears(gamma)

    def stream(port: model.Port, power: model.Floats) -> tuple[model.Floats, model.Floats]:
        """All readings, and the mean of the settled ones of each transmission."""
        keyed = coupler.read(rng, port.volts(watts * power), PAIRS + 1)
        quiet = coupler.read(rng, np.full(loads, port.zero_v), BETWEEN)
        start = coupler.read(rng, port.zero_v, QUIET)
        return (
            np.concatenate([start, np.concatenate([keyed, quiet], axis=1).ravel()]),
            keyed[:, 1:].mean(axis=1),  # the first pair of a key-down is not settled
        )

    forward, forward_mean = stream(coupler.forward, heard[0])
    reflected, reflected_mean = stream(coupler.reflected, heard[1])
    block = SampleBlock(
        START_NS + STEP_NS * np.arange(len(forward)),
        forward,
        reflected,
        step_v=(coupler.step_v,) * 2,
        full_scale_v=model.FULL_SCALE_V,
    )
    options = TransmissionOptions(min_forward_w=threshold_w, hang_ms=100)
    pipeline = Pipeline(Settings(options), calibrated)
    rows = [*pipeline.process(block), *pipeline.finish()]
    ended = [row for row in rows if isinstance(row, Transmission) and row.ended]
    if len(ended) != loads:
        raise RuntimeError(f"{len(ended)} transmissions of {loads} loads")
    low, high = (
        np.array([np.nan if value is None else value for value in values])
        for values in zip(*((row.swr_low, row.swr_high) for row in ended), strict=True)
    )
    ideal_low, ideal_high = ideal(coupler, forward_mean, reflected_mean, PAIRS)
    return Outcome(swr, low, high, ideal_low, ideal_high, np.full(loads, coupler.bits))


def sample(
    directivity_db: float,
    conditions: tuple[str, ...] | None,
    couplers: int,
    loads: int,
    seed: int,
) -> Outcome:
    """Loads over random couplers of one directivity; without conditions the exact calibration."""
    outcomes = []
    for number in range(couplers):
        rng = np.random.default_rng([seed, round(directivity_db), number])
        coupler = model.random_coupler(rng, directivity_db=directivity_db)
        content = fitted(coupler, rng, conditions) if conditions else exact(coupler)
        outcomes.append(play(coupler, content, rng, loads))
    return Outcome(*(np.concatenate(values) for values in zip(*outcomes, strict=True)))


def _line(name: str, found: Outcome) -> str:
    width = found.width()
    return (
        f"  {name:<26}{len(width):>6}  {found.held().mean():.4f}   {found.ideal_held().mean():.4f}"
        f"   {np.nanmedian(width):.3f}   {np.nanquantile(width, 0.9):.3f}"
        f"   {np.nanmedian(found.high - found.low):.3f}"
    )


def accuracy(couplers: int, seed: int) -> bool:
    """Print how near fits of all conditions come; whether they hold their bars. Every second
    coupler comes with the columns that a program notes."""
    worst, measurable, bounds, slowest_s = [], [], [], 0.0
    for number in range(couplers):
        rng = np.random.default_rng([seed, number])
        coupler = model.random_coupler(rng)
        detail = number % 2 == 0
        begin = time.perf_counter()
        content = fitted(coupler, rng, model.ALL, detail=detail)
        slowest_s = max(slowest_s, time.perf_counter() - begin)
        worst.append((max(map(rms, watts_errors(coupler, content))), number))
        found = directivity_misses(coupler, content, detail)
        measurable += [(abs(miss), number) for miss in found[0]]
        bounds += [(miss, number) for miss in found[1]]
    errors = np.array([error for error, _ in worst])
    print(f"{couplers} random couplers, a fit took {slowest_s:.2f} s at most")
    print(
        f"  watts, rms over a coupler's range: median {100 * np.median(errors):.2f} %, worst"
        f" {100 * errors.max():.2f} % (coupler {max(worst)[1]})"
    )
    print(
        f"  directivity: {len(measurable)} of {2 * couplers} measurable, worst miss"
        f" {max(measurable)[0]:.2f} dB (coupler {max(measurable)[1]}); of {len(bounds)} bounds"
        f" {sum(miss > 0 for miss, _ in bounds)} passed, by"
        f" {max((miss for miss, _ in bounds), default=0.0):.2f} dB at most"
    )
    return bool(errors.max() <= WORST_WATTS and max(measurable)[0] <= WORST_DIRECTIVITY_DB)


def main(couplers: int, loads: int, seed: int) -> None:
    """Run it."""
    begin = time.perf_counter()
    passed = accuracy(5 * couplers, seed)
    for directivity_db in DIRECTIVITIES_DB:
        print(f"directivity {directivity_db:g} dB")
        print(f"  {'':<26} loads  held     ideal    width x ideal: median, 9 of 10; median width")
        found = sample(directivity_db, None, couplers, loads, seed)
        print(_line("exact calibration", found))
        for name, conditions in SUBSETS.items():
            found = sample(directivity_db, conditions, couplers, loads, seed)
            print(_line(name, found))
            for bits in (10, 12):
                print(_line(f"  {bits} bits", found.where(found.bits == bits)))
            for low, high in itertools.pairwise(SWR_BINS):
                chosen = (found.swr >= low) & (found.swr < high)
                print(_line(f"  SWR {low:g} to {high:g}", found.where(chosen)))
            passed &= bool(
                found.held().mean() >= LEAST_COVERAGE
                and np.nanmedian(found.width()) <= HIGHEST_WIDTH
            )
    print(f"{time.perf_counter() - begin:.0f} s; bars {'held' if passed else 'MISSED'}")


if __name__ == "__main__":
    arguments = [int(text) for text in sys.argv[1:]]
    main(*(arguments + [40, 50, 1][len(arguments) :]))
