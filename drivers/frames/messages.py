"""Encoding and decoding of payloads, and the text form of commands. See PROTOCOL.md."""

from __future__ import annotations

import struct
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.frames.framing import Bytes, Ints, crc16, frame

VERSION = 1
WRAP = 2**32
BLOCK_HEAD = 12  # bytes before the pairs of a block
PAIR_BYTES = {12: 3, 16: 4}
RESETS = ("unknown", "power", "reset pin", "supply too low", "watchdog", "software")
RESULTS = ("done", "not possible", "unknown command")
# By number: name of the auxiliary column, and the size of the wire's unit in that column's unit.
READINGS = {
    1: ("supply_v", 1e-3),
    2: ("chip_temperature_c", 1e-2),
    3: ("frequency_khz", 1e-3),
    4: ("ptt", 1.0),
}
COMMANDS = "identify · set PERIOD_US BLOCK OVERSAMPLING · inhibit MS · permit MS · pattern on|off"
_SETTINGS = struct.Struct("<HIBBBBHHh")
_READING = struct.Struct("<Bi")

Codes = NDArray[np.uint16]


class Type(IntEnum):
    """Types of message."""

    IDENTITY = 1
    BLOCK = 2
    READINGS = 3
    ANSWER = 4
    IDENTIFY = 8
    SET = 9
    INHIBIT = 10
    PATTERN = 11


class Settings(NamedTuple):
    """Acquisition settings. `period_us` and `skew_us` in µs, `reference_mv` in millivolts."""

    boot: int
    period_us: int
    block: int
    oversampling: int
    bits: int
    pattern: int
    full_scale: int
    reference_mv: int
    skew_us: int

    @property
    def tag(self) -> int:
        """Tag carried by the blocks made with these settings."""
        return crc16(_SETTINGS.pack(*self))

    @property
    def volts(self) -> float:
        """Volts per code."""
        return self.reference_mv / 1000 / self.full_scale


class Identity(NamedTuple):
    """Identity message of a bridge."""

    settings: Settings
    reset: int
    inhibit: int
    name: str

    @property
    def why_started(self) -> str:
        """Reason of the last reset in words."""
        return RESETS[self.reset] if self.reset < len(RESETS) else RESETS[0]


class Blocks(NamedTuple):
    """Blocks of equally many pairs: fields of shape (k,), and the packed pairs (k, bytes)."""

    tag: Ints
    number: Ints
    clock_us: Ints
    pairs: Ints
    packed: Bytes

    def cut(self, part: slice | NDArray[np.bool_]) -> Blocks:
        """Return the selected blocks."""
        return Blocks(
            self.tag[part],
            self.number[part],
            self.clock_us[part],
            self.pairs[part],
            self.packed[part],
        )


def kind(type_: Type, version: int = VERSION) -> int:
    """Return the first byte of a payload."""
    return version << 4 | type_


def pack(type_: Type, body: bytes = b"") -> bytes:
    """Return the frame of a message."""
    return frame(bytes([kind(type_)]) + body)


def unpack_pairs(packed: Bytes, bits: int) -> tuple[Codes, Codes]:
    """Return the forward and reflected codes (k, n) of pairs packed in (k, bytes)."""
    if bits == 16:
        codes = np.ascontiguousarray(packed).view("<u2")
        return codes[:, 0::2], codes[:, 1::2]
    low, middle, high = (packed[:, i::3].astype(np.uint16) for i in range(3))
    low |= (middle & 15) << np.uint16(8)
    high <<= np.uint16(4)
    high |= middle >> np.uint16(4)
    return low, high


def unpack_blocks(payload: Bytes) -> Blocks | None:
    """Decode blocks of one length (k, bytes); return None if a block cannot have this length."""
    if payload.shape[1] < BLOCK_HEAD + 3:
        return None
    head = payload[:, :BLOCK_HEAD].astype(np.int64)
    return Blocks(
        head[:, 1] | head[:, 2] << 8,
        head[:, 3] | head[:, 4] << 8 | head[:, 5] << 16 | head[:, 6] << 24,
        head[:, 7] | head[:, 8] << 8 | head[:, 9] << 16 | head[:, 10] << 24,
        head[:, 11],
        payload[:, BLOCK_HEAD:],
    )


def unpack_identity(payload: bytes) -> Identity | None:
    """Decode an identity; return None if the payload is invalid."""
    body = payload[1:]
    if not _SETTINGS.size + 2 <= len(body) <= _SETTINGS.size + 2 + 32:
        return None
    settings = Settings(*_SETTINGS.unpack_from(body))
    reset, inhibit = body[_SETTINGS.size : _SETTINGS.size + 2]
    name = body[_SETTINGS.size + 2 :].decode("ascii", "replace")
    if (
        settings.bits not in PAIR_BYTES
        or not 0 < settings.full_scale < 1 << settings.bits
        or not settings.period_us
        or not settings.reference_mv
        or not settings.oversampling
    ):
        return None
    return Identity(settings, reset, inhibit, "".join(c if c.isprintable() else "?" for c in name))


def unpack_readings(payload: bytes) -> tuple[int, dict[str, float]] | None:
    """Decode the clock and the readings by column name; return None if the payload is invalid."""
    body = payload[5:]
    if len(payload) < 5 or len(body) % _READING.size:
        return None
    readings = {}
    for number, value in _READING.iter_unpack(body):
        if number in READINGS:
            name, unit = READINGS[number]
            readings[name] = value * unit
    return int.from_bytes(payload[1:5], "little"), readings


def command(words: str) -> bytes:
    """Return the bytes to send for a command given in words.

    An empty frame is prepended because an earlier write may have been cut short. Raise ValueError
    with a line for the user.
    """
    name, *arguments = words.split() or [""]
    try:
        match name, arguments:
            case "identify", []:
                message = pack(Type.IDENTIFY)
            case "set", [period_us, block, oversampling]:
                body = struct.pack("<IBB", int(period_us), int(block), int(oversampling))
                message = pack(Type.SET, body)
            case "inhibit" | "permit", [limit_ms]:
                body = struct.pack("<BH", name == "inhibit", int(limit_ms))
                message = pack(Type.INHIBIT, body)
            case "pattern", ["on" | "off" as state]:
                message = pack(Type.PATTERN, bytes([state == "on"]))
            case _:
                raise ValueError(name)
    except (ValueError, struct.error):
        raise ValueError(
            f"the bridge has no command {words!r}; known commands: {COMMANDS}"
        ) from None
    return b"\0" + message
