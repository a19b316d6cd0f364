"""Monthly checks of invented couplers: false alarms, drifts of 0.5 dB told, ports named.

python -m tests.bench.verifications [--stations N] [--kind NAME]
"""

from __future__ import annotations

import argparse
from collections import Counter
from statistics import NormalDist

import numpy as np

from logger.verification.judgement import Judgement, judge
from logger.verification.row import Verification
from logger.verification.usual_power import add_usual_power
from tests.foreign_verifications import Station

MONTHS, DRIFT_DB, FIRST = 24, 0.5, (1, 12)
KINDS = {
    "load alone": {"has_open": False},
    "load alone, steady transmitter": {"has_open": False, "transmitter_sd": 0.01},
    "load alone, usual power unknown": {"has_open": False, "has_habit": False},
    "with a meter": {"has_open": False, "has_meter": True},
    "with an open end": {"has_open": True},
    "open end, none at the calibration": {"has_open": True, "has_open_points": False},
    "open end and meter": {"has_open": True, "has_meter": True},
}


def run(
    station: Station, months: int, drift: list[tuple[float, float]]
) -> tuple[list[Verification], list[Judgement]]:
    """Checks and judgements of some months; `drift` of both ports in each, dB."""
    checks: list[Verification] = []
    verdicts = []
    for month in range(months):
        checks.append(station.check(month, drift[month]))
        if station.has_habit:
            checks = add_usual_power(checks, station.daily())
        verdicts.append(judge(checks))
    return checks, verdicts


def ideal(kind: dict[str, object], stations: int) -> float:
    """Share of drifts of the reflected port that the load tells an ideal observer.

    It knows the reading of the sound coupler and its repeatability exactly, and takes the mean of
    two checks, with limits at three standard deviations as the charts.
    """
    shares = []
    for seed in range(stations):
        station = Station(1000 + seed, **kind)  # type: ignore[arg-type]
        checks = [station.check(0) for _ in range(60)]
        spread_db = float(np.std([check.load_db for check in checks]))
        z = DRIFT_DB / spread_db * np.sqrt(2)
        shares.append(NormalDist().cdf(z - 3) + NormalDist().cdf(-z - 3))
    return float(np.mean(shares))


def false_alarms(kind: dict[str, object], stations: int, months: int = MONTHS) -> float:
    """Share of sound checks that are not fine."""
    alarms = 0
    for seed in range(stations):
        _, verdicts = run(Station(seed, **kind), months, [(0.0, 0.0)] * months)  # type: ignore[arg-type]
        alarms += sum(verdict.verdict != "fine" for verdict in verdicts)
    return alarms / (stations * months)


def told(
    kind: dict[str, object], port: int, stations: int, ramp: int = 1
) -> tuple[float, Counter[str], float]:
    """Share of drifts told within two checks, the ports named, and the rms error of the size.

    `port` is 0 (forward), 1 (reflected) or 2 (both); the drift takes `ramp` months.
    """
    count, names, errors = 0, Counter[str](), []
    for seed in range(stations):
        rng = np.random.default_rng(seed)
        first, size = int(rng.integers(*FIRST)), float(rng.choice([-1, 1])) * DRIFT_DB
        months = first + ramp + 1
        course = np.clip((np.arange(months) - first + 1) / ramp, 0, 1) * size
        drift = [(x * (port != 1), x * (port != 0)) for x in course.tolist()]
        _, verdicts = run(Station(1000 + seed, **kind), months, drift)  # type: ignore[arg-type]
        found = [verdict for verdict in verdicts[-2:] if verdict.verdict != "fine"]
        count += bool(found)
        if found:
            names[str(found[-1].port)] += 1
            if found[-1].port in ("forward", "reflected", "both") and found[-1].drift_db:
                errors.append(found[-1].drift_db - size)
    return count / stations, names, float(np.sqrt(np.mean(np.square(errors or [np.nan]))))


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=100)
    parser.add_argument("--kind", choices=list(KINDS))
    options = parser.parse_args()
    stations = options.stations
    for name, kind in KINDS.items():
        if options.kind not in (None, name):
            continue
        rate = false_alarms(kind, stations)
        print(f"{name}: false alarms {rate:.2%} of sound checks")
        if not kind.get("has_open"):
            share = ideal({**kind, "has_habit": False}, stations)
            print(f"  an ideal observer of the load: {DRIFT_DB} dB reflected told {share:.1%}")
        for port, words in enumerate(("forward", "reflected", "both alike")):
            for ramp in (1, 6):
                share, names, error_db = told(kind, port, stations, ramp)
                named = ", ".join(f"{key} {value}" for key, value in names.most_common())
                print(
                    f"  {DRIFT_DB} dB {words}, {'sudden' if ramp == 1 else f'in {ramp} months'}:"
                    f" told within two checks {share:.1%} ({named}); size ±{error_db:.2f} dB"
                )


if __name__ == "__main__":
    main()
