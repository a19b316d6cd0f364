"""Prints how well advice adjusts random stations, and the rule of thumb beside it.

python -m tests.bench.tune [--stations 300] [--seed 1]
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np

from tests.tune_sessions import ADJUSTMENTS, Outcome, advised, by_thumb
from tests.tune_stations import random_station


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.stations)
    began_s = time.process_time()
    by_advice = [advised(random_station(seed)) for seed in seeds]
    spent_s = time.process_time() - began_s
    inside = [each for one in by_advice for each in one.inside]
    last = [one.inside[-1] for one in by_advice]
    widths = [one.widths for one in by_advice]
    print(f"{options.stations} stations, SWR at the middle <= 1.3 or within 0.1 of the best")
    _print(f"advice, at most {ADJUSTMENTS} adjustments", by_advice)
    _print("rule of thumb alone, as many", [by_thumb(random_station(seed)) for seed in seeds])
    print(
        f"resonance inside its own 95 % interval: {100 * np.mean(inside):.1f} % of"
        f" {len(inside)} positions, {100 * np.mean(last):.1f} % at the last"
    )
    print(
        f"median width of the interval: {np.median([w for one in widths for w in one]):.0f} kHz,"
        f" {np.median([one[0] for one in widths]):.0f} kHz at the first position,"
        f" {np.median([one[-1] for one in widths]):.0f} kHz at the last"
    )
    ends = Counter(one.said[-1] for one in by_advice)
    print("last word:", ", ".join(f"{kind} {count}" for kind, count in ends.most_common()))
    print(f"{1e3 * spent_s / len(inside):.0f} ms a position")
    missed = [seed for seed, one in zip(seeds, by_advice, strict=True) if not one.reached]
    print("not reached:", *missed[:20])


def _print(what: str, outcomes: list[Outcome]) -> None:
    reached = 100 * np.mean([one.reached for one in outcomes])
    over = [max(0.0, one.swr - one.best) for one in outcomes]
    print(
        f"  {what}: {reached:.1f} %; {np.mean([one.adjustments for one in outcomes]):.1f}"
        f" adjustments, SWR above the best {np.median(over):.2f} (median),"
        f" {np.quantile(over, 0.95):.2f} (19 of 20)"
    )


if __name__ == "__main__":
    main()
