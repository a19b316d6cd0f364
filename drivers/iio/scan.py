"""Layout of a buffer: elements, their positions in a scan, and counts. Pure functions.

The rules are those of the kernel's ABI document for industrial I/O (sysfs-bus-iio) and of the
kernel's layout of a scan, both from memory: `[be|le]:[s|u]bits/storagebits[Xrepeat][>>shift]`;
elements in the order of their indexes, each aligned to its own size, the scan to its largest.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TYPE = re.compile(r"(be|le):([su])(\d+)/(\d+)(?:X(\d+))?(?:>>(\d+))?")
STORAGE_BITS = (8, 16, 32, 64)


@dataclass(frozen=True, slots=True)
class Element:
    """Format of one value in a scan."""

    little: bool
    signed: bool
    bits: int
    storage_bits: int
    repeat: int = 1
    shift: int = 0

    @property
    def size(self) -> int:
        """Size in a scan, bytes."""
        return self.storage_bits // 8 * self.repeat

    @property
    def highest(self) -> int:
        """Highest possible count."""
        return int((1 << (self.bits - self.signed)) - 1)


def parse_type(text: str) -> Element:
    """Parse the content of a `_type` file, such as `le:s12/16>>4`. Raise ValueError."""
    match = TYPE.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text.strip()!r} is not a scan element type")
    order, sign, bits, storage, repeat, shift = match.groups()
    element = Element(
        order == "le", sign == "s", int(bits), int(storage), int(repeat or 1), int(shift or 0)
    )
    fits = element.bits > 0 and element.bits + element.shift <= element.storage_bits
    if element.storage_bits not in STORAGE_BITS or not fits or element.repeat < 1:
        raise ValueError(f"{text.strip()!r} is an impossible scan element type")
    return element


class Scan:
    """Positions of the elements in a scan, by name; `size` is the size of a scan in bytes."""

    def __init__(self, elements: Mapping[str, tuple[int, Element]]) -> None:
        self._places: dict[str, tuple[int, Element]] = {}
        end, largest = 0, 1
        for name, (_, element) in sorted(elements.items(), key=lambda item: item[1][0]):
            start = _aligned(end, element.size)
            self._places[name] = start, element
            end, largest = start + element.size, max(largest, element.size)
        self.size = _aligned(end, largest)

    def counts(self, data: bytes, name: str) -> NDArray[np.int64]:
        """Return the counts (n,) of an element in the scans of `data`; the first if repeated."""
        start, element = self._places[name]
        width = element.storage_bits // 8
        scans = np.frombuffer(data, np.uint8, len(data) // self.size * self.size)
        column = np.ascontiguousarray(scans.reshape(-1, self.size)[:, start : start + width])
        stored = column.view(f"{'<' if element.little else '>'}u{width}")[:, 0].astype(np.uint64)
        # Shift to the left end of the word and back: the bits above are dropped, the sign is
        # extended.
        left_shift = np.uint64(64 - element.bits - element.shift)
        right_shift = 64 - element.bits
        high = stored << left_shift
        if element.signed:
            return np.asarray(high.view(np.int64) >> np.int64(right_shift))
        return np.asarray((high >> np.uint64(right_shift)).astype(np.int64))


def _aligned(place: int, size: int) -> int:
    return -(-place // size) * size
