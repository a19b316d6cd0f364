"""Prints how often what changes at an invented station of five channels is told.

python -m tests.bench.station_state [--stations 200] [--seed 1]
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np

from logger.trend.station_state import station_state
from tests.state_stations import PLANTED, RESISTANCE, state_station


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    told: Counter[tuple[str, str]] = Counter()
    covered, spent = [0, 0], 0.0
    for number in range(options.stations):
        station = state_station(rng, PLANTED[number % len(PLANTED)])
        begun = time.process_time()
        state = station_state(station.used)
        spent += time.process_time() - begun
        assert state is not None
        assert state.resonance_khz_per_year is not None
        told[station.case, state.verdict] += 1
        loss, move = state.loss_db_per_year, state.resonance_khz_per_year
        covered[0] += loss is not None and loss.low <= station.loss_db_per_year <= loss.high
        covered[1] += move.low <= station.resonance_khz_per_year <= move.high
    others: Counter[tuple[str, str]] = Counter()
    for case in ("unchanged", RESISTANCE):
        for _ in range(options.stations // 4):
            state = station_state(state_station(rng, case).used)
            assert state is not None
            others[case, state.verdict] += 1
    share = 100 / options.stations
    right = sum(count for (case, verdict), count in told.items() if case == verdict)
    open_ = sum(count for (_, verdict), count in told.items() if verdict == "undecided")
    print(f"{options.stations} stations, {spent / options.stations:.2f} s each")
    print(f"  told apart {share * right:.1f} %, undecided {share * open_:.1f} %, the rest wrong")
    print(f"  loss a year in its interval {share * covered[0]:.1f} %", end="")
    print(f", resonance a year {share * covered[1]:.1f} %")
    for (case, verdict), count in sorted([*told.items(), *others.items()]):
        print(f"    planted {case:10} told {verdict:10} {count}")


if __name__ == "__main__":
    main()
