"""A bridge for torture: pairs with a running number, without pause, and a log of what was sent.

python -m tests.bridge DESCRIPTOR LOG SEED

Writes `forward_v,reflected_v,n` lines to the master of a pseudo-terminal at 200 to 500 pairs/s
until SIGTERM: transmissions of random length and power, pauses, faults that must raise alarms.
A line for which there is no room is not sent, as on a wire nobody listens to; its number is gone.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import numpy as np

from tests.station import volts

QUIET, CLEAN, FAULT = 0, 1, 2
STEP_V = 1e-4
SENT = np.dtype(
    [
        ("n", "<i8"),
        ("time_ns", "<i8"),  # just before it was written
        ("kind", "<i4"),
        ("transmission", "<i4"),  # 0 while the key is up
        ("forward", "<i4"),  # in steps
        ("reflected", "<i4"),
    ]
)
POWERS_W = (0.8, 1.5, 4.0, 9.0)
CLEAN_RATIOS = (0.004, 0.02, 0.06)  # SWR up to 1.65
FAULT_RATIO = 0.7  # SWR 11
LATE_S = 0.2  # behind by more, it does not catch up


def plan(random_: random.Random) -> Iterator[tuple[float, float, int, float, float]]:
    """Stretches for ever: seconds, pairs a second, kind, incident and reflected watts."""
    while True:
        rate = random_.uniform(200, 500)
        yield random_.uniform(0.45, 0.9), rate, QUIET, 0.0, 0.0
        watts = random_.choice(POWERS_W)
        clean = watts * random_.choice(CLEAN_RATIOS)
        yield random_.choice([0.5, 1.0, 4.0]) * random_.uniform(0.6, 1.4), rate, CLEAN, watts, clean
        if random_.random() < 0.4:
            yield random_.uniform(0.25, 0.6), rate, FAULT, watts, watts * FAULT_RATIO
            yield random_.uniform(0.2, 1.0), rate, CLEAN, watts, clean


def main(descriptor: int, log: Path, seed: int) -> None:
    """Send until SIGTERM."""
    going = True

    def stop(number: int, frame: FrameType | None) -> None:
        nonlocal going
        going = False

    signal.signal(signal.SIGTERM, stop)
    os.set_blocking(descriptor, False)
    random_ = random.Random(seed)
    known = {watts: round(volts(watts) / STEP_V) for watts in {w for *_, w in _powers()} | {0.0}}
    number = transmission = 0
    rest, before = b"", QUIET
    at = time.perf_counter()
    with log.open("wb") as file:
        for seconds, rate, kind, forward_w, reflected_w in plan(random_):
            transmission += kind == CLEAN and before == QUIET
            before = kind
            for _ in range(round(seconds * rate)):
                if not going:
                    return
                time.sleep(max(0.0, at - time.perf_counter()))
                at = max(at + 1 / rate, time.perf_counter() - LATE_S)
                number += 1
                steps = [
                    max(0, known[watts] + round(random_.gauss(0, 1)))
                    for watts in (forward_w, reflected_w)
                ]
                line = f"{steps[0] * STEP_V:.4f},{steps[1] * STEP_V:.4f},{number}\n".encode()
                now_ns = time.time_ns()
                try:
                    if rest:
                        rest = rest[os.write(descriptor, rest) :]
                    if rest:
                        continue
                    rest = line[os.write(descriptor, line) :]
                except BlockingIOError:
                    continue
                row = (number, now_ns, kind, transmission if kind else 0, *steps)
                file.write(np.array(row, SENT).tobytes())


def _powers() -> Iterator[tuple[float]]:
    for watts in POWERS_W:
        for ratio in (1.0, FAULT_RATIO, *CLEAN_RATIOS):
            yield (watts * ratio,)


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
