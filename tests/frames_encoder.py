"""Messages that a bridge sends, encoded: the opposite of `drivers.frames.messages`."""

from __future__ import annotations

import struct
from collections.abc import Mapping

import numpy as np

from drivers.frames.messages import WRAP, Codes, Identity, Settings, Type, pack

_SETTINGS = struct.Struct("<HIBBBBHHh")
_READING = struct.Struct("<Bi")


def pack_identity(identity: Identity) -> bytes:
    """Return the frame of an identity."""
    head = _SETTINGS.pack(*identity.settings) + bytes([identity.reset, identity.inhibit])
    return pack(Type.IDENTITY, head + identity.name.encode("ascii"))


def pack_block(settings: Settings, number: int, clock_us: int, pairs: Codes) -> bytes:
    """Return the frame of a block of pairs (n, 2)."""
    head = struct.pack("<HIIB", settings.tag, number % WRAP, clock_us % WRAP, len(pairs))
    return pack(Type.BLOCK, head + pack_pairs(pairs, settings.bits))


def pack_readings(clock_us: int, readings: Mapping[int, int]) -> bytes:
    """Return the frame of auxiliary readings, given by number."""
    body = b"".join(_READING.pack(*reading) for reading in readings.items())
    return pack(Type.READINGS, struct.pack("<I", clock_us % WRAP) + body)


def pack_pairs(pairs: Codes, bits: int) -> bytes:
    """Pack pairs (n, 2) into bytes."""
    if bits == 16:
        return pairs.astype("<u2").tobytes()
    forward, reflected = pairs.astype(np.uint16).T
    columns = (forward & 255, forward >> 8 | (reflected & 15) << 4, reflected >> 4)
    return np.stack(columns, axis=1).astype(np.uint8).tobytes()
