"""Identification of the device at a port: open it, ask whether it is the bridge, and listen."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from drivers.contract import LinkError
from drivers.frames.messages import VERSION, Identity, command
from drivers.frames.stream import FrameStream
from drivers.recording import Chunk
from drivers.serial_link import SerialLink
from drivers.timeline import host_ns

LISTEN_S = 4.0  # a board that reboots when opened may wait two seconds for new firmware
OPEN_S = 6.0  # limit for a server that does not answer
ASK_S = 1.0
LINES = 3  # consecutive lines of text required
SHOWN = 60  # characters shown of a line
MOST = 65536  # most bytes read from one port


def identify(ports: Sequence[str], baud: int, listen_s: float = LISTEN_S) -> Iterator[str]:
    """Yield a line for each port, in order. All are asked at once, within about ten seconds.

    A port that another program has locked is left alone.
    """
    answers = dict.fromkeys(ports, "did not open in time")
    threads = [
        threading.Thread(target=_into, args=(answers, port, baud, listen_s), daemon=True)
        for port in answers
    ]
    for thread in threads:
        thread.start()
    until_s = time.monotonic() + OPEN_S + listen_s
    for port, thread in zip(answers, threads, strict=True):
        thread.join(max(0.0, until_s - time.monotonic()))
        yield answers[port]


def _into(answers: dict[str, str], port: str, baud: int, listen_s: float) -> None:
    answers[port] = ask(port, baud, listen_s)


def ask(port: str, baud: int, listen_s: float) -> str:
    """Describe the device at this port in one line."""
    link = SerialLink(port, baud)
    try:
        link.open()
    except LinkError as error:
        if getattr(error.__cause__, "errno", None) in (errno.EBUSY, errno.EAGAIN):
            return f"busy: another program holds it (`fuser -v {port}` names it)"
        return str(error)
    try:
        return _listen(link, baud, listen_s)
    except LinkError as error:
        return str(error)
    finally:
        link.close()


def _listen(link: SerialLink, baud: int, listen_s: float) -> str:
    heard = hear(link, baud, listen_s, lambda received: _line(received) is not None)
    if heard.identity is not None:
        return _bridge(heard.identity)
    if heard.version is not None:
        return f"a bridge with wire protocol {heard.version}; this program uses {VERSION}"
    line = _line(heard.received)
    if line is not None:
        return f"prints lines: {line!r}; kind: text-lines, if these are volts"
    if link.away is not None:
        return link.away
    if heard.received:
        return "sends neither frames nor lines: check the baud rate"
    return f"silent for {listen_s:g} s"


class Heard(NamedTuple):
    """What a port sent: its last bytes, and who it is if it speaks the wire protocol.

    seconds  from the first to the last piece received
    """

    received: bytes
    seconds: float
    identity: Identity | None
    version: int | None


def hear(link: SerialLink, baud: int, listen_s: float, is_enough: Callable[[bytes], bool]) -> Heard:
    """Ask an open port who it is, and listen until that or what it sends is enough."""
    stream = FrameStream(baud)
    received = b""
    begun_s = ended_s = now_s = time.monotonic()
    until_s = now_s + listen_s
    ask_s = 0.0
    while (now_s := time.monotonic()) < until_s and link.away is None:
        if now_s >= ask_s:  # repeated, because it may have been rebooting
            ask_s = now_s + ASK_S
            link.write(command("identify"))
        data = link.read(min(0.1, until_s - now_s))
        stream.feed([Chunk(host_ns(), data)])
        if data:
            ended_s = time.monotonic()
            begun_s = begun_s if received else ended_s
        received = (received + data)[-MOST:]
        if stream.identity is not None or stream.version is not None or is_enough(received):
            break
    return Heard(received, ended_s - begun_s, stream.identity, stream.version)


def _bridge(identity: Identity) -> str:
    settings = identity.settings
    return (
        f"the bridge {identity.name!r}, wire protocol {VERSION}: a pair every {settings.period_us}"
        f" µs, {settings.block} per block; last reset: {identity.why_started}; kind: frames"
    )


def _line(received: bytes) -> str | None:
    """Return the last of enough complete lines of text; the first line may be incomplete."""
    lines = received.splitlines(keepends=True)[1:]
    complete = [line for line in lines if line.endswith((b"\n", b"\r"))][-LINES:]
    texts = [line.strip().decode("ascii", "replace") for line in complete]
    if len(texts) < LINES or not all(text.isascii() and text.isprintable() for text in texts):
        return None
    return next((text[:SHOWN] for text in reversed(texts) if text), None)
