"""Driver `text-lines`: any bridge that prints one line per pair on a serial port.

`LineDriver` is what drivers of such lines have in common, whatever the lines arrive on.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Annotated, Any

import msgspec
import numpy as np

from drivers.arrivals import Arrivals, Link
from drivers.contract import SampleBlock
from drivers.recording import Chunk
from drivers.serial_link import SerialLink
from drivers.text_lines.columns import NO_TIME
from drivers.text_lines.parser import LineParser, Parsed, Values
from drivers.timeline import BridgeClock, Monotone, Times, arrival_times, host_ns

NETWORK_BITS_PER_S = 100_000_000
AHEAD_US = 50_000  # times may briefly run ahead of the clock by this much
LEAP_NS = 50_000_000  # a time that must be moved by this much comes from a clock that jumped
UNREADABLE_LINES = 50  # report after this many consecutive dropped lines,
UNREADABLE_S = 1.0  # or after this time with at least FEW_LINES dropped
FEW_LINES = 5
SHOWN = 60  # characters shown of a line
WHY_UNREADABLE = {
    "malformed": "it is no list of numbers; let the board print pairs only, or correct `baud`",
    "wrong_count": "it has not as many numbers as `columns` names; correct `columns`",
    "control": "it is no text; correct `baud`",
    "not_finite": "a value is no finite number; correct what the board prints",
    "out_of_range": "a value is out of range; correct its unit in `columns` or `counts_full_scale`",
}
KNOWN = ("forward_v", "reflected_v", "time_us", "time_ns")


class LineOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of lines. `columns` is required unless the bridge sends a header."""

    columns: Annotated[
        list[str] | None,
        msgspec.Meta(
            description="Names of the columns; not needed if the bridge prints a header line."
        ),
    ] = None
    counts_full_scale: Annotated[
        Annotated[int, msgspec.Meta(gt=0)] | None,
        msgspec.Meta(
            description="Reading of the converter at `reference_v`, for columns in counts."
        ),
    ] = None
    reference_v: Annotated[
        Annotated[float, msgspec.Meta(gt=0)] | None,
        msgspec.Meta(description="Reference voltage of the converter, for columns in counts."),
    ] = None

    def __post_init__(self) -> None:
        _parser(self)  # raises ValueError for invalid columns

    @property
    def bits_per_s(self) -> int:
        """Speed at which the bytes of a line arrive one after the other."""
        return NETWORK_BITS_PER_S


