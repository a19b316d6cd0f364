"""Prints how often the loose joint of six is ranked first and named, and how often a sound one is.

python -m tests.bench.wiggle [--sessions 200] [--seed 1]
"""

from __future__ import annotations

import argparse

from tests.wiggle_sessions import JOINTS, played


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    first = named = wrong = 0
    quiet = 0
    for seed in range(options.seed, options.seed + options.sessions):
        planted = played(seed, loose=True)
        ranked = planted.session.ranking()
        assert planted.loose is not None
        best = ranked[0].tally.name == JOINTS[planted.loose] and ranked[0].tally.departed > 0
        first += best
        named += best and ranked[0].named
        wrong += any(one.named and one.tally.name != JOINTS[planted.loose] for one in ranked)
        quiet += not any(one.named for one in played(-seed % 2**31, loose=False).session.ranking())
    share = 100 / options.sessions
    print(f"{options.sessions} sessions with a loose joint among {len(JOINTS)}:")
    print(f"  ranked first {share * first:.1f} %, and named {share * named:.1f} %")
    print(f"  another one named {share * wrong:.1f} %")
    print(f"{options.sessions} sound ones: none named in {share * quiet:.1f} %")


if __name__ == "__main__":
    main()
