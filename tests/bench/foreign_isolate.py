"""Print how often `isolate` names a faulty part on the independent stations.

A station comes from `tests.foreign_chains`, which shares no formula with the product; one answer
in twenty is a slip. `right`: a faulty part is named; `wrong`: a sound one; `open`: none. `set-ups`
counts a trial that is only read again as one.

python -m tests.bench.foreign_isolate [--stations 200] [--seed 0] [--slips 0.05]
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from itertools import groupby

import numpy as np

from tests.foreign_isolate import Play, play

HEAD = (
    *("", "stations", "right", "wrong", "open", "trials", "95 %", "set-ups", "minutes", "median"),
    "twice",
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--slips", type=float, default=0.05)
    parser.add_argument("--list", action="store_true", help="Print every station not right.")
    options = parser.parse_args()
    plays = [
        play(seed, options.slips) for seed in range(options.seed, options.seed + options.stations)
    ]
    print("".join(cell.rjust(9) for cell in HEAD).replace(" " * 9, " " * 30, 1))
    _print("all", plays)
    for title, key in (
        ("symptom", lambda one: one.symptom),
        ("mode", lambda one: one.mode),
        ("kind", lambda one: one.kind),
        ("number", lambda one: one.circumstances),
    ):
        print(title)
        groups: dict[str, list[Play]] = defaultdict(list)
        for one in plays:
            groups[key(one)].append(one)
        for name in sorted(groups):
            _print(name, groups[name])
    if options.list:
        for one in plays:
            if one.result != "right":
                print(one.account())


def _print(name: str, plays: list[Play]) -> None:
    results = [one.result for one in plays]
    trials = np.array([len(one.outcomes) for one in plays])
    minutes = np.array([one.minutes for one in plays])
    shares = [f"{100 * results.count(one) / len(plays):.1f}" for one in ("right", "wrong", "open")]
    cells = [
        str(len(plays)),
        *shares,
        f"{trials.mean():.1f}",
        f"{np.quantile(trials, 0.95):.0f}",
        f"{np.mean([len(list(groupby(key for key, _ in one.outcomes))) for one in plays]):.1f}",
        f"{minutes.mean():.0f}",
        f"{np.median(minutes):.0f}",
        str(sum(one.jobs_twice for one in plays)),
    ]
    print(f"  {name:28}" + "".join(cell.rjust(9) for cell in cells))


if __name__ == "__main__":
    main()