class TextLinesOptions(LineOptions, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind."""

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

    @property
    def bits_per_s(self) -> int:
        return self.baud


def _parser(options: LineOptions) -> LineParser:
    return LineParser(
        options.columns,
        counts_full_scale=options.counts_full_scale,
        reference_v=options.reference_v,
    )


class TextStream:
    """Converts timestamped chunks of bytes into sample blocks; independent of port and clock."""

    def __init__(self, options: LineOptions) -> None:
        self._baud = options.bits_per_s
        self._full_scale_v = options.reference_v
        self._parser = _parser(options)
        self._bridge_clock = BridgeClock()
        self._monotone = Monotone()
        self._last_us: int | None = None
        self._has_gap = False  # something was dropped before the next data
        self.flooded = 0  # lines dropped because too many arrived

    @property
    def counters(self) -> dict[str, int]:
        """Counters of lines read, and of lines dropped by reason."""
        return self._parser.counters

    @property
    def clock_restarts(self) -> int:
        """Number of times that the bridge's clock restarted or jumped."""
        return self._bridge_clock.jumps

    @property
    def columns(self) -> tuple[str, ...] | None:
        """Names of the columns, None while unknown."""
        return self._parser.columns

    def why_unreadable(self) -> str:
        """Return why the last dropped line could not be read, with the line, and the remedy."""
        reason, line = self._parser.rejected or ("", b"")
        got = f"got {repr(line[:SHOWN])[1:]}: " if line else ""
        if self.columns is None and reason in ("malformed", "wrong_count"):
            why = "no header line arrived and the configuration has no `columns`"
            return f"{why}; {got.removesuffix(': ')}".rstrip("; ")
        return got + WHY_UNREADABLE.get(
            reason, "check `baud` and `columns`, and what else prints on this port"
        )

    def reset(self) -> None:
        """Handle a reconnect: the next data may begin in the middle of a line."""
        self._parser.reset()
        self._bridge_clock.restart()

    def skip(self, chunks: Sequence[Chunk]) -> None:
        """Drop these chunks unread."""
        self._parser.reset()
        self._has_gap = True
        self.flooded += sum(chunk.data.count(b"\n") or chunk.data.count(b"\r") for chunk in chunks)

    def is_below(self, data: bytes, volts: tuple[float, float]) -> bool:
        """True if the lines that are complete in a few bytes are pairs below these volts."""
        return self._parser.is_below(data, volts)

    def feed(self, chunks: Sequence[Chunk]) -> SampleBlock | None:
        """Return the pairs whose lines ended in these chunks, or None if there are none."""
        stamps_ns, data, pauses_ns = zip(*chunks, strict=True)
        parsed = self._parser.feed(b"".join(data))
        if parsed is None:
            return None
        end, values = self._limit_rate(parsed, stamps_ns[-1])
        sizes = np.fromiter(map(len, data), np.int64, len(data))
        ends = np.cumsum(sizes)
        lines = np.diff(np.searchsorted(end, ends, side="right"), prepend=0)  # that end in each
        bytes_after = np.repeat(ends, lines) - end
        bridge_us = values.get("time_us")
        spread_ns: Any = 0.0
        # The bridge clock's fit must not see an arrival before its time.
        if bridge_us is None and any(pauses_ns):
            spread_ns = np.repeat(np.array(pauses_ns) / np.maximum(sizes, 1), lines)
        arrival_ns = arrival_times(
            np.repeat(np.array(stamps_ns, dtype=np.int64), lines),
            bytes_after,
            self._baud,
            spread_ns,
        )
        restarts = self.clock_restarts
        if bridge_us is not None:
            timed = bridge_us != NO_TIME
            arrival_ns[timed] = self._bridge_clock.map(bridge_us[timed], arrival_ns[timed])
        times = self._monotone.update(arrival_ns)
        self._last_us = int(times[-1]) // 1000
        leapt = self.clock_restarts > restarts or int((times - arrival_ns).max()) > LEAP_NS
        gap, self._has_gap = self._has_gap, False
        return SampleBlock(
            times,
            values["forward_v"],
            values["reflected_v"],
            {name: column for name, column in values.items() if name not in KNOWN},
            self._parser.step_v,
            self._full_scale_v,
            clock_step=leapt and bridge_us is not None,
            gap=gap,
        )

    def _limit_rate(self, parsed: Parsed, now_ns: int) -> tuple[Times, dict[str, Values]]:
        """Return the ends and values of the newest pairs, at most one per microsecond elapsed.

        With more, strictly increasing times would run ahead of the clock.
        """
        if self._last_us is None:
            return parsed.end, parsed.values
        room = max(1, now_ns // 1000 - self._last_us + AHEAD_US)
        excess = len(parsed.end) - room
        if excess <= 0:
            return parsed.end, parsed.values
        self._has_gap = True
        self.flooded += excess
        return parsed.end[excess:], {
            name: column[excess:] for name, column in parsed.values.items()
        }


class LineDriver:
    """Reads lines from a link."""

    Stream = TextStream
    clock = "host"
    finite = False

    def __init__(
        self,
        options: LineOptions,
        link: Link,
        *,
        now_ns: Callable[[], int] = host_ns,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._monotonic = monotonic
        self._link = link
        self._stream = TextStream(options)
        # The data received before a loss ends in an incomplete line, which is dropped.
        self._arrivals = Arrivals(
            self._link, self._stream.reset, now_ns=now_ns, monotonic=monotonic, sleep=sleep
        )
        self._notices: list[str] = []
        self._unreadable = False
        self._dropped = 0  # dropped lines at the last successful read,
        self._read_s = monotonic()  # and the time of that read
        self._clock_restarts = 0
        self._dropping = False
        self.quiet_v: tuple[float, float] | None = None  # see `Defers` in the contract

    @property
    def counters(self) -> dict[str, int]:
        """Counters of lines read, of lines dropped by reason, and of the link and the bridge."""
        return {
            **self._stream.counters,
            "flooded": self._stream.flooded,
            **self._link.counters,
            "bridge_clock": self._stream.clock_restarts,
        }

    @property
    def away(self) -> str | None:
        """Reason why the port is absent; None while it is present."""
        return self._link.away

    def open(self) -> None:
        """Open the port. Raise LinkError."""
        self._link.open()
        self._arrivals.begin()

    def open_or_wait(self) -> None:
        """Open the port, or continue as if it had been lost. Raise LinkError."""
        self._link.open(wait=True)
        self._arrivals.begin()

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs; see the contract."""
        chunks = self._arrivals.read(timeout_s, linger_s, self._is_quiet)
        if not chunks:
            return None
        block = self._stream.feed(self._newest(chunks))
        self._check_readable(readable=block is not None)
        if self._stream.clock_restarts > self._clock_restarts:
            self._clock_restarts = self._stream.clock_restarts
            self._notices.append("the bridge's clock jumped: it restarted or lost time")
        return block

    def _is_quiet(self, data: bytes) -> bool:
        return self.quiet_v is not None and self._stream.is_below(data, self.quiet_v)

    def _newest(self, chunks: list[Chunk]) -> list[Chunk]:
        """Return all chunks, or only the newest if data arrives faster than it can be processed."""
        dropped, newest = self._arrivals.newest(chunks)
        if dropped:
            self._stream.skip(dropped)
            if not self._dropping:
                self._dropping = True
                self._notices.append(
                    "input overflow: reading the newest lines only; reduce the bridge's output"
                )
        elif self._dropping and not self._arrivals.waiting:
            self._dropping = False
            self._notices.append(
                f"input overflow ended; lines dropped so far: {self._stream.flooded}"
            )
        return newest

    def _check_readable(self, *, readable: bool) -> None:
        """Report once when many consecutive lines are unreadable, and once when they recover."""
        if readable and self._unreadable:
            self._notices.append("lines readable again")
            self._unreadable = False
        counters = self._stream.counters
        dropped = sum(counters.values()) - counters["lines"]
        now_s = self._monotonic()
        if readable or not dropped:
            self._dropped, self._read_s = dropped, now_s
            return
        limit = FEW_LINES if now_s - self._read_s >= UNREADABLE_S else UNREADABLE_LINES
        if not self._unreadable and dropped - self._dropped >= limit:
            self._unreadable = True
            self._notices.append(
                f"lines arrive, but none is readable: {self._stream.why_unreadable()}"
            )

    def read_raw(self, timeout_s: float, linger_s: float) -> list[Chunk]:
        """Return bytes as they arrive, for up to `linger_s` after the first."""
        return self._arrivals.read(timeout_s, linger_s)

    def notices(self) -> list[str]:
        """Return the changes of state of the link and of the input, in words."""
        notices, self._notices = self._notices, []
        return self._link.notices() + notices

    def close(self) -> None:
        """Release the port."""
        self._link.close()


class TextLinesDriver(LineDriver):
    """Reads the lines from a serial port or a pyserial URL."""

    Options = TextLinesOptions

    def __init__(self, options: TextLinesOptions, **clocks: Any) -> None:
        self._port = SerialLink(options.port, options.baud, reset_on_open=options.reset_on_open)
        super().__init__(options, self._port, **clocks)

    def send(self, data: bytes) -> None:
        """Write to the bridge; see `Sends` in the contract."""
        self._port.write(data)
