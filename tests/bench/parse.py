"""Prints how many lines a second the text parser reads, beside a plain loop over the lines."""

from __future__ import annotations

import io
import time
from collections.abc import Callable

import numpy as np

from drivers.text_lines.parser import LineParser

LINES = 500_000
FEED = 1 << 20


def fastest(work: Callable[[], object], rounds: int = 5) -> float:
    """Return the least wall time of several rounds, in seconds."""
    best = float("inf")
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begin)
    return best


def loop(data: bytes) -> list[list[float]]:
    return [[float(field) for field in line.split(b",")] for line in io.BytesIO(data)]


def parse(data: bytes, columns: list[str], size: int = FEED) -> None:
    parser = LineParser(columns, whole_file=True)
    for i in range(0, len(data), size):
        parser.feed(data[i : i + size])
    assert parser.counters["lines"] == data.count(b"\n"), parser.counters


def live(data: bytes, columns: list[str]) -> None:
    parser = LineParser(columns, whole_file=True)
    for line in io.BytesIO(data):
        parser.feed(line)


def main() -> None:
    rng = np.random.default_rng(1)
    volts = rng.uniform(0, 3.3, (LINES, 2))
    wide = volts * 5
    pair, timed = ["forward_v", "reflected_v"], ["time_s", "forward_v", "reflected_v"]
    start = 1764069123123456
    cases = {
        "f,r": (pair, [f"{f:.4f},{r:.4f}\n" for f, r in volts]),
        "f,r of any width": (pair, [f"{f:.4f},{r:.4f}\n" for f, r in wide]),
        "f,r of any width, CR LF": (pair, [f"{f:.4f},{r:.4f}\r\n" for f, r in wide]),
        "time_s,f,r": (
            timed,
            [
                f"{(start + 400 * i) // 10**6}.{(start + 400 * i) % 10**6:06},{f:.4f},{r:.4f}\n"
                for i, (f, r) in enumerate(volts)
            ],
        ),
        "time_s,f,r of any width": (
            timed,
            [
                f"{(start + 400 * i) // 10**6}.{(start + 400 * i) % 10**6:06},{f:.4f},{r:.4f}\n"
                for i, (f, r) in enumerate(wide)
            ],
        ),
    }
    for name, (columns, texts) in cases.items():
        data = "".join(texts).encode()
        fast = LINES / fastest(lambda d=data, c=columns: parse(d, c))
        slow = LINES / fastest(lambda d=data: loop(d), 2)
        part = data[: data.index(b"\n", len(data) // 20) + 1]
        count = part.count(b"\n")
        feed = 16 * len(texts[0])
        few = count / fastest(lambda d=part, c=columns, n=feed: parse(d, c, n), 2)
        one = fastest(lambda d=part, c=columns: live(d, c), 2) / count
        print(
            f"{name:24} {fast / 1e6:6.2f} million lines/s; loop {slow / 1e6:.2f};"
            f" 16 lines a feed {few / 1e6:.2f}; one line a feed {one * 1e6:.1f} µs"
        )


if __name__ == "__main__":
    main()
