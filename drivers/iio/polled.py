"""Pairs from repeated reading of the files of a converter's channels."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from drivers.contract import LinkError, SampleBlock
from drivers.iio.device import VoltageChannel, why_not
from drivers.timeline import Monotone, host_ns

GONE = (errno.ENODEV, errno.ENOENT, errno.ENXIO, errno.EBADF, errno.ESHUTDOWN)
MOST = 10_000  # most pairs in a block


class Polled:
    """Reads the forward and then the reflected channel, `rate_hz` times a second at most.

    The time of a pair is the middle of the two readings. A pair is skipped if a reading fails;
    `failing` states why, None while readings succeed.
    """

    def __init__(
        self,
        folder: Path,
        channels: tuple[VoltageChannel, VoltageChannel],
        rate_hz: float,
        monotone: Monotone,
        pread: Callable[[int, int, int], bytes],
    ) -> None:
        self.failing: str | None = None
        self.failed = 0  # pairs skipped
        self._folder = folder
        self._channels = channels
        self._period_s = 1 / rate_hz
        self._monotone = monotone
        self._pread = pread
        self._due_s = time.monotonic()
        self._gap = False
        self._files: list[int] = []
        for channel in channels:
            try:
                self._files.append(os.open(channel.file, os.O_RDONLY | os.O_CLOEXEC))
            except OSError as error:
                self.close()
                raise LinkError(why_not(channel.file, error, writing=False)) from error

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs; see the contract. Raise OSError when the converter is gone."""
        until_s = time.monotonic() + timeout_s
        gap = False
        times: list[int] = []
        volts: list[tuple[float, float]] = []
        while len(times) < MOST:
            now_s = time.monotonic()
            if self._due_s > now_s:
                if self._due_s >= until_s:
                    if not times and until_s > now_s:
                        time.sleep(until_s - now_s)
                    break
                time.sleep(self._due_s - now_s)
            elif times and now_s >= until_s:
                break
            # A late reading is not followed by two in quick succession.
            self._due_s = max(self._due_s + self._period_s, time.monotonic())
            begun_ns = host_ns()
            pair = self._pair()
            if pair is None:
                if times or time.monotonic() >= until_s:
                    break
                continue
            if not times:
                until_s = time.monotonic() + linger_s
                gap, self._gap = self._gap, False
            times.append((begun_ns + host_ns()) // 2)
            volts.append(pair)
        if not times:
            return None
        forward, reflected = self._channels
        columns = np.array(volts, dtype=np.float64).T
        return SampleBlock(
            self._monotone.update(np.array(times, dtype=np.int64)),
            np.ascontiguousarray(columns[0]),
            np.ascontiguousarray(columns[1]),
            step_v=(forward.step_v, reflected.step_v),
            gap=gap,
        )

    def _pair(self) -> tuple[float, float] | None:
        try:
            forward, reflected = (
                channel.volts(float(self._pread(file, 64, 0)))
                for channel, file in zip(self._channels, self._files, strict=True)
            )
            if not np.isfinite(forward + reflected):
                raise ValueError("a reading is not finite")
        except (OSError, ValueError) as error:
            if getattr(error, "errno", None) in GONE or not self._folder.exists():
                raise OSError(errno.ENODEV, os.strerror(errno.ENODEV)) from error
            self.failed += 1
            self._gap = True
            reason = error.strerror if isinstance(error, OSError) else " ".join(str(error).split())
            self.failing = f"readings of {self._folder} fail: {reason}"
            return None
        self.failing = None
        return forward, reflected

    def close(self) -> None:
        """Release the files."""
        while self._files:
            os.close(self._files.pop())
