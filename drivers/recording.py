r"""Recordings of the raw bytes of a port, with the arrival time of each chunk.

    b"mismatchd recording 1\\n"
    one line of JSON: {"kind": ..., "options": {...}}   the driver that read the port
    chunks: little-endian int64 arrival (UTC nanoseconds), uint32 length, the bytes

A name that ends in `.gz` is compressed. A truncated file ends at its last complete chunk.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import msgspec

from drivers.contract import LinkError

if TYPE_CHECKING:
    import gzip  # imported where it is needed

MAGIC = b"mismatchd recording 1\n"
HEAD = struct.Struct("<qI")
LONGEST_CHUNK = 1 << 24
READ_BYTES = 1 << 18  # stays in the cache with all that is derived from it

InputFile: TypeAlias = "io.BufferedReader | gzip.GzipFile"


class Chunk(NamedTuple):
    """Bytes that were read together at `arrival_ns` (UTC nanoseconds).

    `pause_ns` is the time since the previous read, within which they arrived; it is 0 in
    recordings.
    """

    arrival_ns: int
    data: bytes
    pause_ns: int = 0


class Header(msgspec.Struct, frozen=True):
    """The driver that read the port, and its options."""

    kind: str
    options: dict[str, Any]


def open_plain_or_gzip(path: Path) -> InputFile:
    """Open for reading; compression is detected from the content. Raise LinkError."""
    try:
        file = path.open("rb")
    except OSError as error:
        raise LinkError(f"{path}: {error.strerror}") from error
    if file.peek(2)[:2] == b"\x1f\x8b":
        import gzip

        file.close()
        return gzip.open(path)
    return file


class Writer:
    """Writer of a recording, used as a context manager or ended with `close`."""

    def __init__(self, path: Path, header: Header) -> None:
        self._file: Any
        if path.suffix == ".gz":
            import gzip

            self._file = gzip.open(path, "wb")  # noqa: SIM115
        else:
            self._file = path.open("wb")
        self._file.write(MAGIC + msgspec.json.encode(header) + b"\n")

    def write(self, chunk: Chunk) -> None:
        """Append one chunk."""
        self._file.write(HEAD.pack(chunk.arrival_ns, len(chunk.data)) + chunk.data)

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


def read_header(file: InputFile, path: Path) -> Header:
    """Read up to the first chunk. Raise LinkError if the file is not a recording."""
    try:
        if file.readline(len(MAGIC)) != MAGIC:
            raise LinkError(f"{path}: not a recording of this program")
        return msgspec.json.decode(file.readline(1 << 16), type=Header)
    except (msgspec.DecodeError, OSError, EOFError) as error:
        raise LinkError(f"{path}: damaged recording: {error}") from error


def read_chunks(file: InputFile) -> Iterator[list[Chunk]]:
    """Yield the chunks from the present position on, some together."""
    rest, unpack, head_size, new = b"", HEAD.unpack_from, HEAD.size, tuple.__new__
    more = True
    while more:
        parts, missing = [rest], READ_BYTES
        try:
            while more and missing > 0:
                parts.append(file.read1(missing))
                missing -= len(parts[-1])
                more = bool(parts[-1])
        except (EOFError, OSError):  # a truncated compressed file
            more = False
        data = b"".join(parts)
        chunks: list[Chunk] = []
        begin, start, size = 0, head_size, len(data)
        while start <= size:
            arrival_ns, length = unpack(data, begin)
            end = start + length
            if length > LONGEST_CHUNK or end > size:
                more &= length <= LONGEST_CHUNK
                break
            chunks.append(new(Chunk, (arrival_ns, data[start:end], 0)))  # faster than by name
            begin, start = end, end + head_size
        if chunks:
            yield chunks
        rest = data[begin:]
