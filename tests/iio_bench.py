"""A converter as the kernel would show it: a tree of files, and a pipe for its character device.

Laid out after the kernel's ABI document sysfs-bus-iio, from memory. The pipe gives whole scans
while the buffer is enabled, packed here by `struct` from the type strings' meaning.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import struct
import time
from pathlib import Path
from typing import Any

from drivers.contract_suite import Bench
from drivers.timeline import host_ns

SCALE_MV = {"voltage0": 1.0, "voltage1": 0.25}
OFFSET = {"voltage0": -8, "voltage1": 0}


def count(channel: str, volts: float) -> int:
    """What the converter reads at these volts."""
    return round(1000 * volts / SCALE_MV[channel]) - OFFSET[channel]


class Converter:
    """The tree below `root/sys`, the pipe below `root/dev`; comes back under another number."""

    def __init__(self, root: Path, *, buffer: bool, clock: str | None = "realtime") -> None:
        self.sysfs, self.dev = root / "sys", root / "dev"
        self.sysfs.mkdir()
        self.dev.mkdir()
        self.folder = self.sysfs
        self._buffer, self._clock, self._number = buffer, clock, -1
        self._raw: dict[str, int] = {}
        self._pipe = -1

    def write(self, name: str, text: object) -> None:
        file = self.folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{text}\n")

    def plug(self) -> None:
        self._number += 1
        self.folder = self.sysfs / f"iio:device{self._number}"
        self.write("name", "harbour-adc")
        self.write("in_voltage0_scale", SCALE_MV["voltage0"])
        self.write("in_voltage_scale", SCALE_MV["voltage1"])
        self.write("in_voltage0_offset", OFFSET["voltage0"])
        for channel in SCALE_MV:
            self.write(f"in_{channel}_raw", f"{0:05d}")
            self._raw[channel] = os.open(self.folder / f"in_{channel}_raw", os.O_WRONLY)
        if self._buffer:
            self.write("sampling_frequency", 100)
            if self._clock is not None:
                self.write("current_timestamp_clock", self._clock)
            for index, (name, kind, enabled) in enumerate(
                [
                    ("voltage1", "be:u14/16>>0", 0),
                    ("voltage2", "le:u16/16>>0", 1),  # left enabled by somebody
                    ("voltage0", "le:s13/16>>3", 0),
                    ("timestamp", "le:s64/64>>0", 0),
                ]
            ):
                self.write(f"buffer0/in_{name}_type", kind)
                self.write(f"buffer0/in_{name}_index", index)
                self.write(f"buffer0/in_{name}_en", enabled)
            for name, value in (("length", 2), ("watermark", 1), ("enable", 0)):
                self.write(f"buffer0/{name}", value)
            node = self.dev / self.folder.name
            os.mkfifo(node)
            self._pipe = os.open(node, os.O_RDWR | os.O_NONBLOCK)

    def unplug(self) -> None:
        shutil.rmtree(self.folder)
        for file in self._raw.values():
            os.ftruncate(file, 0)  # the nearest there is to ENODEV
            os.close(file)
        self._raw.clear()
        if self._pipe >= 0:
            (self.dev / self.folder.name).unlink()
            os.close(self._pipe)
            self._pipe = -1

    def set(self, forward_v: float, reflected_v: float) -> None:
        """What the files read from now on."""
        for channel, volts in zip(("voltage0", "voltage1"), (forward_v, reflected_v), strict=True):
            os.pwrite(self._raw[channel], f"{count(channel, volts):05d}".encode(), 0)

    def scan(self, forward_v: float, reflected_v: float) -> None:
        """One scan into the buffer, if that is enabled."""
        text = {name: self.read(f"buffer0/{name}") for name in ("enable", "in_voltage2_en")}
        if text["enable"] != "1":
            return
        assert text["in_voltage2_en"] == "0"
        clock_ns = (
            host_ns()
            if self._clock and self.read("current_timestamp_clock") == "boottime"
            else time.time_ns()
        )
        data = struct.pack(">H", count("voltage1", reflected_v))
        data += struct.pack("<h", count("voltage0", forward_v) << 3 | 0b101)  # and noise below
        data += bytes(4) + struct.pack("<q", clock_ns)
        self.give(data)

    def give(self, data: bytes) -> None:
        """Bytes into the pipe."""
        with contextlib.suppress(BlockingIOError):  # the buffer is full
            os.write(self._pipe, data)

    def read(self, name: str) -> str:
        return (self.folder / name).read_text().strip()


class PolledBench(Bench):
    """A converter without a buffer."""

    kind = "iio"
    reconnects = True
    speaks = False
    buffer = False

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.converter = Converter(folder, buffer=self.buffer)
        self.converter.plug()
        self.converter.set(*self.pairs[0])
        self.lost = False

    def options(self) -> dict[str, Any]:
        return {
            "device": "harbour-adc",
            "forward": "voltage0",
            "reflected": "voltage1",
            "sysfs": str(self.converter.sysfs),
            "dev": str(self.converter.dev),
        }

    def absent(self) -> dict[str, Any]:
        return {**self.options(), "device": "no-such-converter"}

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        self.converter.set(forward_v, reflected_v)

    def lose(self) -> None:
        self.converter.unplug()
        self.lost = True

    def restore(self) -> None:
        self.converter.plug()
        self.converter.set(*self.pairs[0])
        self.lost = False

    def close(self) -> None:
        if not self.lost:
            self.converter.unplug()


class BufferedBench(PolledBench):
    """A converter with a buffer, to which others have been before."""

    speaks = True
    buffer = True

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        self.converter.scan(forward_v, reflected_v)
