"""Prints what comes of a daemon that is killed again and again under load.

python -m tests.bench.torture [kills] [seed]

After SIGTERM to this process alone the kills so far are evaluated.
"""

from __future__ import annotations

import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.torture import torture


def main(kills: int, seed: int) -> bool:
    """Print the result; return whether anything was wrong."""
    begun = time.monotonic()
    signals: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, frame: signals.append(number))

    def goes_on(number: int) -> bool:
        if number % 50 == 0:
            print(f"{number} kills in {time.monotonic() - begun:.0f} s", flush=True)
        return not signals

    with tempfile.TemporaryDirectory() as folder:
        result = torture(Path(folder), kills, seed, goes_on)
    print("\n".join(result.lines()))
    print(f"in {time.monotonic() - begun:.0f} s")
    return bool(result.wrong)


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    sys.exit(main(*[*given, *(200, 1)[len(given) :]]))
