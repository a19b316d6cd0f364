"""Feeds the frame decoder what a coverage-guided fuzzer thinks of; needs `pip install atheris`.

python -m tests.bench.fuzz [SECONDS]

The raw bytes, cut anywhere, must give the frames that a plain loop finds. Cut at their zeros and
framed with a right CRC they must give no exception, no volts beyond the scale and no time that goes
back.
"""

from __future__ import annotations

import resource
import sys
from itertools import pairwise

import atheris
import numpy as np

with atheris.instrument_imports(include=["drivers.frames"]):
    from drivers.frames.framing import LONGEST, MOST, Deframer, frame, unframe
    from drivers.frames.messages import Identity, Settings, Type, kind
    from drivers.frames.stream import FrameStream
    from tests.frames_encoder import pack_identity

from drivers.recording import Chunk

SETTINGS = [Settings(1, 1000, 8, 4, bits, 0, 4092, 5000, 9) for bits in (12, 16)]
HELLOS = [pack_identity(Identity(settings, 1, 0, "")) for settings in SETTINGS]
HEADS = [bytes([kind(Type.BLOCK)]) + settings.tag.to_bytes(2, "little") for settings in SETTINGS]


def raw(data: bytes) -> None:
    """Bytes as they are."""
    deframer = Deframer()
    step = 1 + data[0] if data else 1
    got = []
    for start in range(0, len(data), step):
        groups = deframer.feed(data[start : start + step])
        rows = [
            (int(place), row.tobytes())
            for group in groups
            for place, row in zip(group.place, group.payload, strict=True)
        ]
        got += [row for _, row in sorted(rows)]
        assert len(deframer._tail) <= LONGEST
    by_hand = [unframe(piece) for piece in data.split(b"\0")[:-1]]
    assert got == [payload for payload in by_hand if payload is not None]


def framed(data: bytes) -> None:
    """Payloads of any content, after an identity and as blocks by its settings too."""
    which = len(data) % 2
    wire = [HELLOS[which]]
    for piece in data.split(b"\0"):
        for head in (b"", HEADS[which]):
            payload = (head + piece)[: MOST - 2]
            if payload:
                wire.append(frame(payload))
    stream = FrameStream(115200)
    parts = stream.feed_parts([Chunk(10**18, b"".join(wire))])
    parts += stream.feed_parts([Chunk(10**18 + 1000, wire[-1])])
    times = np.concatenate([part.time_ns for part in parts]) if parts else np.zeros(0)
    assert all(a < b for a, b in pairwise(times.tolist()))
    for part in parts:
        assert np.isfinite(part.forward_v).all()
        assert np.isfinite(part.reflected_v).all()
    assert stream.counters["corrupt"] == 0


def one(data: bytes) -> None:
    """A test case."""
    raw(data)
    framed(data)


if __name__ == "__main__":
    seconds = sys.argv[1] if len(sys.argv) > 1 else "60"
    print(f"before: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10} MiB", flush=True)
    atheris.Setup([sys.argv[0], f"-max_total_time={seconds}", "-max_len=2048"], one)
    atheris.Fuzz()
