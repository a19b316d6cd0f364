"""Rows of transmissions and of their seconds.

This module is responsible for means, SWR, energy and their intervals. Input: the totals of pairs,
with the noise and the coupler. Output: rows for the store. Pure functions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np

from logger.blocks import Bools, Floats, Noise, Times
from logger.calibration.coupler import READABLE_FACTOR, Coupler
from logger.physics.reflection import COVERAGE, LEAST_W, blend, estimate, swr
from logger.rows import SWR_FIGURES, Flag, SecondRows, Transmission
from logger.stages.totals import HIDDEN, MEANS, SUMS, PairTotals, Seconds, Sums

LEAST_PAIRS = 2  # a single pair above the threshold is a crackle, not a transmission
MOST_UNSETTLED = 0.1  # share of power; if more is unsettled, the detectors are too slow
HELD_FACTORS = 1 / 2.2, 3.0  # around the estimate of the power that detectors hold: 95 %
LEAST_STEADY = 0.5  # of the power of steady readings: the value for two tones
SCATTER_FROM = 8  # least number of settled pairs for their own scatter to be used


@dataclass(slots=True)
class OpenTransmission:
    """A transmission in progress.

    noise    at the start of the transmission
    sums     (SUMS,) of all its pairs; peaks_w (2,) likewise
    warmth   number of pairs with a temperature of the coupler, and its sum, °C
    seconds  those without a row yet; the last is incomplete until the transmission has ended
    """

    start_ns: int
    end_ns: int
    noise: Noise
    channel: int | None
    frequency_khz: float | None
    antenna: str | None = None
    sums: Floats = field(default_factory=lambda: np.zeros(SUMS))
    peaks_w: Floats = field(default_factory=lambda: np.zeros(2))
    warmth: Floats = field(default_factory=lambda: np.zeros(2))
    highest_ratio: float = -1.0
    flags: int = 0
    seconds: Seconds = field(default_factory=Seconds)
    ended: bool = False
    has_row: bool = False

    def add(self, totals: PairTotals, end_ns: int) -> None:
        """Add the pairs that follow; the last is at `end_ns`."""
        self.end_ns = end_ns
        self.sums += totals.seconds.sums.sum(axis=1)
        np.maximum(self.peaks_w, totals.peaks_w, out=self.peaks_w)
        self.warmth += totals.warmth
        self.flags |= int(np.bitwise_or.reduce(totals.seconds.flags))
        self.flags |= int(Flag.GAP) * totals.gap
        self.seconds = self.seconds.followed_by(totals.seconds)

    @property
    def totals(self) -> Sums:
        """Sums by name."""
        return Sums(*self.sums)

    @property
    def temperature_c(self) -> float | None:
        """Mean temperature of the coupler, None if it is not known."""
        known, total_c = self.warmth.tolist()
        return total_c / known if known else None

    @property
    def counts(self) -> bool:
        """True if there are enough pairs for a transmission."""
        return bool(self.totals.pairs >= LEAST_PAIRS)

    @property
    def tellable(self) -> bool:
        """True if there is a new row to write."""
        return self.counts and (not self.has_row or self.complete > 0)

    @property
    def complete(self) -> int:
        """Number of complete `seconds`."""
        return len(self.seconds) - (not self.ended)


def rows_of(
    transmissions: Sequence[OpenTransmission], coupler: Coupler
) -> list[Transmission | SecondRows]:
    """Return the rows of transmissions, then those of their complete seconds, and remove these."""
    rows: list[Transmission] = []
    second_rows: list[SecondRows] = []
    for noise, group in groupby(transmissions, key=lambda transmission: transmission.noise):
        batch = list(group)
        seconds = [transmission.seconds[: transmission.complete] for transmission in batch]
        own = slice(len(batch))
        columns = [transmission.sums[:, None] for transmission in batch]
        sums = np.concatenate([*columns, *(part.sums for part in seconds)], axis=1)
        totals = Sums(*sums[:, own])
        flags = np.concatenate(
            [[transmission.flags for transmission in batch], *(part.flags for part in seconds)]
        )
        swrs, flags = bounds(coupler, noise, sums, flags)
        means = sums[MEANS] / sums[0]
        # Rows of seconds state the powers as read, consistent with their mean volts.
        means[:2, own] -= sums[HIDDEN][:2, own] / totals.pairs
        # For seconds every edge of keying would set the flag.
        unsettled_w = totals.forward_w - totals.settled_forward_w
        moves = (unsettled_w > MOST_UNSETTLED * totals.forward_w) & (totals.settled_pairs > 0)
        moves |= totals.moving_j > MOST_UNSETTLED * totals.energy_j
        flags[own] |= np.where(moves, int(Flag.ENVELOPE), 0)
        intervals = energy_bounds(coupler, sums[:, own], moves).T.tolist()
        figures = np.concatenate([means, swrs])
        samples = sums[0].astype(np.int64)
        lines = zip(
            samples[own].tolist(), flags[own].tolist(), figures.T[own].tolist(), strict=True
        )
        rows += [
            _transmission(transmission, coupler.id, *line, *interval)
            for transmission, line, interval in zip(batch, lines, intervals, strict=True)
        ]
        begin = len(batch)
        for transmission, part in zip(batch, seconds, strict=True):
            transmission.has_row = True
            if not len(part):
                continue
            of = slice(begin, begin + len(part))
            times = np.maximum(part.begins_ns, transmission.start_ns)
            second_rows.append(
                SecondRows(transmission.start_ns, times, samples[of], flags[of], figures[:, of])
            )
            transmission.seconds = transmission.seconds[len(part) :]
            begin += len(part)
    return [*rows, *second_rows]


def _transmission(
    transmission: OpenTransmission,
    calibration_id: str,
    samples: int,
    flags: int,
    figures: list[float],
    energy_low_j: float,
    energy_high_j: float,
) -> Transmission:
    forward_w, reflected_w, _, _, *of_swr = figures
    swrs = [None if math.isnan(figure) else figure for figure in of_swr]
    totals = transmission.totals
    highest = swrs[0]
    if highest is not None and transmission.highest_ratio >= 0:
        highest = max(highest, float(swr(np.sqrt(transmission.highest_ratio))))
    return Transmission(
        start_ns=transmission.start_ns,
        end_ns=transmission.end_ns,
        ended=transmission.ended,
        samples=samples,
        forward_w_mean=forward_w,
        forward_w_max=float(transmission.peaks_w[0]),
        reflected_w_mean=reflected_w,
        reflected_w_max=float(transmission.peaks_w[1]),
        swr_max=highest,
        energy_j=float(totals.energy_j - totals.hidden_j),
        channel=transmission.channel,
        frequency_khz=transmission.frequency_khz,
        calibration_id=calibration_id,
        flags=flags,
        settled_samples=int(totals.settled_pairs),
        energy_low_j=energy_low_j,
        energy_high_j=energy_high_j,
        antenna=transmission.antenna,
        coupler_temperature_c=transmission.temperature_c,
        **dict(zip(SWR_FIGURES, swrs, strict=True)),
    )


def energy_bounds(coupler: Coupler, sums: Floats, moves: Bools) -> Floats:
    """Return the 95 % interval of incident energy in joules, (2, n), from sums (SUMS, n).

    The power behind moving readings is known within HELD_FACTORS. Where the envelope `moves` (n,),
    steady readings may hide a movement too. The uncertainty of the watts is added, with the leak of
    the forward port; relative watts have none.
    """
    totals = Sums(*sums)
    held_j = totals.moving_j - totals.hidden_j
    steady_j = totals.energy_j - totals.moving_j
    low_j = steady_j * np.where(moves, LEAST_STEADY, 1.0) + held_j * HELD_FACTORS[0]
    high_j = steady_j + held_j * HELD_FACTORS[1]
    if not coupler.relative_watts:
        mean_v = totals.forward_v / totals.pairs
        ratio = np.clip(totals.reflected_w / np.maximum(totals.forward_w, LEAST_W), 0.0, 1.0)
        spread, bounded = coupler.returned_wave(np.sqrt(ratio))
        uncertainty = np.minimum(np.hypot(coupler.watts_u("forward", mean_v), spread), 1.0)
        factor = np.exp(blend(COVERAGE * uncertainty, bounded))
        low_j, high_j = low_j / factor, high_j * factor
    return np.stack([low_j, high_j])


def bounds(coupler: Coupler, noise: Noise, sums: Floats, flags: Times) -> tuple[Floats, Times]:
    """Return SWR and its four bounds (5, n), NaN where not readable, and flags (n,), from sums."""
    totals = Sums(*sums)
    unsettled = totals.settled_pairs == 0
    count = np.where(unsettled, totals.pairs, totals.settled_pairs)
    forward_w, reflected_w, forward_v, reflected_v = (
        np.where(unsettled, total, settled) / count
        for total, settled in zip(totals[1:5], totals[6:10], strict=True)
    )
    least_w = (
        READABLE_FACTOR
        * coupler.least_slope
        * np.hypot(noise.sd_v[1] / np.sqrt(count), noise.zero_u_v[1])
    )
    readable = forward_w >= np.maximum(least_w, 1e-9)
    safe_w = np.where(readable, forward_w, 1.0)
    ratio = np.where(readable, reflected_w / safe_w, 0.0)
    variance = (
        (coupler.reflected.slope(reflected_v) * noise.sd_v[1]) ** 2
        + (ratio * coupler.forward.slope(forward_v) * noise.sd_v[0]) ** 2
    ) / (count * safe_w**2)
    # The observed scatter of the pairs is used if it exceeds the noise.
    squares = totals.settled_rr - 2 * ratio * totals.settled_fr + ratio**2 * totals.settled_ff
    enough = totals.settled_pairs >= SCATTER_FROM
    scatter = np.maximum(squares, 0.0) / (count * np.maximum(count - 1, 1) * safe_w**2)
    variance = np.maximum(variance, np.where(enough, scatter, 0.0))
    result = estimate(
        forward_w,
        reflected_w,
        variance,
        coupler.ratio_variance(forward_v, reflected_v, noise),
        coupler.leak,
        coupler.forward_leak,
        readable,
        coupler.stray,
    )
    flags = (
        (flags & ~int(Flag.UNSETTLED))
        | np.where(unsettled, int(Flag.UNSETTLED), 0)
        | np.where(readable, 0, int(Flag.BELOW_FLOOR))
        | np.where(forward_v < coupler.lowest_v, int(Flag.EXTRAPOLATED), 0)
    )
    return np.stack(result[:5]), flags
