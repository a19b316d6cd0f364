"""Prints, by power, how often true watts and true SWR lie in their 95 % intervals outside the
bench points, and how wide these are.

    python -m tests.bench.extrapolation [couplers] [loads of each] [seed] [kind ...]

Couplers are those of `tests.foreign_couplers`, whose detectors follow other laws than the
package's. They are calibrated at 0.1, 0.3, 1 and 3 W with a meter of 5 % and read from a tenth of
the lowest power to four times the highest. A reading is the mean of PAIRS pairs; intervals are
those of rows of transmissions, with the converter's true noise. Loads whose SWR is not readable at
their power have no interval and are not counted; `read` is the share that is.
"""

from __future__ import annotations

import sys
import time
from typing import NamedTuple

import numpy as np

from logger.blocks import Noise
from logger.calibration import bench_points
from logger.calibration.coupler import Coupler
from logger.calibration.fit import fit
from logger.errors import BenchPointError
from logger.physics.reflection import COVERAGE, LEAST_W
from logger.stages.totals import MEANS, SUMS, Sums
from logger.stages.transmission_rows import bounds
from tests import foreign_couplers as foreign

BENCH_W = (0.1, 0.3, 1.0, 3.0)
POWERS_W = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 4.5, 6.0, 9.0, 12.0)
KINDS = ("cycle", "germanium", "compensated")
PAIRS = 50
QUIET = 3000  # unkeyed pairs that tell the zero
HIGHEST_SWR = 5.0
LEAST_COVERAGE = 0.94


class Outcome(NamedTuple):
    """Readings of loads, each (powers, loads): truth and interval of watts and of SWR.

    SWR intervals are NaN where a converter was at its end or the SWR cannot be read.
    """

    watts_ok: np.ndarray
    watts_width: np.ndarray
    swr_ok: np.ndarray
    swr_width: np.ndarray


def play(seed: int, kind: str, loads: int) -> Outcome:
    """Calibrate a coupler and read it. Raises BenchPointError if its points are refused."""
    unit = foreign.draw_coupler(seed, kind)
    bench = foreign.draw_bench(seed)
    text = foreign.bench_points(unit, BENCH_W, seed, low_w=1.0, bench=bench)
    content = fit(
        bench_points.parse(text, "points.csv"),
        reference_class_percent=100 * bench.meter_class,
        step_v=unit.step_v,
    ).content
    coupler = Coupler(content)
    rng = np.random.default_rng([seed, 7])
    swr = np.exp(rng.uniform(0, np.log(HIGHEST_SWR), (len(POWERS_W), loads)))
    gamma = (swr - 1) / (swr + 1) * np.exp(2j * np.pi * rng.random(swr.shape))
    watts = np.broadcast_to(np.array(POWERS_W)[:, None], swr.shape)
    pairs = foreign.volts(unit, watts[..., None].repeat(PAIRS, 2), gamma[..., None], seed=seed)
    sd_v = float(np.hypot(unit.noise_v, unit.step_v / np.sqrt(12)))
    noise = Noise((sd_v,) * 2, (sd_v / np.sqrt(QUIET),) * 2)
    forward_w = coupler.forward.watts(pairs.forward_v)
    reflected_w = coupler.reflected.watts(pairs.reflected_v)
    values = np.stack([forward_w, reflected_w, pairs.forward_v, pairs.reflected_v]).sum(axis=-1)
    sums = np.zeros((SUMS, watts.size))
    totals = Sums(*sums)
    totals.pairs[:] = totals.settled_pairs[:] = PAIRS
    totals.forward_w[:], totals.reflected_w[:], totals.forward_v[:], totals.reflected_v[:] = (
        values.reshape(4, -1)
    )
    sums[6:10] = sums[MEANS]  # all pairs are settled
    assert totals.settled_forward_w[0] == totals.forward_w[0]
    _, low, high, *_ = (
        part.reshape(watts.shape)
        for part in bounds(coupler, noise, sums, np.zeros(watts.size, int))[0]
    )
    clipped = (pairs.forward_v >= unit.full_scale_v - 1.5 * unit.step_v).any(-1)
    low[clipped] = np.nan
    # Watts of the forward wave, where the load does not add to what the port hears.
    matched = foreign.volts(unit, watts[..., None].repeat(PAIRS, 2), 0.0, seed=seed + 1)
    mean_w = coupler.forward.watts(matched.forward_v).mean(axis=-1)
    mean_v = matched.forward_v.mean(axis=-1)
    of_noise_w = coupler.forward.slope(mean_v) * sd_v / np.sqrt(PAIRS)
    usual_w = np.maximum(coupler.forward.watts(mean_v), LEAST_W)
    systematic_w = coupler.watts_u("forward", mean_v, noise.zero_u_v[0]) * usual_w
    spread_w = COVERAGE * np.hypot(systematic_w, of_noise_w)
    watts_ok = np.abs(mean_w - watts) <= spread_w
    spread = spread_w / np.maximum(mean_w, 1e-9)
    clipped = (matched.forward_v >= unit.full_scale_v - 1.5 * unit.step_v).any(-1)
    watts_ok = np.where(clipped, np.nan, watts_ok)
    swr_ok = np.where(np.isnan(low), np.nan, (low <= swr) & (swr <= high))
    return Outcome(watts_ok, spread, swr_ok, np.where(np.isnan(low), np.nan, high - low))


def sample(kind: str, couplers: int, loads: int, seed: int) -> tuple[Outcome, int]:
    """Outcomes of several couplers side by side, and how many were refused."""
    outcomes, refused = [], 0
    for number in range(couplers):
        try:
            outcomes.append(play(1000 * seed + number, kind, loads))
        except BenchPointError as error:
            refused += 1
            print(f"  {kind} {number}: {str(error)[:120]}")
    return Outcome(*(np.concatenate(part, axis=1) for part in zip(*outcomes, strict=True))), refused


def main(couplers: int, loads: int, seed: int, kinds: list[str]) -> None:
    """Run it."""
    begin = time.perf_counter()
    results, refused = zip(*(sample(kind, couplers, loads, seed) for kind in kinds), strict=True)
    together = Outcome(*(np.concatenate(part, axis=1) for part in zip(*results, strict=True)))
    for name, found in (*zip(kinds, results, strict=True), ("all kinds", together)):
        print(f"{name}\n  power W   watts held, ± %    SWR held, width (median), read")
        for row, power_w in enumerate(POWERS_W):
            watts_ok, width, swr_ok, swr_width = (part[row] for part in found)
            print(
                f"  {power_w:7g}   {np.nanmean(watts_ok):10.3f} {100 * np.median(width):5.1f}"
                f"    {np.nanmean(swr_ok):8.3f} {np.nanmedian(swr_width):15.2f}"
                f" {np.mean(~np.isnan(swr_ok)):6.2f}"
            )
    print(f"{sum(refused)} of {len(kinds) * couplers} calibrations refused;"
          f" {time.perf_counter() - begin:.0f} s")  # fmt: skip


if __name__ == "__main__":
    figures = [int(text) for text in sys.argv[1:4]]
    main(*(figures + [30, 10, 1][len(figures) :]), sys.argv[4:] or list(KINDS))
