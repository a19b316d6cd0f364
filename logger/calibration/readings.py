"""Bench points as arrays, with the uncertainty of each reading.

This module is responsible for what the points state only indirectly: converter step and end, zeros,
noise, and how much a converter hides that cannot read below zero. Input: bench points. Output:
`Readings`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logger.blocks import Bools, Floats, Times
from logger.calibration.bench_points import Bench, BenchPoint
from logger.calibration.converter_step import is_on_grid, step_of_points
from logger.calibration.directivity import Load
from logger.calibration.file import CONDITIONS
from logger.physics.censored import normal_cdf

BAND_WIDTH = 1.05  # frequencies, and unknown powers, within this factor form one group
ON_A_LOAD = ("matched", "mismatched")
ROUGH_V = 2e-4  # of a reading without further information
LEAST_STEP_V, USUAL_STEP_V = 1e-4, 1e-3
BELOW_V = 5e-3  # usual offset of detectors and amplifiers; from memory, common practice
NOISE_STEPS = 1.5  # usual noise of a converter at most, steps; from memory, common practice
CLEAR = 4.0  # standard deviations above the lower end, from where the end hides nothing
NOTHING = 0.05  # steps: a lower mean does not show the hidden part
SAME = 0.002  # relative difference between clipped readings, at most
SQRT12 = float(np.sqrt(12))


@dataclass(frozen=True)
class Readings:
    """Arrays over n rows; the last axis of (n, 2) is forward, reflected.

    power       watts as in the file, (n,); condition, index into CONDITIONS, (n,)
    volts       (n, 2); sd_v, standard deviation of each, (n, 2); used, False where clipped, (n, 2)
    band        index into bands_khz, (n,); frequencies within 5 % form one band
    setting     index into settings, (n,): band and load; the first ones, one a band, have the usual
                dummy load
    temperature degrees Celsius, NaN where not given, (n,)
    zero_v      unkeyed reading of both ports, 0 without unkeyed rows
    noise_v     standard deviation of a single reading of both ports
    step_v      of the converter, 0 if not known; clip_v, the reading at its end, or infinite
    """

    power: Floats
    condition: Floats
    volts: Floats
    sd_v: Floats
    used: Bools
    band: Floats
    bands_khz: list[float | None]
    setting: Times
    settings: list[tuple[int, Load]]
    temperature: Floats
    zero_v: tuple[float, float]
    noise_v: tuple[float, float]
    step_v: float
    clip_v: float

    @property
    def spread_v(self) -> tuple[float, float]:
        """Median standard deviation of the readings of both ports."""
        forward, reflected = np.median(self.sd_v, axis=0)
        return float(forward), float(reflected)


def read(bench: Bench, step_v: float | None, full_scale_v: float | None) -> Readings:
    """Return arrays of the points; step and full scale of the converter as given, or estimated."""
    points = bench.points
    volts = np.array([(p.forward_v, p.reflected_v) for p in points])
    power = np.array([p.power_w for p in points])
    step = step_v or _first(points, "step_v") or step_of_points(volts)
    unkeyed = power == 0
    noise, sd = _noise(points, volts, unkeyed, step)
    end_v = full_scale_v or _first(points, "full_scale_v")
    clip_v = end_v - step if end_v else _clip(power, volts)
    zero = np.median(volts[unkeyed], axis=0) if unkeyed.any() else np.zeros(2)
    band, bands = _bands(points)
    setting, settings = _settings(points, band, len(bands))
    return Readings(
        power=power,
        condition=np.array([CONDITIONS.index(p.condition) for p in points]),
        volts=volts,
        sd_v=sd,
        used=volts < clip_v,
        band=band,
        bands_khz=bands,
        setting=setting,
        settings=settings,
        temperature=np.array(
            [np.nan if p.temperature_c is None else p.temperature_c for p in points]
        ),
        zero_v=(float(zero[0]), float(zero[1])),
        noise_v=(float(noise[0]), float(noise[1])),
        step_v=step,
        clip_v=clip_v,
    )


def _noise(
    points: list[BenchPoint], volts: Floats, unkeyed: Bools, step: float
) -> tuple[Floats, Floats]:
    """Return the standard deviation of a single reading (2,), and of each row (n, 2)."""
    single = np.array(
        [[p.forward_sd_v or np.nan, p.reflected_sd_v or np.nan] for p in points], dtype=float
    )
    count = np.array([p.readings or 1.0 for p in points])[:, None]
    repeated = volts[unkeyed].std(axis=0, ddof=1) if unkeyed.sum() > 1 else np.full(2, np.nan)
    on_grid = step > 0 and is_on_grid(volts, step)
    least = step / SQRT12
    rough = max(least, ROUGH_V) if on_grid or step == 0 else max(least / 3, ROUGH_V / 3)
    of_rows = np.fmax(repeated, rough)
    # Readings that dither over the steps average them out; still ones do not.
    averaged = np.where(single >= 0.5 * step, np.fmax(single, least) / np.sqrt(count), least)
    sd = np.maximum(np.where(np.isnan(single), of_rows, averaged), 1e-6)
    # The hidden part is similar in all rows, so more rows do not reduce its uncertainty.
    hidden = _hidden(volts, single, step)
    sd = np.hypot(sd, hidden * np.sqrt(np.maximum((hidden > sd).sum(axis=0), 1)))
    at_rest = single[unkeyed] if unkeyed.any() else single
    stated = ~np.isnan(at_rest).all(axis=0)
    noise = of_rows.copy()
    noise[stated] = np.nanmedian(at_rest[:, stated], axis=0)
    return np.maximum(noise, least), sd


def _hidden(volts: Floats, single: Floats, step: float) -> Floats:
    """Return how far below its mean reading (n, 2) each voltage may lie, volts.

    Converters may not read below zero. The mean of normal noise about v, cut at 0, is v F(v/s) + s
    f(v/s) with the standard deviation s (the first moment of a censored normal distribution).
    `single` (n, 2) is that of single readings, NaN where not given; s is taken from readings clear
    of the end, otherwise a usual value is assumed.
    """
    clear = volts > CLEAR * np.maximum(single, step)
    sd = max(NOISE_STEPS * (step or USUAL_STEP_V), ROUGH_V)
    if clear.any():
        sd = max(float(single[clear].min()), step / SQRT12)  # a carrier may be unsteady
    place = np.linspace(-CLEAR, CLEAR, 161)
    density = np.exp(-0.5 * place**2) / math.sqrt(2 * math.pi)
    mean = place * normal_cdf(place) + density
    hidden = sd * np.interp(volts / sd, mean, mean - place)
    nothing = volts < (NOTHING * step or LEAST_STEP_V)
    return np.where(nothing, np.hypot(hidden, BELOW_V), hidden)


def _clip(power: Floats, volts: Floats) -> float:
    """Return the end of the converter's range if the highest reading occurs at two powers."""
    end_v = float(volts.max() * (1 - SAME))
    powers = power[(volts >= end_v).any(axis=1)]
    return end_v if powers.max() > 1.05 * powers.min() else np.inf


