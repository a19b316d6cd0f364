"""Pairs from the buffer of a converter: complete scans with the kernel's timestamps.

From memory of the ABI document: `buffer0` (older kernels: `scan_elements` and `buffer`) holds
`_en`, `_index` and `_type` of each element, `length`, `watermark` and `enable`; the character
device delivers complete scans while the buffer is enabled; `current_timestamp_clock` accepts the
name of a clock.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.contract import LinkError, SampleBlock
from drivers.iio.device import (
    VoltageChannel,
    read_number,
    read_text,
    sampling_rate,
    why_not,
    write_text,
)
from drivers.iio.scan import Element, Scan, parse_type
from drivers.timeline import WRAP_US, BridgeClock, Monotone, Times, host_ns

CLOCK = "boottime"  # the kernel's name of the clock of host_ns
LENGTH_S = 2.0  # capacity of the buffer in seconds
SHORTEST = 128  # scans
WATERMARK_S = 0.01
MOST_BYTES = 1 << 20  # most bytes taken in one read


class Buffered:
    """The buffer of the device in `folder`, from start to stop.

    `wanted_hz` is the wanted rate of the scans, None for the present setting of the converter.
    Raises LinkError if there is no buffer or it cannot be started.
    """

    def __init__(
        self,
        folder: Path,
        node: Path,
        channels: tuple[VoltageChannel, VoltageChannel],
        wanted_hz: float | None,
        monotone: Monotone,
    ) -> None:
        new = folder / "buffer0"
        self._buffer = new if new.is_dir() else folder / "buffer"
        self._elements = new if new.is_dir() else folder / "scan_elements"
        self._channels = channels
        self._monotone = monotone
        self._bridge_clock = BridgeClock()
        self._rest = b""
        self._gap = False
        self._last_arrival_ns = host_ns()
        for channel in channels:
            if not (self._elements / f"in_{channel.name}_type").exists():
                raise LinkError(f"{folder} cannot stream: {self._elements} has no {channel.name}")
        try:
            self._file = os.open(node, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:  # busy if another program uses it
            raise LinkError(why_not(node, error, writing=False)) from error
        try:
            self._start(folder, wanted_hz)
        except BaseException:
            self.close()
            raise

    def _start(self, folder: Path, wanted_hz: float | None) -> None:
        trigger = folder / "trigger" / "current_trigger"
        if trigger.exists() and not read_text(trigger):
            raise LinkError(
                f"{folder} cannot stream without a trigger: write the name of one (`cat"
                f" /sys/bus/iio/devices/trigger*/name`) into {trigger}"
            )
        write_text(self._buffer / "enable", "0")  # it may still run after a kill
        self._rate_hz = sampling_rate(folder, self._channels, wanted_hz)
        elements = self._choose()
        self._scan = Scan(elements)
        self._full_scale_v = min(
            max(channel.volts(end) for end in _ends(elements[channel.name][1]))
            for channel in self._channels
        )
        self._timed = "timestamp" in elements
        clock = folder / "current_timestamp_clock"
        with contextlib.suppress(LinkError):  # the arrivals then show which clock it is
            write_text(clock, CLOCK)
        self._host_clock = clock.exists() and read_text(clock) == CLOCK
        length = max(SHORTEST, round(LENGTH_S * (self._rate_hz or 0)))
        for name, value in (
            ("length", length),
            ("watermark", max(1, round(WATERMARK_S * (self._rate_hz or 0)))),
        ):
            with contextlib.suppress(LinkError):  # some hardware has a fixed one
                write_text(self._buffer / name, str(value))
        self._length = int(read_number(self._buffer / "length"))
        write_text(self._buffer / "enable", "1")

    def _choose(self) -> dict[str, tuple[int, Element]]:
        """Enable exactly the wanted elements; return the elements of a scan."""
        wanted = {"timestamp", *(channel.name for channel in self._channels)}
        elements = {}
        for kind in sorted(self._elements.glob("in_*_type")):
            name = kind.name.removeprefix("in_").removesuffix("_type")
            enabled = self._elements / f"in_{name}_en"
            write_text(enabled, str(int(name in wanted)))
            if read_text(enabled) != "1":
                continue
            try:
                element = parse_type(read_text(kind))
            except ValueError as error:
                raise LinkError(f"{kind}: {error}") from error
            elements[name] = int(read_number(self._elements / f"in_{name}_index")), element
        for channel in self._channels:
            if channel.name not in elements:
                raise LinkError(f"{self._elements}/in_{channel.name}_en stays 0 although set to 1")
        return elements

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs; see the contract. Raise OSError when the converter is gone."""
        poll = select.poll()
        poll.register(self._file, select.POLLIN)
        if not poll.poll(max(0, round(1000 * timeout_s))):
            return None
        if linger_s > 0:
            time.sleep(linger_s)
        data = self._rest + self._read_waiting()
        size = len(data) // self._scan.size * self._scan.size
        self._rest = data[size:]
        scans = size // self._scan.size
        if not scans:
            return None
        arrival_ns = self._arrivals(scans)
        clock_step = False
        if self._timed:
            times = self._scan.counts(data, "timestamp")
            off_ns = abs(int(times[-1]) - int(arrival_ns[-1]))
            self._host_clock = self._host_clock and off_ns < LENGTH_S * 1e9  # some have their own
            if not self._host_clock:
                jumps = self._bridge_clock.jumps
                times = self._bridge_clock.map(times // 1000 % WRAP_US, arrival_ns)
                clock_step = self._bridge_clock.jumps > jumps
        else:
            times = arrival_ns
        forward, reflected = self._channels
        # A full buffer accepts nothing more, so the missing scans follow those that it holds.
        gap, self._gap = self._gap, scans >= self._length
        return SampleBlock(
            self._monotone.update(times),
            self._volts(data, forward),
            self._volts(data, reflected),
            step_v=(forward.step_v, reflected.step_v),
            full_scale_v=self._full_scale_v,
            clock_step=clock_step,
            gap=gap,
        )

    def _volts(self, data: bytes, channel: VoltageChannel) -> NDArray[np.float64]:
        counts = self._scan.counts(data, channel.name).astype(np.float64)
        return (counts + channel.offset) * channel.scale_v

    def _read_waiting(self) -> bytes:
        """Return the waiting data."""
        piece_bytes = max(1, 65536 // self._scan.size) * self._scan.size
        pieces: list[bytes] = []
        size = 0
        while size < MOST_BYTES:
            try:
                piece = os.read(self._file, piece_bytes)
                if not piece:
                    raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
            except BlockingIOError:
                break
            except OSError:
                if not pieces:  # otherwise it fails again at the next call, and nothing is lost
                    raise
                break
            pieces.append(piece)
            size += len(piece)
        return b"".join(pieces)

    def _arrivals(self, scans: int) -> Times:
        """Return the arrival times of these scans, evenly spaced up to the last, which is now."""
        now_ns = host_ns()
        since_ns = (now_ns - self._last_arrival_ns) / scans
        self._last_arrival_ns = now_ns
        period_ns = min(since_ns, 1e9 / self._rate_hz) if self._rate_hz else since_ns
        return np.asarray(now_ns - np.rint(np.arange(scans)[::-1] * period_ns).astype(np.int64))

    def close(self) -> None:
        """Stop the buffer and release the device."""
        with contextlib.suppress(LinkError):  # gone, or never started
            write_text(self._buffer / "enable", "0")
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _ends(element: Element) -> tuple[int, int]:
    """Return the lowest and the highest count."""
    return (-element.highest - 1 if element.signed else 0), element.highest
