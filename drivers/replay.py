"""Driver `replay`: plays the pairs of a CSV file or of a recording of a port once.

CSV, plain or gzip: header `time_s,forward_v,reflected_v[,channel|frequency_khz|...]`, time in
seconds since the epoch. A recording goes through the parser that read the live port. The content
decides which of the two formats it is.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, cast

import msgspec
import numpy as np

from drivers.contract import READ, EndOfInput, LinkError, SampleBlock, join
from drivers.found import UnknownDriverError, find
from drivers.recording import MAGIC, InputFile, open_plain_or_gzip, read_chunks, read_header
from drivers.text_lines.parser import CHUNK_BYTES, LineParser

BLOCK_PAIRS = 1 << 17  # long blocks cost least a pair,
LONG_LINE = 4096
READ_BYTES = CHUNK_BYTES - LONG_LINE  # but text is read in parts that stay in the cache
KNOWN = ("forward_v", "reflected_v", "time_ns")


class ReplayOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind; `file` and `port` are aliases of `path`."""

    path: Annotated[Path | None, msgspec.Meta(description="Recording or CSV to replay.")] = None
    file: Annotated[Path | None, msgspec.Meta(description="Alias of `path`.")] = None
    port: Annotated[Path | None, msgspec.Meta(description="Alias of `path`.")] = None
    pace: Annotated[
        Literal["fast", "realtime"],
        msgspec.Meta(description="As fast as possible, or at the pace of the recorded times."),
    ] = "fast"

    def __post_init__(self) -> None:
        if sum(name is not None for name in (self.path, self.file, self.port)) != 1:
            raise ValueError("name the file to replay: `path: recording.csv`")

    @property
    def source(self) -> Path:
        """Path of the file to replay."""
        source = self.path or self.file or self.port
        assert source is not None
        return source


class ReplayDriver:
    """Returns the pairs of a file, as fast as they are read or at the pace of their times."""

    Options = ReplayOptions
    finite = True

    def __init__(
        self,
        options: ReplayOptions,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._options = options
        self._monotonic = monotonic
        self._sleep = sleep
        self._file: InputFile | None = None
        self._blocks: Iterator[SampleBlock] = iter(())
        self._ready: SampleBlock | None = None
        self._origin: tuple[int, float] | None = None
        self._notices: list[str] = []
        self.counters: dict[str, int] = {}

    def open(self) -> None:
        """Open the file and detect its format. Raise LinkError."""
        self.close()
        path = self._options.source
        self._file = open_plain_or_gzip(path)
        head = self._file.peek(len(MAGIC))[: len(MAGIC)]
        self._blocks = self._recording(path) if head == MAGIC else _join(self._csv(path))

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs; see the contract."""
        if self._file is None:
            raise LinkError(f"{self._options.source} is not open")
        block = self._ready or next(self._blocks, None)
        self._ready = None
        if block is None:
            self._report_dropped()
            raise EndOfInput("end of the file")
        if self._options.pace == "fast":
            return block
        if self._origin is None:
            self._origin = (int(block.time_ns[0]), self._monotonic())
        first_ns, begun_s = self._origin
        wait_s = (int(block.time_ns[0]) - first_ns) * 1e-9 - (self._monotonic() - begun_s)
        if wait_s > 0:
            self._sleep(min(wait_s + linger_s, timeout_s))
        now_ns = first_ns + round((self._monotonic() - begun_s) * 1e9)
        due = int(np.searchsorted(block.time_ns, now_ns, side="right"))
        if due < len(block):
            self._ready = block[due:]
        return block[:due] if due else None

    def notices(self) -> list[str]:
        """Return the report of dropped data, once at the end."""
        notices, self._notices = self._notices, []
        return notices

    def close(self) -> None:
        """Close the file; a later `open` starts from the beginning."""
        if self._file is not None:
            self._file.close()
        self._file = self._ready = self._origin = None
        self._blocks = iter(())

    def _csv(self, path: Path) -> Iterator[SampleBlock]:
        assert self._file is not None
        parser = LineParser(None, max_line=LONG_LINE, whole_file=True)
        self.counters = parser.counters
        last_ns = np.iinfo(np.int64).min
        seen_header = False
        more = True
        while more:
            data = self._file.read(READ_BYTES)
            more = bool(data)
            parsed = parser.feed(data or b"\n")
            if not seen_header and (more or parsed):
                if parser.columns is None or "time_s" not in parser.columns:
                    raise LinkError(
                        f"{path}: line 1: the header must name time_s, forward_v and reflected_v"
                        " (and may name more columns)"
                    )
                seen_header = True
            if parsed is None:
                continue
            values = parsed.values
            times = values["time_ns"]
            block = SampleBlock(
                times,
                values["forward_v"],
                values["reflected_v"],
                {name: column for name, column in values.items() if name not in KNOWN},
                parser.step_v,
            )
            if times[0] <= last_ns or (times[1:] <= times[:-1]).any():
                earlier = np.maximum.accumulate(np.concatenate([[last_ns], times[:-1]]))
                later = times > earlier
                self.counters["not_later"] = self.counters.get("not_later", 0) + int((~later).sum())
                block = block[later]
            if len(block):
                last_ns = int(block.time_ns[-1])
                yield block
        if not seen_header:
            raise LinkError(f"{path}: the file is empty")

    def _recording(self, path: Path) -> Iterator[SampleBlock]:
        assert self._file is not None
        header = read_header(self._file, path)
        try:
            driver = find(header.kind)
            options = msgspec.convert(header.options, driver.Options)
        except (UnknownDriverError, msgspec.ValidationError) as error:
            raise LinkError(f"{path}: {error}") from error
        stream = cast(Any, driver).Stream(options)  # see DEVELOPERS.md, Adding a driver
        self.counters = stream.counters
        parts = read_chunks(self._file)
        if self._options.pace == "realtime":
            return filter(None, (stream.feed([chunk]) for chunks in parts for chunk in chunks))
        return _join(filter(None, map(stream.feed, parts)))

    def _report_dropped(self) -> None:
        dropped = Counter(self.counters)
        for name in READ:
            dropped.pop(name, None)
        if dropped.total():
            reasons = ", ".join(f"{count} {name}" for name, count in dropped.items() if count)
            self._notices.append(f"{self._options.source}: lines dropped: {reasons}")


def _join(blocks: Iterable[SampleBlock]) -> Iterator[SampleBlock]:
    """Join consecutive blocks into long ones, but not across a gap or a doubt about the times."""
    group: list[SampleBlock] = []
    count = 0
    for block in blocks:
        parts = block.gap or (group and block.clock_step != group[0].clock_step)
        if group and (parts or count >= BLOCK_PAIRS):
            yield join(group)
            group, count = [], 0
        group.append(block)
        count += len(block)
    if group:
        yield join(group)
