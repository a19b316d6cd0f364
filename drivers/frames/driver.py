"""Driver `frames`: the reference bridge, or any that speaks PROTOCOL.md."""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable
from typing import Annotated

import msgspec

from drivers.contract import LinkError, SampleBlock
from drivers.frames import messages
from drivers.frames.messages import Identity, Type
from drivers.frames.stream import FrameStream
from drivers.recording import Chunk
from drivers.serial_link import SerialLink
from drivers.timeline import host_ns

SLEEP_FROM_S = 0.01
FLOOD_BYTES = 2048  # so much at once is not left to pile up for long:
FLOOD_LINGER_S = 0.015  # a full-speed USB port gives 18 kB meanwhile, and the kernel holds 64
MOST_BYTES = 1 << 20  # taken at once
DRAIN_S = 0.05
BEHIND_S = 2.0  # more is waiting all this time: what comes is more than can be worked on,
KEPT_BYTES = 1 << 16  # and of what is taken only the newest is kept
ASK_S = 1.0  # the identity is asked for no more often
UNREADABLE_S = 3.0  # bytes come, and for so long nothing that can be read


class FramesOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind. What of the last three is None the bridge chooses."""

    port: str
    baud: Annotated[int, msgspec.Meta(gt=0)] = 115200
    reset_on_open: bool = True
    period_us: Annotated[int, msgspec.Meta(gt=0, lt=2**32)] | None = None
    block: Annotated[int, msgspec.Meta(gt=0, le=80)] | None = None
    oversampling: Annotated[int, msgspec.Meta(gt=0, le=255)] | None = None


class BridgeStream(FrameStream):
    """A stream made from options, for `replay`."""

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
        self._now_ns = now_ns
        self._monotonic = monotonic
        self._sleep = sleep
        self._link = SerialLink(options.port, options.baud, reset_on_open=options.reset_on_open)
        self._stream = BridgeStream(options)
        self._generation = 0
        self._notices: list[str] = []
        self._ready: deque[SampleBlock] = deque()
        self._wanted = (options.period_us, options.block, options.oversampling)
        self._asked_s = -ASK_S
        self._seen: Identity | None = None
        self._blocks = 0  # those read when something could last be read, and when that was
        self._read_s: float | None = None
        self._unreadable = False
        self._waiting = False  # more was waiting than was taken
        self._behind_s: float | None = None  # since when

    @property
    def counters(self) -> dict[str, int]:
        """What was read and what was dropped, by reason; what became of the link."""
        return {**self._stream.counters, **self._link.counters}

    @property
    def away(self) -> str | None:
        """Why the port is not there, None while it is."""
        return self._link.away

    @property
    def identity(self) -> Identity | None:
        """What the bridge last said of itself."""
        return self._stream.identity

    def open(self) -> None:
        """Open the port and ask the bridge who it is. Raises LinkError."""
        self._link.open()
        self._opened()

    def open_or_wait(self) -> None:
        """Open the port, or go on as if it had been lost. Raises LinkError."""
        self._link.open(wait=True)
        self._opened()

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """The next pairs; see the contract."""
        if not self._ready:
            chunks = self.read_raw(timeout_s, linger_s)
            if chunks:
                self._ready += self._stream.feed_parts(self._newest(chunks))
                self._judge()
        return self._ready.popleft() if self._ready else None

    def read_raw(self, timeout_s: float, linger_s: float) -> list[Chunk]:
        """Bytes as they arrive, for up to `linger_s` after the first."""
        self._waiting = False
        first = self._read_chunk(timeout_s)
        if first is None:
            return []
        chunks = [first]
        if len(first.data) >= FLOOD_BYTES:
            self._sleep(min(linger_s, FLOOD_LINGER_S))
            self._waiting = self._drain(chunks)
        elif linger_s >= SLEEP_FROM_S:
            self._sleep(linger_s)
            later = self._read_chunk(0.0)
            if later is not None:
                chunks.append(later)
        else:
            until_s = self._monotonic() + linger_s
            while (wait_s := until_s - self._monotonic()) > 0:
                chunk = self._read_chunk(wait_s)
                if chunk is None:
                    break
                chunks.append(chunk)
        return chunks

    def send(self, data: bytes) -> None:
        """Send a command in words (see `messages.COMMANDS`); see `Sends` in the contract."""
        try:
            frames = messages.command(data.decode("utf-8", "replace"))
        except ValueError as error:
            raise LinkError(str(error)) from None
        self._link.write(frames)

    def notices(self) -> list[str]:
        """Changes of state of the link and the bridge, in words."""
        notices, self._notices = self._notices, []
        said = list(self._stream.said)
        self._stream.said.clear()
        return self._link.notices() + said + notices

    def close(self) -> None:
        """Release the port."""
        self._link.close()

    def _opened(self) -> None:
        self._generation = self._link.generation
        self._ready.clear()
        self._read_s = None
        self._seen = None
        if self._link.away is None:
            self._ask()

    def _ask(self) -> None:
        self._asked_s = self._monotonic()
        try:
            self.send(b"identify")
        except LinkError:
            return  # it says who it is by itself, every second

    def _wish(self, identity: Identity) -> None:
        """Tell the bridge how pairs are wanted, each time it says that it makes them otherwise."""
        settings = identity.settings
        made = (settings.period_us, settings.block, settings.oversampling)
        wished = tuple(w or m for w, m in zip(self._wanted, made, strict=True))
        if wished != made and Type.SET not in self._stream.refused:
            with contextlib.suppress(LinkError):
                self.send("set {} {} {}".format(*wished).encode())

    def _drain(self, chunks: list[Chunk]) -> bool:
        """Take what is waiting; whether that was not all."""
        until_s = self._monotonic() + DRAIN_S
        size = len(chunks[0].data)
        while size < MOST_BYTES and self._monotonic() < until_s:
            chunk = self._read_chunk(0.0)
            if chunk is None:
                return False
            chunks.append(chunk)
            size += len(chunk.data)
        return True

    def _newest(self, chunks: list[Chunk]) -> list[Chunk]:
        """All chunks; the last of them if more comes than can be worked on."""
        if not self._waiting:
            self._behind_s = None
            return chunks
        now_s = self._monotonic()
        if self._behind_s is None:
            self._behind_s = now_s
        if now_s - self._behind_s < BEHIND_S:
            return chunks
        size, first = 0, len(chunks)
        while first and size < KEPT_BYTES:
            first -= 1
            size += len(chunks[first].data)
        if first:
            self._stream.skip(chunks[:first])
        return chunks[first:]

    def _judge(self) -> None:
        """Ask for the identity if it is wanted; tell once when nothing can be read."""
        now_s = self._monotonic()
        identity = self._stream.identity
        if identity is not None and identity is not self._seen:
            self._seen = identity
            self._wish(identity)
        if self._stream.asking and now_s - self._asked_s >= ASK_S:
            self._ask()
        blocks = self._stream.counters["blocks"]
        if self._read_s is None or blocks > self._blocks:
            self._blocks, self._read_s = blocks, now_s
            if self._unreadable and blocks:
                self._unreadable = False
                self._notices.append("frames can be read again")
        elif not self._unreadable and now_s - self._read_s >= UNREADABLE_S:
            self._unreadable = True
            if self._stream.version is None:
                self._notices.append(
                    "bytes come, but no block of pairs that can be read: look at `baud`, and"
                    " whether the bridge runs the firmware for this driver"
                )

    def _read_chunk(self, timeout_s: float) -> Chunk | None:
        data = self._link.read(timeout_s)
        if self._link.generation != self._generation:
            self._generation = self._link.generation
            self._stream.reset()
            self._seen = None
            self._ask()
        return Chunk(self._now_ns(), data) if data else None
