"""Invented daily values of a station, and trends of them by plain least squares.

Not the model of the project: charts, forecasts and words are tested against this one.
"""

from __future__ import annotations

import numpy as np

from logger.daily import Days
from logger.trend.outcome import Curve, Step, Trend, Verdict

YEAR = 365.25
FIRST = 19_783  # 2024-03-01


def days(
    span: int,
    *,
    level: float = 1.5,
    slope: float = 0.0,
    amplitude: float = 0.1,
    noise: float = 0.03,
    correlation: float = 0.6,
    step: tuple[int, float] | None = None,
    used: float = 0.8,
    first: int = FIRST,
    channel: int = 20,
    seed: int = 0,
) -> Days:
    """Daily values of one channel: level at the start, slope a year, a wave a year, AR(1) noise,
    and from a day on (counted from the first) a step; a share `used` of `span` days."""
    rng = np.random.default_rng([seed, channel])
    wander = rng.normal(0, noise, span)
    for n in range(1, span):
        wander[n] = correlation * wander[n - 1] + np.sqrt(1 - correlation**2) * wander[n]
    day = first + np.arange(span)
    swr = level + slope * np.arange(span) / YEAR + wander
    swr += amplitude * np.cos(2 * np.pi * day / YEAR)
    if step is not None:
        swr += step[1] * (np.arange(span) >= step[0])
    kept = rng.random(span) < used
    kept[[0, -1]] = True
    count = int(kept.sum())
    return Days(
        channel=channel,
        frequency_khz=None,
        day=day[kept],
        swr=np.maximum(swr[kept], 1.01),
        spread=rng.uniform(0.01, 0.05, count),
        transmissions=rng.integers(1, 60, count),
        power_w=np.full(count, 4.0),
        calibration=np.ones(count, dtype=np.int64),
    )


def fitted(used: Days, step: Step | None = None, verdict: Verdict | None = None) -> Trend:
    """The trend of daily values; slope and season only from a year on."""
    day, swr = used.day, used.swr
    every = np.arange(day[0], day[-1] + 1)
    whole = day[-1] - day[0] >= YEAR

    def terms(at: np.ndarray) -> np.ndarray:
        columns = [np.ones(len(at))]
        if whole:
            phase = 2 * np.pi * at / YEAR
            columns += [(at - day[-1]) / YEAR, np.cos(phase), np.sin(phase)]
        if step is not None:
            columns.append(-(at < step.day).astype(float))
        return np.column_stack(columns)

    design = terms(day)
    near = np.abs(swr - np.median(swr)) < 1.0  # what is far out does not count
    found, *_ = np.linalg.lstsq(design[near], swr[near], rcond=None)
    rest = (swr - design @ found) * near
    noise = float(rest.std()) if len(rest) > 2 else 0.03
    next_day = np.diff(day) == 1
    pairs = (rest[:-1] * rest[1:])[next_day]
    correlation = float(np.clip(pairs.mean() / noise**2, 0, 0.9)) if len(pairs) > 9 else 0.0
    inflated = (1 + correlation) / (1 - correlation)
    covariance = noise**2 * inflated * np.linalg.pinv(design.T @ design)
    all_terms = terms(every)
    sd = np.sqrt(np.einsum("ij,jk,ik->i", all_terms, covariance, all_terms))
    season = all_terms[:, 2:4] @ found[2:4] if whole else np.zeros(len(every))
    curve = all_terms @ found
    # Level and slope at the end, season apart: its own variance is that of the first term.
    band = Curve(every, curve, curve - 1.96 * sd, curve + 1.96 * sd, season)
    slope, slope_sd = (found[1], np.sqrt(covariance[1, 1])) if whole else (None, 0.0)
    if verdict is None:
        verdict = "undecided"
        if slope is not None:
            verdict = "steady"
            if abs(slope) > 1.96 * slope_sd:
                verdict = "rising" if slope > 0 else "falling"
        if step is not None:
            verdict = "stepped"
    since = int(day[0] if step is None else step.day)
    return Trend(
        channel=used.channel,
        frequency_khz=used.frequency_khz,
        verdict=verdict,
        since=since,
        last=int(day[-1]),
        days=int((day >= since).sum()),
        level=float(curve[-1] - season[-1]),
        slope_per_year=None if slope is None else float(slope),
        slope_low=None if slope is None else float(slope - 1.96 * slope_sd),
        slope_high=None if slope is None else float(slope + 1.96 * slope_sd),
        season_amplitude=float(np.hypot(*found[2:4])) if whole else None,
        steps=() if step is None else (step,),
        noise=noise,
        correlation=correlation,
        curve=band,
        second_opinion=None,
        reasons=()
        if whole
        else ("Under a year of data: season and slope cannot be told apart yet.",),
    )
