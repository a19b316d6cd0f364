"""Prints how often the part at fault is found among invented stations, in how many trials and
minutes, beside trying one part after the other from the transmitter outwards.

python -m tests.bench.isolate [--stations 500] [--seed 1]
"""

from __future__ import annotations

import argparse

import numpy as np

from logger.isolate.session import IsolationSession
from tests.isolate_stations import (
    MISREAD,
    Choice,
    Outcome,
    Person,
    in_order,
    played,
    random_station,
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for misread in (0.0, MISREAD):
        print(f"{options.stations} stations, {100 * misread:g} % of outcomes misread")
        for name, choose in (
            ("most for its minutes", IsolationSession.next),
            ("in order", in_order),
        ):
            _print(name, options, misread, choose)


def _print(name: str, options: argparse.Namespace, misread: float, choose: Choice) -> None:
    outcomes: list[tuple[int, Outcome]] = []
    for seed in range(options.seed, options.seed + options.stations):
        rng = np.random.default_rng(seed)
        station = random_station(rng)
        outcomes.append((station.place, played(Person(station, rng, misread), choose)))
    share = 100 / len(outcomes)
    right = sum(one.found == place for place, one in outcomes)
    wrong = sum(one.found not in (None, place) for place, one in outcomes)
    among = sum(one.found is None and place in one.left for place, one in outcomes)
    odd = sum(one.contradictory for _, one in outcomes)
    trials = np.array([one.trials for _, one in outcomes])
    minutes = np.array([one.minutes for _, one in outcomes])
    print(
        f"  {name:21} found {share * right:4.1f} %, another named {share * wrong:4.1f} %, open but"
        f" among those left {share * among:4.1f} % (contradictory {share * odd:.1f} %);"
        f" trials {trials.mean():.1f} (95 %: {np.quantile(trials, 0.95):.0f}),"
        f" minutes {minutes.mean():.0f} (median {np.median(minutes):.0f})"
    )


if __name__ == "__main__":
    main()
