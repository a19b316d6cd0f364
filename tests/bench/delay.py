"""Prints how many numbers after a step a detector needs, beside a CUSUM that knew the step.

Numbers are standard normal; after `--lead` of them their mean moves by 0.5, 1, 2 or 4 deviations,
up or down by turns, and stays. The *tuned* chart of a step is the two-sided CUSUM with k of half
the step and the limit that gives the false-alarm rate of the run (by the integral equation, see
`tests.cusum_reference`); it is what theory allows for that rate and step. One detector, with one
setting, must come within 1.25 of each of the four tuned charts. All see the same numbers. Runs
with an alarm before the step are left out of the mean delay; the step itself is delay 1 at the
earliest.

A detector is made for a run length in control, the mean count of numbers to a false alarm, and
then given numbers (n,): it returns the index of its first alarm or None. Its own false-alarm rate
is measured on numbers without a step, so that nobody buys quickness with it.

python -m tests.bench.delay [--detector product|bank|one] [--in-control 10000] [--runs 2000]
                            [--control-runs 200] [--lead 50] [--seed 1]

`bank` is no product: four CUSUMs side by side that share the false alarms evenly, which shows what
can be had without knowing the step. `one` is a single CUSUM tuned for a step of 1.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from logger.watchdog.cusum import Bank
from tests.cusum_reference import first_alarm, limit, two_sided_arl

Floats = NDArray[np.float64]
Detector = Callable[[Floats], int | None]
Make = Callable[[float], Detector]

STEPS = (0.5, 1.0, 2.0, 4.0)
BAR = 1.25
LONGEST = 400  # numbers after the step; more are not needed at the rates of use


def charts(limits: dict[float, float]) -> Detector:
    """Two-sided CUSUMs side by side, by their k; the first alarm of any."""

    def detect(numbers: Floats) -> int | None:
        found = len(numbers)
        for k, h in limits.items():
            for sign in (1.0, -1.0):
                total = np.cumsum(sign * numbers[:found] - k)
                # S(i) is the sum less its lowest so far, which is 0 at most.
                lowest = np.minimum(np.minimum.accumulate(total), 0.0)
                beyond = total - lowest > h
                if beyond.any():
                    found = min(found, int(np.argmax(beyond)))
        return found if found < len(numbers) else None

    return detect


def tuned(k: float, h: float) -> Detector:
    """The reference, one number at a time."""
    return lambda numbers: first_alarm(numbers.tolist(), k, h)


def one(in_control: float) -> Detector:
    """Tuned for a step of 1."""
    return charts({0.5: limit(0.5, in_control)})


def bank(in_control: float) -> Detector:
    """One for each step."""
    return charts({step / 2: limit(step / 2, len(STEPS) * in_control) for step in STEPS})


def product(in_control: float) -> Detector:
    """The charts of rule `sudden-change`."""

    def detect(numbers: Floats) -> int | None:
        change = Bank(in_control).update(numbers)
        return None if change is None else change.at

    return detect


DETECTORS: dict[str, Make] = {"product": product, "bank": bank, "one": one}


def rate(
    detect: Detector, rng: np.random.Generator, in_control: float, runs: int
) -> tuple[float, int]:
    """Numbers for each false alarm, as measured, and how many alarms that rests on."""
    numbers = alarms = 0
    length = int(2 * in_control)
    for _ in range(runs):
        found = detect(rng.standard_normal(length))
        numbers += length if found is None else found + 1
        alarms += found is not None
    return numbers / max(alarms, 1), alarms


def delays(
    detectors: dict[str, Detector], rng: np.random.Generator, step: float, lead: int, runs: int
) -> dict[str, Floats]:
    """Numbers from the step to the alarm by detector, (<= runs,)."""
    found: dict[str, list[int]] = {name: [] for name in detectors}
    for run in range(runs):
        numbers = rng.standard_normal(lead + LONGEST)
        numbers[lead:] += step if run % 2 else -step
        for name, detect in detectors.items():
            at = detect(numbers)
            at = len(numbers) if at is None else at
            if at >= lead:
                found[name].append(at - lead + 1)
    return {name: np.array(values, dtype=np.float64) for name, values in found.items()}


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--detector", choices=sorted(DETECTORS), default="product")
    parser.add_argument("--in-control", type=float, default=1e4)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--control-runs", type=int, default=200)
    parser.add_argument("--lead", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    detect = DETECTORS[args.detector](args.in_control)
    begun = time.perf_counter()
    measured, alarms = rate(detect, rng, args.in_control, args.control_runs)
    print(
        f"{args.detector}: a false alarm in {measured:,.0f} numbers ({alarms} seen), wanted"
        f" {args.in_control:,.0f}; {time.perf_counter() - begun:.1f} s"
    )
    print("  step   tuned (exact from rest)   tuned   detector   ratio")
    worst = 0.0
    for step in STEPS:
        k = step / 2
        h = limit(k, args.in_control)
        found = delays({"tuned": tuned(k, h), "own": detect}, rng, step, args.lead, args.runs)
        mean = {name: float(values.mean()) for name, values in found.items()}
        ratio = mean["own"] / mean["tuned"]
        worst = max(worst, ratio)
        exact = two_sided_arl(k, h, step)
        print(f"  {step:4.1f}{exact:20.2f}{mean['tuned']:15.2f}{mean['own']:11.2f}{ratio:8.3f}")
    print(f"  worst {worst:.3f}, bar {BAR}: {'met' if worst <= BAR else 'MISSED'}")


if __name__ == "__main__":
    main()
