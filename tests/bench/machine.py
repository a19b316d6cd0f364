"""Runs the state machine of the store for long.

python -m tests.bench.machine [examples] [steps]
"""

from __future__ import annotations

import logging
import sys
import time

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.test_store_machine import StoreMachine


def main(examples: int, steps: int) -> None:
    """Run so many sequences of so many steps; raise the first failure, made small."""
    logging.disable(logging.ERROR)
    begun_s = time.monotonic()
    run_state_machine_as_test(
        StoreMachine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            database=None,
            suppress_health_check=[*HealthCheck],
        ),
    )
    took_s = time.monotonic() - begun_s
    print(f"{examples} sequences of up to {steps} steps in {took_s:.0f} s: all as in the model")


if __name__ == "__main__":
    numbers = [*map(int, sys.argv[1:])]
    main(*(numbers + [300, 60][len(numbers) :]))
