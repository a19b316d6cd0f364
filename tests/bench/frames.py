"""Prints how many pairs a second of CPU time are decoded and dated, beside a plain loop."""

from __future__ import annotations

import struct
import time
from collections.abc import Callable

import numpy as np

from drivers.frames.framing import cobs_decode, crc16
from drivers.frames.messages import Identity, Settings
from drivers.frames.stream import FrameStream
from drivers.recording import Chunk
from tests.frames_encoder import pack_block, pack_identity

PAIRS = 960_000
FEED = 1 << 18


def fastest(work: Callable[[], object], rounds: int = 7) -> float:
    """Return the least CPU time of several rounds, in seconds."""
    best = float("inf")
    for _ in range(rounds):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def loop(data: bytes, settings: Settings) -> list[tuple[float, float]]:
    """One frame after the other, as one would write it first."""
    pairs = []
    for stuffed in data.split(b"\0"):
        payload = cobs_decode(stuffed)
        if not payload or crc16(payload) or payload[0] != 0x12:
            continue
        tag, _number, _clock, count = struct.unpack_from("<HIIB", payload, 1)
        if tag != settings.tag:
            continue
        for i in range(12, 12 + 3 * count, 3):
            low, middle, high = payload[i : i + 3]
            forward = low | (middle & 15) << 8
            reflected = middle >> 4 | high << 4
            pairs.append((forward * settings.volts, reflected * settings.volts))
    return pairs


def decode(data: bytes, identity: bytes, baud: int = 10**9) -> int:
    """Bytes to dated sample blocks: all that the driver does but for reading the port."""
    stream = FrameStream(baud)
    stream.feed([Chunk(0, identity)])
    count = 0
    for i in range(0, len(data), FEED):
        parts = stream.feed_parts([Chunk(10**9 + 100 * i, data[i : i + FEED])])
        count += sum(map(len, parts))
    assert stream.counters["lost"] == stream.counters["corrupt"] == 0, stream.counters
    return count


def live(data: bytes, identity: bytes, size: int) -> None:
    """One frame a feed."""
    stream = FrameStream(10**9)
    stream.feed([Chunk(0, identity)])
    for i in range(0, len(data), size):
        stream.feed_parts([Chunk(10**9 + 100 * i, data[i : i + size])])


def main() -> None:
    rng = np.random.default_rng(1)
    codes: dict[str, Callable[[], np.ndarray]] = {
        "keyed": lambda: rng.integers(0, 4093, (PAIRS, 2), dtype=np.uint16),
        "unkeyed": lambda: rng.integers(0, 9, (PAIRS, 2), dtype=np.uint16),
    }
    for size, bar in ((32, 15), (8, 4)):
        settings = Settings(1, 4, size, 4, 12, 0, 4092, 5000, 0)
        identity = pack_identity(Identity(settings, 1, 0, "bench"))
        for name, make in codes.items():
            pairs = make()
            frames = [
                pack_block(settings, k, 4 * k, pairs[k : k + size]) for k in range(0, PAIRS, size)
            ]
            data = b"".join(frames)
            assert decode(data, identity) == PAIRS
            part = b"".join(frames[: len(frames) // 20])
            assert len(loop(part, settings)) == PAIRS // 20
            fast = PAIRS / fastest(lambda d=data, i=identity: decode(d, i))
            slow = PAIRS / 20 / fastest(lambda d=part, s=settings: loop(d, s), 2)
            few = b"".join(frames[:1000])
            one = fastest(lambda d=few, i=identity: live(d, i, len(d) // 1000), 2) / 1000
            print(
                f"blocks of {size:2}, {name:7} {fast / 1e6:5.1f} million pairs/s (bar {bar});"
                f" loop {slow / 1e6:.2f}; a block a feed {one * 1e6:.0f} µs"
            )


if __name__ == "__main__":
    main()
