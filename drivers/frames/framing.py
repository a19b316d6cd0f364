"""Frames on the wire: COBS, CRC-16/IBM-3740 and the delimiter. See PROTOCOL.md."""

from __future__ import annotations

from binascii import crc_hqx
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

MOST = 254  # bytes of payload and CRC
LONGEST = MOST + 2  # bytes of a frame without its delimiter; some encoders append a redundant 01
SHORTEST = 4  # kind, CRC and COBS
_FEWEST = 12  # frames of one length below which numpy is slower than a loop
_BULK_LONGEST = 254  # longer frames may contain code 255, which does not mark a zero

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]


class Group(NamedTuple):
    """Intact frames of one length and one kind, in order; k >= 1.

    place    (k,) index of each frame in the data fed, damaged frames included
    end      (k,) offset just after the frame's delimiter in the data fed
    payload  (k, length) without the CRC
    """

    place: Ints
    end: Ints
    payload: Bytes

    def cut(self, part: slice | NDArray[np.bool_]) -> Group:
        """Return the selected frames."""
        return Group(self.place[part], self.end[part], self.payload[part])


def crc16(data: bytes) -> int:
    """Return the CRC-16/IBM-3740; 0 for data followed by its own CRC, high byte first."""
    return crc_hqx(data, 0xFFFF)


def cobs_encode(data: bytes) -> bytes:
    """Encode as COBS without the delimiter; 254 bytes without a zero get no redundant 01."""
    encoded = bytearray()
    pieces = data.split(b"\0")
    for last, piece in enumerate(pieces, 1 - len(pieces)):
        while len(piece) >= 254:
            encoded += b"\xff" + piece[:254]
            piece = piece[254:]
            if not piece and not last:
                return bytes(encoded)
        encoded += bytes([len(piece) + 1]) + piece
    return bytes(encoded)


def cobs_decode(data: bytes) -> bytes | None:
    """Decode COBS `data`, which contains no zero; return None if it is not valid COBS."""
    decoded = bytearray()
    place, size = 0, len(data)
    while place < size:
        code = data[place]
        end = place + code
        if end > size or not code:
            return None
        decoded += data[place + 1 : end]
        if code < 255 and end < size:
            decoded.append(0)
        place = end
    return bytes(decoded)


def frame(payload: bytes) -> bytes:
    """Return the frame of this payload, including the delimiter."""
    return cobs_encode(payload + crc16(payload).to_bytes(2, "big")) + b"\0"


def unframe(stuffed: bytes) -> bytes | None:
    """Return the payload of a frame without its delimiter, or None if the frame is damaged."""
    if not SHORTEST <= len(stuffed) <= LONGEST:
        return None
    data = cobs_decode(stuffed)
    if data is None or not 3 <= len(data) <= MOST or crc16(data):
        return None
    return data[:-2]


class Deframer:
    """Finds the intact frames in a byte stream that arrives in arbitrary pieces.

    `corrupt` counts damaged frames, `partial` those whose beginning cannot have been received.
    Buffers one frame at most.
    """

    def __init__(self) -> None:
        self.corrupt = 0
        self.partial = 0
        self._tail = b""
        self._first = True  # no delimiter received yet
        self._overlong = False  # within data too long to be a frame

    def reset(self) -> None:
        """Prepare for data that may begin in the middle of a frame."""
        self.partial += bool(self._tail)
        self._tail, self._first, self._overlong = b"", True, False

    def feed(self, data: bytes) -> list[Group]:
        """Take the next bytes; return the frames that they complete."""
        carried = len(self._tail)
        data = self._tail + data
        stop = data.rfind(b"\0") + 1
        groups = self._frames(data[:stop], carried) if stop else []
        tail = data[stop:]
        if len(tail) > LONGEST:
            self._overlong, tail = True, b""
        self._tail = tail
        return groups

    def _frames(self, data: bytes, carried: int) -> list[Group]:
        array = np.frombuffer(data, np.uint8)
        ends = np.flatnonzero(array == 0)
        starts = np.concatenate([[0], ends[:-1] + 1])
        sizes = ends - starts
        good = np.zeros(len(ends), np.bool_)
        groups = []
        for size in _lengths(sizes):
            index = np.flatnonzero(sizes == size)
            if len(index) >= _FEWEST and size <= _BULK_LONGEST:
                intact, payload = unframe_all(array, starts[index], size)
                decoded = [(index[intact], payload)]
            else:
                decoded = _one_by_one(data, index, starts, ends)
            for index_of, payload in decoded:
                good[index_of] = True
                groups += _by_kind(Group(index_of, ends[index_of] + 1 - carried, payload))
        if self._overlong:  # the first piece is the end of the overlong data
            self._overlong = good[0] = False
            sizes[0] = LONGEST + 1
            groups = [cut for group in groups if (cut := _without_first(group)) is not None]
        bad = ~good & (sizes > 0)
        if self._first and bad[0]:
            self.partial += 1
            bad[0] = False
        self._first = False
        self.corrupt += int(np.count_nonzero(bad))
        return groups


def unframe_all(array: Bytes, starts: Ints, size: int) -> tuple[NDArray[np.bool_], Bytes]:
    """Decode the frames of `size` bytes (at most 254) at `starts`.

    Return a mask of the intact frames (n,) and their payloads (k, length).
    """
    stuffed = sliding_window_view(array, size)[starts]
    flat = stuffed.reshape(-1)
    # Each code is replaced by the zero that it marks; all frames advance code by code in parallel.
    ends = np.arange(1, len(starts) + 1) * size
    places = ends - size
    even = np.zeros(len(starts), np.bool_)
    row = np.arange(len(starts))
    while len(row):
        code = flat[places]
        flat[places] = 0
        places = places + code
        going = places < ends
        if not going.all():
            even[row[places == ends]] = True
            places, ends, row = places[going], ends[going], row[going]
    data = stuffed[:, 1:].tobytes()
    width = size - 1
    crcs = [crc_hqx(data[i : i + width], 0xFFFF) for i in range(0, len(data), width)]
    intact = even & (np.array(crcs) == 0)
    payload = np.frombuffer(data, np.uint8).reshape(-1, width)[:, :-2]
    return intact, payload if intact.all() else payload[intact]


def _lengths(sizes: Ints) -> list[int]:
    """Return the distinct sizes that a frame can have."""
    possible = sizes[(sizes >= SHORTEST) & (sizes <= LONGEST)]
    return [int(size) for size in np.flatnonzero(np.bincount(possible, minlength=1))]


def _one_by_one(data: bytes, index: Ints, starts: Ints, ends: Ints) -> list[tuple[Ints, Bytes]]:
    by_length: dict[int, tuple[list[int], list[bytes]]] = {}
    for i in index.tolist():
        payload = unframe(data[starts[i] : ends[i]])
        if payload is not None:
            places, payloads = by_length.setdefault(len(payload), ([], []))
            places.append(i)
            payloads.append(payload)
    return [
        (np.array(places), np.frombuffer(b"".join(payloads), np.uint8).reshape(len(places), -1))
        for places, payloads in by_length.values()
    ]


def _by_kind(group: Group) -> list[Group]:
    kinds = group.payload[:, 0]
    if not len(kinds):
        return []
    if (kinds == kinds[0]).all():
        return [group]
    return [group.cut(kinds == kind) for kind in np.unique(kinds)]


def _without_first(group: Group) -> Group | None:
    if group.place[0]:
        return group
    return group.cut(slice(1, None)) if len(group.place) > 1 else None
