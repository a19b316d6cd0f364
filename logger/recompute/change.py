"""Conversion of watts, SWR and flags from one calibration to another, from mean readings. Pure.

Information from the pairs of the time is preserved. The stored SWR is that of the settled pairs, so
its power ratio is converted, not computed again. The effect of noise, and the drift of the zeros
from those of the old calibration, are recovered from the stored intervals; only for a withheld
figure are noise and resolution of the new calibration used. Fit and directivity are those of the
new calibration. Laws are compared at the mean temperature of the transmission if it is stored, else
at bench temperature.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from logger.blocks import Bools, Floats, Noise, Times
from logger.calibration.coupler import READABLE_FACTOR, Coupler
from logger.calibration.detector import DetectorLaw
from logger.physics.reflection import (
    BLEND,
    COVERAGE,
    HIGHEST_SWR,
    NO_STRAY,
    Stray,
    estimate,
    rho_of_swr,
)
from logger.rows import Flag
from logger.store.statements import WATT_DECIMALS

# Each about halves the error; less under square law, but there the share does not matter.
SHARE_ROUNDS = 12
LEAST_SHARE = 0.02
LEAST_V = 1e-6  # above the zero; last decimal of stored volts
LEAST_W = 10.0**-WATT_DECIMALS  # last decimal of stored watts
CLEAR = 1e-3  # a smaller change of the readable floor is rounding

SIDES = ("forward", "reflected")
BOUNDS = ("swr", "swr_low", "swr_high", "swr_noise_low", "swr_noise_high")


class Moved(NamedTuple):
    """Change of one port's watts, each (n,).

    Watts are multiplied by `gain`; then `on` is added while power flows and `pause` while none does
    (watts, not 0 if the zero changed).
    """

    gain: Floats
    on: Floats
    pause: Floats


class Means(NamedTuple):
    """Means over a stretch of time, arrays (n,).

    Number of settled pairs, volts while power flowed, incident watts then by the old calibration,
    and the change of both ports' watts.
    """

    samples: Floats
    forward_v: Floats
    reflected_v: Floats
    forward_w: Floats
    forward: Moved
    reflected: Moved


class Recalibration:
    """Conversion of n rows between two calibrations, at `frequency_khz` (n,), NaN if unknown.

    All arrays are (n,), in watts and volts.
    """

    def __init__(self, old: Coupler, new: Coupler, frequency_khz: Floats) -> None:
        self.old, self.new = old, new
        # Factors of watts due to frequency, forward and reflected, by the old and the new
        # calibration.
        self._old_by = [_by_frequency(old, side, frequency_khz) for side in SIDES]
        self._new_by = [_by_frequency(new, side, frequency_khz) for side in SIDES]
        content = new.content
        # The daemon's assumption before it has measured the noise.
        least = content.converter.step_v / np.sqrt(12)
        self._noise = Noise(
            (max(content.noise.forward_v, least), max(content.noise.reflected_v, least)),
            (least, least),
        )

    def share(self, forward_v: Floats, forward_w: Floats) -> Floats:
        """Return the share of the time during which power flowed, from means over all of it."""
        law = self.old.forward
        above = np.maximum(forward_v - law.zero_v, LEAST_V)
        share = np.ones_like(above)
        for _ in range(SHARE_ROUNDS):
            level = law.volts(forward_w / self._old_by[0] / share) - law.zero_v
            share = np.clip(above / np.maximum(level, LEAST_V), LEAST_SHARE, 1.0)
        return share

    def while_on(
        self, forward_v: Floats, reflected_v: Floats, share: Floats
    ) -> tuple[Floats, Floats]:
        """Return mean readings of both ports while power flowed, from means over all time."""
        zero_f, zero_r = self.old.forward.zero_v, self.old.reflected.zero_v
        return zero_f + (forward_v - zero_f) / share, zero_r + (reflected_v - zero_r) / share

    def peaks_v(self, forward_w: Floats, reflected_w: Floats) -> Floats:
        """Return the readings that gave these watts, (2, n)."""
        return np.stack(
            [
                self.old.forward.volts(forward_w / self._old_by[0]),
                self.old.reflected.volts(reflected_w / self._old_by[1]),
            ]
        )

    def moved(self, forward_v: Floats, reflected_v: Floats) -> tuple[Moved, Moved]:
        """Return the changes of incident and reflected watts at these readings."""
        laws = (
            (self.old.forward, self.new.forward, forward_v),
            (self.old.reflected, self.new.reflected, reflected_v),
        )
        forward, reflected = (
            _moved(old, new, on_v, old_by, new_by)
            for (old, new, on_v), old_by, new_by in zip(
                laws, self._old_by, self._new_by, strict=True
            )
        )
        return forward, reflected

    def bounds(
        self, means: Means, ratio_w: Floats, stored: Floats, hidden: Bools
    ) -> tuple[Floats, Bools]:
        """Return the columns of BOUNDS (5, n), NaN where unreadable, and the unreadable rows.

        ratio_w  reflected/incident by the old calibration, used where `stored` has no SWR
        stored   stored values of BOUNDS, (5, n)
        hidden   mask of withheld figures
        """
        old, new, noise = self.old, self.new, self._noise
        forward_w = means.forward.gain * means.forward_w + means.forward.on
        readable = self._readable(means, forward_w, hidden)
        safe_w = np.where(readable, forward_w, 1.0)

        is_known = (stored[0] > 1.0) & (stored[0] < HIGHEST_SWR)
        old_ratio = np.where(is_known, rho_of_swr(stored[0]) ** 2, ratio_w)
        ratio = np.where(readable, moved_ratio(means, old_ratio), 0.0)

        # Variances of the ratio: by the new calibration's noise, used where none was stored,
        slope = self._new_by[1] * new.reflected.slope(means.reflected_v)
        across = ratio * self._new_by[0] * new.forward.slope(means.forward_v)
        variance = ((slope * noise.sd_v[1]) ** 2 + (across * noise.sd_v[0]) ** 2) / (
            np.maximum(means.samples, 1.0) * safe_w**2
        )
        drift = ((slope * noise.zero_u_v[1]) ** 2 + (across * noise.zero_u_v[0]) ** 2) / safe_w**2
        # and as stored. Volts scatter and drift as before, so both scale with the slope.
        steeper = slope / (self._old_by[1] * old.reflected.slope(means.reflected_v))
        steeper = (steeper / np.maximum(means.forward.gain, 1e-9)) ** 2
        none = Noise((0.0, 0.0), (0.0, 0.0))
        positive = np.maximum(old_ratio, 0.0)
        leakage = old.leak + old.forward_leak * np.minimum(positive, 1.0)
        low, high, noise_low, noise_high = rho_of_swr(stored[1:])
        noise_was = _variance(old_ratio, noise_low, noise_high, np.zeros_like(positive))
        all_was = _variance(old_ratio, low, high, leakage, old.stray)
        fit_was = old.ratio_variance(means.forward_v, means.reflected_v, none) * positive**2
        drift_was = np.maximum(all_was - noise_was - fit_was, 0.0)
        variance = np.where(np.isnan(noise_was), variance, steeper * noise_was)
        drift = np.where(np.isnan(drift_was), drift, steeper * drift_was)

        def estimated(variance: Floats) -> Any:
            return estimate(
                safe_w,
                ratio * safe_w,
                variance,
                new.ratio_variance(means.forward_v, means.reflected_v, none),
                new.leak,
                new.forward_leak,
                readable,
                new.stray,
            )

        full, alone = estimated(variance + drift), estimated(variance)
        return np.stack([*full[:3], alone.noise_low, alone.noise_high]), ~readable

    def flags(self, flags: Times, unreadable: Bools, extrapolated: Bools) -> Times:
        """Return flags by the new calibration; those about pairs and time are preserved."""
        preserved = flags & ~int(Flag.RELATIVE | Flag.BELOW_FLOOR | Flag.EXTRAPOLATED)
        return np.asarray(
            preserved
            | np.where(unreadable, int(Flag.BELOW_FLOOR), 0)
            | np.where(extrapolated, int(Flag.EXTRAPOLATED), 0)
            | (int(Flag.RELATIVE) if self.new.relative_watts else 0)
        )

    def extrapolated(
        self,
        was: Bools,
        forward_v: Floats,
        certain: tuple[Floats, Floats],
        possible: tuple[Floats, Floats],
    ) -> Bools:
        """Return a mask of readings outside the range of the new calibration's bench points.

        was        old flag, derived from single readings
        forward_v  mean forward reading
        certain    forward and reflected readings that certainly occurred
        possible   highest readings that can have occurred

        A flag is cleared if no reading can lie outside, and set if an edge moved inwards past a
        reading.
        """
        old, new = self.old, self.new
        outside = forward_v < new.lowest_v
        added = outside & (new.lowest_v > old.lowest_v)
        for sure, highest_v, top, top_was in zip(
            certain, possible, new.ends_v, old.ends_v, strict=True
        ):
            outside = outside | (highest_v > top)
            added = added | ((sure > top) & (top < top_was))
        return np.asarray(np.where(was, outside, added))

    def _readable(self, means: Means, forward_w: Floats, hidden: Bools) -> Bools:
        """Return a mask of rows with enough power for a figure.

        The daemon knew the noise of the time, so its verdict stands unless the new calibration
        contradicts it.
        """
        old_slope, new_slope = (
            by * coupler.reflected.slope(coupler.reflected.zero_v)
            for coupler, by in ((self.old, self._old_by[1]), (self.new, self._new_by[1]))
        )
        noise = self._noise
        least_w = (
            READABLE_FACTOR
            * new_slope
            * np.hypot(
                noise.sd_v[1] / np.sqrt(np.maximum(means.samples, 1.0)),
                noise.zero_u_v[1],
            )
        )
        clear = forward_w >= least_w
        with np.errstate(divide="ignore", invalid="ignore"):
            gained = forward_w / means.forward_w * old_slope / new_slope
        shown = np.where(gained > 1 + CLEAR, ~hidden | clear, ~hidden)
        shown = np.where(gained < 1 - CLEAR, ~hidden & clear, shown)
        return np.asarray(shown & (forward_w > 1e-9))


def _by_frequency(coupler: Coupler, side: str, frequency_khz: Floats) -> Floats:
    volts = np.full_like(frequency_khz, getattr(coupler, side).zero_v + 0.1)  # any; same factor
    watts = coupler.watts(side, volts, {"frequency_khz": frequency_khz})
    factor = watts / coupler.watts(side, volts, {})
    return np.asarray(np.where(np.isnan(frequency_khz), 1.0, factor))


def _moved(
    old: DetectorLaw, new: DetectorLaw, on_v: Floats, old_by: Floats, new_by: Floats
) -> Moved:
    above = np.maximum(on_v - old.zero_v, LEAST_V)
    level = new.watts(above + new.zero_v)
    return Moved(
        level * new_by / (old.watts(above + old.zero_v) * old_by),
        new_by * (new.watts(above + old.zero_v) - level),
        new_by * new.watts(np.full_like(above, old.zero_v)),
    )


def moved_ratio(means: Means, ratio: Floats) -> Floats:
    """Return reflected/incident by the new calibration, from that by the old one, (n,)."""
    forward_w = np.maximum(means.forward_w, LEAST_W)
    forward, reflected = means.forward, means.reflected
    return np.asarray(
        (ratio * reflected.gain + reflected.on / forward_w)
        / np.maximum(forward.gain + forward.on / forward_w, 1e-9)
    )


def _variance(
    ratio: Floats, low: Floats, high: Floats, leakage: Floats, stray: Stray = NO_STRAY
) -> Floats:
    """Return the variance of the ratio from its stored bounds, (n,).

    The inverse of `reflection.estimate`; NaN if both bounds are at the ends of the scale. The
    bounds are reflection coefficients.
    """
    rho = np.sqrt(np.maximum(ratio, 0.0))

    def unblended(distance: Floats) -> Floats:
        rest = np.maximum(distance, 0.0) ** BLEND - leakage**BLEND
        spread = np.maximum(rest, 0.0) ** (1 / BLEND)
        return np.sqrt(np.maximum(spread**2 - COVERAGE**2 * stray.variance(rho), 0.0))

    up = np.maximum((rho + unblended(high - rho)) ** 2 - ratio, 0.0)
    down = ratio - np.maximum(rho - unblended(rho - low), 0.0) ** 2
    spread = np.where(high < rho_of_swr(HIGHEST_SWR), up, np.where(low > 0, down, np.nan))
    return np.asarray((spread / COVERAGE) ** 2)