def _bands(points: list[BenchPoint]) -> tuple[Floats, list[float | None]]:
    khz = np.array([p.frequency_khz or np.nan for p in points])
    stated, band = ~np.isnan(khz), np.zeros(len(points), dtype=int)
    if not stated.any():
        return band, [None]
    band[stated] = group_values(khz[stated])
    return band, [float(khz[stated & (band == number)].mean()) for number in range(band.max() + 1)]


def _settings(
    points: list[BenchPoint], band: Floats, bands: int
) -> tuple[Times, list[tuple[int, Load]]]:
    loads = [
        Load(point.load or "", point.line_deg or 0.0, point.load_ohm)
        if point.condition in ON_A_LOAD and point.power_w > 0
        else None
        for point in points
    ]
    usual = next((load for load in loads if load and load.ohm is None), Load())
    # Of a mismatch the name does not matter: its dummy loads are the usual one and another.
    keys = [
        (place, usual if load is None or load == usual else load)
        for place, load in zip(band.tolist(), loads, strict=True)
    ]
    settings = list(dict.fromkeys([*((place, usual) for place in range(bands)), *keys]))
    return np.array([settings.index(key) for key in keys]), settings


def group_values(values: Floats) -> Floats:
    """Return the group number of each of `values` > 0, ascending, (n,).

    Values within BAND_WIDTH of the next belong to the same group.
    """
    order = np.argsort(values)
    apart = np.diff(np.log(values[order])) > np.log(BAND_WIDTH)
    group = np.empty(len(values), dtype=int)
    group[order] = np.concatenate([[0], np.cumsum(apart)])
    return group


def _first(points: list[BenchPoint], name: str) -> float | None:
    return next((getattr(p, name) for p in points if getattr(p, name) is not None), None)
