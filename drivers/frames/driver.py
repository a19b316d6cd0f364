"""Driver `frames`: the reference bridge, or any other that follows PROTOCOL.md."""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable
from typing import Annotated

import msgspec

from drivers.arrivals import Arrivals
from drivers.contract import LinkError, SampleBlock
from drivers.frames import messages
from drivers.frames.messages import Identity, Type
from drivers.frames.stream import FrameStream
from drivers.recording import Chunk
from drivers.serial_link import SerialLink
from drivers.timeline import host_ns

FLOOD_LINGER_S = 0.015  # a full-speed USB port delivers 18 kB in this time, the kernel buffers 64
REQUEST_S = 1.0  # shortest interval between identity requests
UNREADABLE_S = 3.0  # data arrives, but none of it has been readable for this long


class FramesOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind. The bridge chooses whichever of the last three is None."""

    port: Annotated[
        str, msgspec.Meta(description="Serial port, or a pyserial URL such as socket://host:port.")
    ]
    baud: Annotated[int, msgspec.Meta(gt=0, description="Speed of the serial port.")] = 115200
    reset_on_open: Annotated[
        bool,
        msgspec.Meta(
            description="false: opening the port does not reboot the board, except the first time."
        ),
    ] = True
    period_us: Annotated[
        Annotated[int, msgspec.Meta(gt=0, lt=2**32)] | None,
        msgspec.Meta(description="Time between pairs; the bridge chooses it if omitted."),
    ] = None
    block: Annotated[
        Annotated[int, msgspec.Meta(gt=0, le=80)] | None,
        msgspec.Meta(description="Pairs per frame; the bridge chooses it if omitted."),
    ] = None
    oversampling: Annotated[
        Annotated[int, msgspec.Meta(gt=0, le=255)] | None,
        msgspec.Meta(description="Conversions per reading; the bridge chooses it if omitted."),
    ] = None


class BridgeStream(FrameStream):
    """Frame stream made from options, for `replay`."""

    def __init__(self, options: FramesOptions) -> None:
        super().__init__(options.baud)


class FramesDriver:
    """Reads the bridge at a serial port or a pyserial URL, and sends it commands."""

    Options = FramesOptions
    Stream = BridgeStream
    clock = "host"
    finite = False

    def __init__(
        self,
        options: FramesOptions,
        *,
        now_ns: Callable[[], int] = host_ns,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._monotonic = monotonic
        self._link = SerialLink(options.port, options.baud, reset_on_open=options.reset_on_open)
        self._stream = BridgeStream(options)
        self._arrivals = Arrivals(
            self._link,
            self._handle_reopening,
            now_ns=now_ns,
            monotonic=monotonic,
            sleep=sleep,
            flood_linger_s=FLOOD_LINGER_S,
        )
        self._notices: list[str] = []
        self._ready: deque[SampleBlock] = deque()
        self._wanted = (options.period_us, options.block, options.oversampling)
        self._requested_s = -REQUEST_S
        self._configured: Identity | None = None  # the last to which settings were sent
        self._blocks = 0  # number of blocks at the last successful read, and the time of that read
        self._read_s: float | None = None
        self._unreadable = False

    @property
    def counters(self) -> dict[str, int]:
        """Counters of data read, of data dropped by reason, and of the link."""
        return {**self._stream.counters, **self._link.counters}

    @property
    def away(self) -> str | None:
        """Reason why the port is absent; None while it is present."""
        return self._link.away

    @property
    def identity(self) -> Identity | None:
        """Latest identity message of the bridge."""
        return self._stream.identity

    def open(self) -> None:
        """Open the port and request the identity of the bridge. Raise LinkError."""
        self._link.open()
        self._begin()

    def open_or_wait(self) -> None:
        """Open the port, or continue as if it had been lost. Raise LinkError."""
        self._link.open(wait=True)
        self._begin()

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs; see the contract."""
        if not self._ready:
            chunks = self.read_raw(timeout_s, linger_s)
            if chunks:
                dropped, newest = self._arrivals.newest(chunks)
                if dropped:
                    self._stream.skip()
                self._ready += self._stream.feed_parts(newest)
                self._check_stream()
        return self._ready.popleft() if self._ready else None

    def read_raw(self, timeout_s: float, linger_s: float) -> list[Chunk]:
        """Return bytes as they arrive, for up to `linger_s` after the first."""
        return self._arrivals.read(timeout_s, linger_s)

    def send(self, data: bytes) -> None:
        """Send a command in words (see `messages.COMMANDS`); see `Sends` in the contract."""
        try:
            frames = messages.command(data.decode("utf-8", "replace"))
        except ValueError as error:
            raise LinkError(str(error)) from None
        self._link.write(frames)

    def notices(self) -> list[str]:
        """Return the changes of state of the link and the bridge, in words."""
        notices = [*self._link.notices(), *self._stream.notices, *self._notices]
        self._stream.notices.clear()
        self._notices.clear()
        return notices

    def close(self) -> None:
        """Release the port."""
        self._link.close()

    def _begin(self) -> None:
        self._arrivals.begin()
        self._ready.clear()
        self._read_s = None
        self._configured = None
        if self._link.away is None:
            self._request_identity()

    def _request_identity(self) -> None:
        self._requested_s = self._monotonic()
        try:
            self.send(b"identify")
        except LinkError:
            return  # the bridge sends its identity unprompted every second

    def _send_settings(self, identity: Identity) -> None:
        """Send the wanted settings whenever the bridge reports different ones."""
        settings = identity.settings
        present = (settings.period_us, settings.block, settings.oversampling)
        wanted = tuple(w or p for w, p in zip(self._wanted, present, strict=True))
        if wanted != present and Type.SET not in self._stream.refused:
            with contextlib.suppress(LinkError):
                self.send("set {} {} {}".format(*wanted).encode())

    def _check_stream(self) -> None:
        """Request the identity if needed; report once when nothing can be read."""
        now_s = self._monotonic()
        identity = self._stream.identity
        if identity is not None and identity is not self._configured:
            self._configured = identity
            self._send_settings(identity)
        if self._stream.asking and now_s - self._requested_s >= REQUEST_S:
            self._request_identity()
        blocks = self._stream.counters["blocks"]
        if self._read_s is None or blocks > self._blocks:
            self._blocks, self._read_s = blocks, now_s
            if self._unreadable and blocks:
                self._unreadable = False
                self._notices.append("frames readable again")
        elif not self._unreadable and now_s - self._read_s >= UNREADABLE_S:
            self._unreadable = True
            if self._stream.version is None:
                self._notices.append(
                    "bytes arrive, but no readable block of pairs: check `baud`, and"
                    " whether the bridge runs the firmware for this driver"
                )

    def _handle_reopening(self) -> None:
        """Handle a reconnect: the next data may begin in the middle of a frame."""
        self._stream.reset()
        self._configured = None
        self._request_identity()
