"""The noise of both converters and the drift of their zeros, measured while nobody transmits.

Unkeyed pairs (see `selection`) are gathered in groups of GROUP; a group gives a variance from
successive differences (blind to slow drift) and a mean. The median over the last GROUPS groups is
used, so that a weak signal or a crackle in one of them does no harm. With a burst of pairs each
minute that is a quarter of an hour, so the pipeline asks for it every ten minutes.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from logger.blocks import Floats, Noise

GROUP = 64
GROUPS = 32


class NoiseTracker:
    """`update` with pairs, `noise` when an estimate is wanted.

    prior_v  noise to assume until it has been measured (from the calibration), volts
    zero_v   the zeros of the calibration, volts
    """

    def __init__(self, prior_v: tuple[float, float], zero_v: tuple[float, float]) -> None:
        self._prior_v = prior_v
        self._zero_v = zero_v
        self._groups: deque[tuple[Floats, Floats]] = deque(maxlen=GROUPS)
        self._open: list[Floats] = []
        self._count = 0
        self._step_v = (0.0, 0.0)

    def update(self, forward_v: Floats, reflected_v: Floats, step_v: tuple[float, float]) -> None:
        """Take in pairs of the unkeyed transmitter, arrays (n,), n may be 0."""
        self._step_v = step_v
        if not len(forward_v):
            return
        volts = np.stack([forward_v, reflected_v])
        self._open.append(volts)
        self._count += volts.shape[1]
        if self._count < GROUP:
            return
        volts = np.concatenate(self._open, axis=1)
        whole = self._count // GROUP * GROUP
        groups = volts[:, max(0, whole - GROUP * GROUPS) : whole].reshape(2, -1, GROUP)
        steps = np.diff(groups, axis=2)
        variances = 0.5 * (steps**2).mean(axis=2)
        means = groups.mean(axis=2)
        self._groups.extend(zip(variances.T, means.T, strict=True))
        self._open = [volts[:, whole:].copy()]
        self._count -= whole

    def noise(self) -> Noise:
        """The present estimate. Quantisation counts with 1/sqrt(12) of a step at least."""
        least = np.array(self._step_v) / np.sqrt(12)
        if not self._groups:
            sd = np.maximum(self._prior_v, least)
            return Noise((sd[0], sd[1]), (least[0], least[1]))
        sd = np.sqrt(np.median([variance for variance, _ in self._groups], axis=0))
        zero = np.median([mean for _, mean in self._groups], axis=0)
        drift = np.abs(zero - self._zero_v)
        # A reading that dithers over several steps averages quantisation away; a still one leaves
        # it standing as an error of the zero.
        still = np.where(sd < 0.5 * np.array(self._step_v), least, 0.0)
        sd = np.maximum(sd, least)
        zero_u = np.hypot(drift, still)
        return Noise((float(sd[0]), float(sd[1])), (float(zero_u[0]), float(zero_u[1])))
