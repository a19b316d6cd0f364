"""Noise of both converters, drift of their zeros, and the converter's step.

Input: unkeyed pairs and quarters of transmissions. Output: `Noise`.

Unkeyed pairs (see `selection`) are collected in groups of GROUP; a group gives a variance from
successive differences (insensitive to slow drift) and a mean. The quieter ones of the last GROUPS
groups are used, so that weak speech or a crackle in others has no effect. With one burst of pairs
per minute this covers a quarter of an hour, so the pipeline requests an estimate every ten minutes.

A zero below or near the converter's lower end hides the noise: most readings are 0 (see
`censored`). Then the scatter of stretches of keyed pairs gives an upper bound: they lie well above
the end, and a steady carrier adds no scatter. Both ports are assumed to share the converter.
Without such stretches a rather wide prior is used.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from logger.blocks import Floats, Noise
from logger.calibration.converter_step import common_step
from logger.physics.censored import Prior, estimate
from logger.quantiles import median, quantile
from logger.stages.quarters import QUARTER_NS, Quarters

GROUP = 64
GROUPS = 32
CENSORED = 0.005  # share of readings at the lower end above which their spread is not used
CLEAR = 3.0  # standard deviations between the end and a zero whose noise was measured in full
MORE = 1.05  # a calibration states the noise if it is above this multiple of the rounding error
KNOWN_WIDTH = 0.3  # standard deviation of the logarithm of such a noise from day to day
QUIETEST, OF_QUIETEST = 0.25, 0.85  # quantile of the groups' variances, and its ratio to the mean
STRAY_STEPS = 1.0  # a group with a weak signal lies this far above the quieter groups
STRETCH = 32  # pairs in a stretch
LEAST_STRETCH = 16  # least number of pairs in a stretch
STRETCHES = 64  # largest number of stretches retained
FEW_STRETCHES, EVERY_QUARTERS = 16, 32  # first stretches, then one in so many of a transmission
LEAST_STRETCHES = 4
STEADIEST, OF_STEADIEST = 0.25, 0.8  # quantile of their variances, and its ratio to the mean
NEGLIGIBLE = 0.02  # share of half a step
MEAN_OFF = 0.4  # standard deviations by which the mean exceeds the median if half is cut off
CLEAR_STEPS = 3.0  # between the end and the lowest reading of a stretch
NO_PAIRS: Floats = np.zeros((2, 0))


class NoiseTracker:
    """Estimator of the noise from unkeyed pairs and quarters of transmissions.

    prior_v  noise to assume until it has been measured (from the calibration), volts
    zero_v   zeros of the calibration, volts
    step_v   converter step of the calibration, 0 if not stated there
    """

    def __init__(
        self, prior_v: tuple[float, float], zero_v: tuple[float, float], step_v: float = 0.0
    ) -> None:
        self._prior_v = prior_v
        self._zero_v = zero_v
        self._groups: deque[Floats] = deque(maxlen=GROUPS)
        self._open: list[Floats] = []
        self._count = 0
        self._step_v = (step_v, step_v)
        # Pairs (2, n), the variance of each port and its lowest reading.
        self._stretches: deque[tuple[Floats, Floats, Floats]] = deque(maxlen=STRETCHES)
        self._unfinished = NO_PAIRS  # (2, n), of a stretch
        self._due = False  # a quarter that was to give a stretch has not
        self._estimate: Noise | None = None  # None after new pairs

    def update(self, forward_v: Floats, reflected_v: Floats, step_v: tuple[float, float]) -> None:
        """Process unkeyed pairs, arrays (n,); n may be 0.

        `step_v` is the step stated by the driver or the calibration, volts.
        """
        if step_v != self._step_v:
            self._step_v, self._estimate = step_v, None
        if not len(forward_v):
            return
        volts = np.stack([forward_v, reflected_v])
        self._open.append(volts)
        self._count += volts.shape[1]
        if self._count < GROUP:
            return
        volts = np.concatenate(self._open, axis=1)
        complete = self._count // GROUP * GROUP
        groups = volts[:, max(0, complete - GROUP * GROUPS) : complete].reshape(2, -1, GROUP)
        self._groups.extend(np.swapaxes(groups, 0, 1).copy())
        self._estimate = None
        self._open = [volts[:, complete:].copy()]
        self._count -= complete

    def update_keyed(self, quarters: Quarters) -> None:
        """Process quarters of transmissions: use a stretch of pairs from some of them.

        At a slow pair rate a stretch continues into the next quarters. The choice of pairs does not
        depend on how many quarters come at once.
        """
        pairs = quarters.pairs
        first = quarters.first.tolist()
        # Counted from the start of each transmission, so that the choice soon depends on nothing
        # earlier; its first quarter may have few pairs.
        number = quarters.number - quarters.start_ns // QUARTER_NS
        regular = np.flatnonzero(number % EVERY_QUARTERS == 1)
        following = 0
        while following < len(quarters):
            if len(self._stretches) >= FEW_STRETCHES and not self._due:
                later = regular[np.searchsorted(regular, following) :]
                if not len(later):
                    break
                following = int(later[0])
            self._due = True
            begin, next_begin = first[following : following + 2]
            following += 1
            end = min(begin + STRETCH, next_begin)
            volts = np.stack([pairs.forward_v[begin:end], pairs.reflected_v[begin:end]])
            if pairs.follows[begin]:
                volts = np.concatenate([self._unfinished, volts], axis=1)[:, :STRETCH]
            self._unfinished = NO_PAIRS
            if not pairs.follows[begin + 1 : end].all():
                continue
            if volts.shape[1] < LEAST_STRETCH:
                self._unfinished = volts
                continue
            steps = volts[:, 1:] - volts[:, :-1]
            variances = np.einsum("ij,ij->i", steps, steps) * (0.5 / steps.shape[1])
            self._stretches.append((volts, variances, volts.min(axis=1)))
            self._estimate = None
            self._due = False

    def noise(self) -> Noise:
        """Return the present estimate. Quantisation adds at least 1/sqrt(12) of a step."""
        if self._estimate is None:
            self._estimate = self._measure()
        return self._estimate

    def _measure(self) -> Noise:
        """Estimate from all groups and stretches."""
        step_v = self._steps()
        scatter = self._keyed_scatter(step_v)
        forward, reflected = (self._side(side, step_v[side], scatter) for side in (0, 1))
        sd_v, zero_u_v, bias_v = zip(forward, reflected, strict=True)
        return Noise(sd_v, zero_u_v, step_v, bias_v)

    def _steps(self) -> tuple[float, float]:
        """Return the step of each port's readings, volts: as stated, or as observed if larger."""
        steps = []
        for side, stated_v in enumerate(self._step_v):
            parts = (*self._groups, *(stretch[0] for stretch in self._stretches))
            volts = [part[side] for part in parts]
            seen_v = common_step(np.concatenate(volts), stated_v) if volts else 0.0
            steps.append(max(stated_v, seen_v))
        # A port that hardly moves shows no step; assume that of the other port.
        first, second = steps
        is_seen = first > self._step_v[0], second > self._step_v[1]
        if is_seen[0] != is_seen[1]:
            return max(steps), max(steps)
        return first, second

    def _keyed_scatter(self, step_v: tuple[float, float]) -> float | None:
        """Return the standard deviation of steady keyed readings, in steps.

        The value is that of the port that scatters less; None if there are too few stretches.
        """
        scatters = []
        for side in (0, 1):
            if not step_v[side]:
                continue
            variances = [
                float(variance[side])
                for _, variance, lowest in self._stretches
                if lowest[side] >= CLEAR_STEPS * step_v[side]
            ]
            if len(variances) >= LEAST_STRETCHES:
                variance = quantile(variances, STEADIEST) / OF_STEADIEST
                scatters.append(math.sqrt(variance) / step_v[side])
        return min(scatters, default=None)

    def _side(self, side: int, step_v: float, scatter: float | None) -> tuple[float, float, float]:
        """Return noise, uncertainty of the zero and bias of one port, volts (see `Noise`)."""
        least_v = step_v / math.sqrt(12)
        zero_v, prior_v = self._zero_v[side], self._prior_v[side]
        measured_whole = zero_v >= CLEAR * prior_v and prior_v > MORE * least_v
        groups = np.array([group[side] for group in self._groups])
        if step_v and self._is_censored(groups, step_v, measured_whole=measured_whole):
            prior = Prior(max(prior_v / step_v, Prior().median), bound=scatter)
            if measured_whole:
                prior = Prior(prior_v / step_v, KNOWN_WIDTH, scatter)
            if len(groups):
                mean = groups.mean(axis=1)
                groups = groups[mean <= quantile(mean, QUIETEST) + STRAY_STEPS * step_v]
            counts = np.rint(groups / step_v).astype(np.int64).ravel()
            hidden = estimate(counts, prior)
            sd_v, hidden_v = hidden.sd * step_v, hidden.mean_sd * step_v
            cut = min(2 * float(np.mean(counts == 0)), 1.0) if len(counts) else 1.0
            bias_v = math.hypot(_rounding_v(sd_v, step_v), hidden_v, MEAN_OFF * cut * sd_v)
            return sd_v, math.hypot(hidden.mean * step_v - zero_v, hidden_v), bias_v
        if not len(groups):
            sd_v = max(prior_v, least_v)
            return sd_v, least_v, _rounding_v(sd_v, step_v)
        variances = 0.5 * (np.diff(groups, axis=1) ** 2).mean(axis=1)
        sd_v = math.sqrt(quantile(variances, QUIETEST) / OF_QUIETEST)
        quiet = groups[variances <= median(variances)]
        drift_v = abs(median(quiet.mean(axis=1)) - zero_v)
        # A reading that dithers over several steps averages quantisation out; in a still one it
        # remains as an error of the zero.
        still_v = least_v if sd_v < 0.5 * step_v else 0.0
        sd_v = max(sd_v, least_v)
        return sd_v, math.hypot(drift_v, still_v), _rounding_v(sd_v, step_v)

    @staticmethod
    def _is_censored(groups: Floats, step_v: float, *, measured_whole: bool) -> bool:
        """True if the converter's lower end hides part of the noise."""
        if not len(groups):
            return not measured_whole
        return bool(groups.min() > -0.5 * step_v and np.mean(groups < 0.5 * step_v) > CENSORED)


def _rounding_v(sd_v: float, step_v: float) -> float:
    """Return the largest shift of the mean of readings by rounding, volts.

    `sd_v` is their noise (rounding included). The shift is half a step without noise and negligible
    from half a step of noise on: the first harmonic of the sawtooth of rounding, damped by the
    noise (a standard result on dither), scaled to half a step at zero noise.
    """
    if not step_v:
        return 0.0
    square = max((sd_v / step_v) ** 2 - 1 / 12, 0.0)
    share = math.exp(-2 * math.pi**2 * square)
    return 0.5 * step_v * share if share > NEGLIGIBLE else 0.0
