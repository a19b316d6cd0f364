"""Prints how advice cuts and adjusts antennas by formulas that the product does not use.

python -m tests.bench.foreign_tune [--sessions 20] [--seed 1] [--kinds whip,trap] [--cut | --slide]
    [--known-leak]
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from functools import partial

import numpy as np

from tests.foreign_antennas import KINDS
from tests.foreign_tune_sessions import ADJUSTMENTS, ForeignOutcome, cut_session, slide_session


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=20, help="of each kind of antenna")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--cut", action="store_true", help="only cutting")
    parser.add_argument("--slide", action="store_true", help="only adjusting")
    parser.add_argument(
        "--known-leak",
        action="store_true",
        help="cutting: the calibration claims this coupler's leak, not that of the poorest",
    )
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.sessions)
    kinds = options.kinds.split(",")
    if not options.slide:
        print(
            "cutting, too long at first: overcut by more than 5 mm; reached: SWR at the middle"
            " (on the worst channel) <= 1.3 or within 0.1 of the best"
        )
        _print(kinds, seeds, partial(cut_session, is_leak_known=options.known_leak))
    if not options.cut:
        print(
            f"adjusting, {ADJUSTMENTS} adjustments at most: SWR at the middle <= 1.3 or within 0.1"
            " of the best"
        )
        _print(kinds, seeds, slide_session)


def _print(kinds: list[str], seeds: range, session: Callable[[int, str], ForeignOutcome]) -> None:
    print(
        f"{'kind':15} {'short 5 mm':>10} {'most mm':>7} {'reached':>7} {'(worst)':>7} {'steps':>5}"
        f" {'covered':>7} {'SWR from':>8} {'to':>5} {'best':>5}  last word; seeds too short by more"
        " than 5 mm, not reached"
    )
    every = []
    for kind in kinds:
        outcomes = [session(seed, kind) for seed in seeds]
        every += outcomes
        over = [seed for seed, one in zip(seeds, outcomes, strict=True) if one.overcut]
        missed = [seed for seed, one in zip(seeds, outcomes, strict=True) if not one.reached]
        _line(kind, outcomes, f"; {over[:9]} {missed[:9]}")
    _line("all", every, "")


def _line(kind: str, outcomes: list[ForeignOutcome], more: str) -> None:
    over = [one.overcut for one in outcomes]
    words = Counter(one.last for one in outcomes).most_common()
    print(
        f"{kind:15} {100 * np.mean(over):9.1f}% {max(one.beyond_mm for one in outcomes):7.1f}"
        f" {100 * np.mean([one.reached for one in outcomes]):6.0f}%"
        f" {100 * np.mean([one.reached_worst for one in outcomes]):6.0f}%"
        f" {np.mean([one.steps for one in outcomes]):5.1f}"
        f" {100 * np.mean([one.covered for one in outcomes]):6.0f}%"
        f" {np.median([one.started for one in outcomes]):8.2f}"
        f" {np.median([one.worst for one in outcomes]):5.2f}"
        f" {np.median([one.best for one in outcomes]):5.2f}"
        f"  {', '.join(f'{word} {count}' for word, count in words)}{more}",
        flush=True,
    )


if __name__ == "__main__":
    main()
