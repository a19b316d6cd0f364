"""The driver: opens a converter, by its buffer or by its files, and reopens it after a loss."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from drivers.contract import LinkError, SampleBlock
from drivers.iio.buffered import Buffered
from drivers.iio.device import find_channel, find_device, sampling_rate
from drivers.iio.polled import Polled
from drivers.timeline import Monotone

FIRST_RETRY_S = 0.25
LAST_RETRY_S = 1.5
POLL_HZ = 100.0


class IioOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind."""

    device: Annotated[
        str,
        msgspec.Meta(
            description="Name or label of the converter, iio:device0, or the path of its folder."
        ),
    ]
    forward: Annotated[
        str,
        msgspec.Meta(
            description="Channel of the forward detector, such as voltage0 or voltage0-voltage1."
        ),
    ]
    reflected: Annotated[str, msgspec.Meta(description="Channel of the reflected detector.")]
    read: Annotated[
        Literal["auto", "buffer", "poll"],
        msgspec.Meta(
            description="Kernel's buffer, polled files, or the buffer if it can be started."
        ),
    ] = "auto"
    rate_hz: Annotated[
        Annotated[float, msgspec.Meta(gt=0, le=1e6)] | None,
        msgspec.Meta(
            description="Pairs per second; default: the converter's setting, 100 if polled."
        ),
    ] = None
    sysfs: Annotated[
        Path, msgspec.Meta(description="Folder in which the kernel lists converters.")
    ] = Path("/sys/bus/iio/devices")
    dev: Annotated[Path, msgspec.Meta(description="Folder of the buffers.")] = Path("/dev")

    def __post_init__(self) -> None:
        if self.forward.removeprefix("in_") == self.reflected.removeprefix("in_"):
            raise ValueError("`forward` and `reflected` must be two channels")


class IioDriver:
    """See `drivers.contract.Driver`."""

    Options = IioOptions
    clock = "host"
    finite = False

    def __init__(
        self, options: IioOptions, *, pread: Callable[[int, int, int], bytes] = os.pread
    ) -> None:
        self.away: str | None = None
        self._options = options
        self._pread = pread
        self._monotone = Monotone()
        self._source: Polled | Buffered | None = None
        self._open = False
        self._failing: str | None = None
        self._counters = {"link_lost": 0, "failed_readings": 0}
        self._notices: list[str] = []
        self._lost_s = self._retry_s = self._pause_s = 0.0

    @property
    def counters(self) -> dict[str, int]:
        """Number of losses of the converter, and of pairs skipped because a reading failed."""
        failed = self._source.failed if isinstance(self._source, Polled) else 0
        counters = dict(self._counters)
        counters["failed_readings"] += failed
        return counters

    def open(self) -> None:
        """Open the converter. Raise LinkError."""
        self.close()
        self._source = self._start()
        self.away = None
        self._open = True

    def open_or_wait(self) -> None:
        """Open the converter, or continue as if it had been lost."""
        try:
            self.open()
        except LinkError as error:
            self._open = True
            self._lose(f"{error}; waiting for it")

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs; see the contract."""
        if not self._open:
            raise LinkError(f"converter {self._options.device} is not open")
        if self._source is None:
            self._reopen(timeout_s)
            return None
        try:
            block = self._source.read(timeout_s, linger_s)
        except OSError as error:
            self._lose(f"converter {self._options.device} lost: {error.strerror}; waiting for it")
            return None
        self._report_failing()
        return block

    def notices(self) -> list[str]:
        """Return the changes of state: lost, reconnected, readings that fail."""
        notices, self._notices = self._notices, []
        return notices

    def close(self) -> None:
        """Release the converter."""
        self._release()
        self._open = False

    def _start(self) -> Polled | Buffered:
        options = self._options
        folder = find_device(options.device, options.sysfs)
        channels = find_channel(folder, options.forward), find_channel(folder, options.reflected)
        node = options.dev / folder.resolve().name
        streams = all((folder / name).exists() for name in ("buffer", "scan_elements"))
        streams = streams or (folder / "buffer0").exists()
        if options.read == "buffer" or (options.read == "auto" and streams):
            try:
                return Buffered(folder, node, channels, options.rate_hz, self._monotone)
            except LinkError as error:
                if options.read == "buffer":
                    raise
                self._notices.append(f"{error}; polling its files instead")
        rate_hz = sampling_rate(folder, channels, options.rate_hz)
        poll_hz = options.rate_hz or min(POLL_HZ, rate_hz or POLL_HZ)
        return Polled(folder, channels, poll_hz, self._monotone, self._pread)

    def _lose(self, why: str) -> None:
        self._release()
        self._counters["link_lost"] += 1
        self.away = why
        self._failing = None
        self._notices.append(why)
        self._lost_s = time.monotonic()
        self._pause_s = FIRST_RETRY_S
        self._retry_s = self._lost_s + self._pause_s

    def _release(self) -> None:
        counters = self.counters
        if self._source is not None:
            self._source.close()
        self._source = None
        self._counters = counters

    def _reopen(self, timeout_s: float) -> None:
        """Wait for the next attempt, at most `timeout_s`, and make it."""
        wait_s = self._retry_s - time.monotonic()
        if wait_s > timeout_s:
            time.sleep(timeout_s)
            return
        time.sleep(max(0.0, wait_s))
        notices = list(self._notices)
        try:
            self._source = self._start()
        except LinkError as error:
            self._notices = notices
            self.away = str(error)
            self._pause_s = min(2 * self._pause_s, LAST_RETRY_S)
            self._retry_s = time.monotonic() + self._pause_s
            return
        self.away = None
        gone_s = time.monotonic() - self._lost_s
        self._notices.append(f"converter {self._options.device} reconnected after {gone_s:.1f} s")

    def _report_failing(self) -> None:
        failing = self._source.failing if isinstance(self._source, Polled) else None
        if failing is not None and self._failing is None:
            self._notices.append(failing)
        elif failing is None and self._failing is not None:
            self._notices.append(f"converter {self._options.device} is readable again")
        self._failing = failing
