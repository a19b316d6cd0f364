"""Serial link that survives unplugging, a busy or forbidden port, and network failures.

Once opened, a link recovers by itself. A lost port is closed at once (with an open descriptor the
device would return under another number) and reopened by its name as soon as it is present. A port
that falls silent although data used to flow is also closed and reopened, with back-off. Opening and
closing can take seconds on a network, so a thread does both; it lives only while the link is lost.
`read` never waits longer than requested.
"""

from __future__ import annotations

import contextlib
import errno
import io
import math
import os
import select
import socket
import termios
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

import serial

from drivers.contract import LinkError
from drivers.permissions import READ, WRITE, permission_hint
from drivers.silence import SilenceDetector

# Exceptions that pyserial raises when an open port fails; SerialException is an OSError.
FAILURES = (OSError, termios.error, TypeError, ValueError, AttributeError, NotImplementedError)
FIRST_RETRY_S = 0.25
LAST_RETRY_S = 1.5
NETWORK_POLL_S = 0.005  # polling interval of a link without a descriptor
TTY_BYTES = 4095  # most that the kernel returns of a terminal at once
MOST_PARTS = 8
WRITE_S = 1.0
JOIN_S = 1.0


class SerialLink:
    """A serial port (8N1) or pyserial URL for reading and writing.

    `generation` counts the openings of the port: when it changes, earlier and later data are not
    contiguous, so the reader must reset its parser. `counters` counts losses of the link, and
    reopenings because of silence. `away` states why the port is absent, None while it is present.

    `reset_on_open` False: opening must not reboot a board whose reset is wired to a modem line. The
    kernel raises DTR and RTS on every open, so the only way to avoid an edge is never to lower
    them: they stay raised while open and (HUPCL cleared) after closing. Only the first open after
    plugging in can still reset the board.

    One thread reads; `write` and `close` may be called from others (not from a signal handler).
    """

    def __init__(
        self,
        port: str,
        baud: int,
        reset_on_open: bool = True,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.generation = 0
        self.away: str | None = None
        self.counters = {"link_lost": 0, "link_silent": 0}
        self._silence = SilenceDetector()
        self._port = port
        self._baud = baud
        self._reset_on_open = reset_on_open
        self._monotonic = monotonic
        self._notices: deque[str] = deque()
        self._stop = threading.Event()
        self._stop.set()
        self._wake = -1  # an eventfd that ends any wait
        self._reading = threading.Lock()  # held while reading: close() waits for the reader
        self._changing = threading.Lock()  # guards the next three attributes
        self._wire: _Wire | None = None
        self._reopened: _Wire | None = None
        self._reopening: threading.Thread | None = None
        self._lost_s = 0.0

    def open(self, *, wait: bool = False) -> None:
        """Open the port. Raise LinkError with one line that tells the user what to do.

        With `wait`, a port that cannot be opened now is treated as one lost later; only an error
        that waiting cannot resolve (an invalid address or baud rate) is raised.
        """
        self.close()
        failure: LinkError | None = None
        try:
            self._wire = _Wire(self._port, self._baud, self._reset_on_open)
        except LinkError as error:
            if not wait or isinstance(error.__cause__, ValueError | OverflowError):
                raise
            failure = error
        self._wake = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._stop = threading.Event()  # a new one: an old thread may still hang in the network
        if failure is None:
            self.away = None
            self.generation += 1
        else:
            self._report_loss(str(failure))
            self._renew(None)

    def read(self, timeout_s: float) -> bytes:
        """Return the received data, waiting up to `timeout_s` seconds for the first byte.

        Empty if nothing arrived, also while the link is lost. Raise LinkError if it is not open.
        """
        with self._reading:
            if self._stop.is_set():
                raise LinkError(f"{self._port} is not open")
            deadline = self._monotonic() + timeout_s
            while not self._stop.is_set():
                left_s = max(0.0, deadline - self._monotonic())
                wire = self._wire or self._adopt()
                if wire is None:
                    _wait(None, self._wake, left_s)
                else:
                    try:
                        data = wire.read(left_s, self._wake)
                    except FAILURES as error:
                        self._lose(wire, error)
                        continue
                    if data:
                        self._silence.note_data(self._monotonic())
                        return data
                    self._check_silence(wire)
                if left_s == 0:
                    break
            return b""

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raise LinkError if the link is lost or blocked for a second."""
        with self._changing:
            if self._wire is None:
                raise LinkError(f"{self._port} is not connected; nothing was written")
            try:
                self._wire.write(data)
            except FAILURES as error:
                raise LinkError(f"cannot write to {self._port}: {_reason(error)}") from error

    def notices(self) -> list[str]:
        """Return the changes since the last call: lost, still absent and why, reconnected."""
        notices = []
        while self._notices:
            notices.append(self._notices.popleft())
        return notices

    def close(self) -> None:
        """Release the port; a `read` in another thread returns at once."""
        with self._changing:
            self._stop.set()
            reopening = self._reopening
            if self._wake >= 0:
                os.eventfd_write(self._wake, 1)
        if reopening is not None:
            reopening.join(JOIN_S)  # if it hangs in the network, it cleans up later
        with self._reading, self._changing:
            for wire in (self._wire, self._reopened):
                if wire is not None:
                    wire.close()
            self._wire = self._reopened = self._reopening = None
            if self._wake >= 0:
                os.close(self._wake)
                self._wake = -1

    def _adopt(self) -> _Wire | None:
        with self._changing:
            if self._reopened is None:
                return None
            self._wire, self._reopened, self._reopening = self._reopened, None, None
        self.away = None
        self.generation += 1
        now_s = self._monotonic()
        self._silence.note_opened(now_s)
        state = "reconnected" if self.generation > 1 else "connected"
        self._notices.append(f"{self._port} {state} after {now_s - self._lost_s:.1f} s")
        return self._wire

    def _check_silence(self, wire: _Wire) -> None:
        silence_s = self._silence.silence_s(self._monotonic())
        if silence_s is None:
            return
        self._silence.note_attempt()
        self.counters["link_silent"] += 1
        self._lost_s = self._monotonic()
        self.away = f"{self._port} is silent"
        self._notices.append(
            f"{self._port} has been silent for {silence_s:.1f} s after sending data; reopening it"
        )
        self._renew(wire)

    def _lose(self, wire: _Wire, error: Exception) -> None:
        self._report_loss(f"{self._port} lost: {_reason(error)}")
        self._renew(wire)

    def _report_loss(self, why: str) -> None:
        self.counters["link_lost"] += 1
        self._lost_s = self._monotonic()
        self.away = why
        self._notices.append(f"{why}; waiting for it{' to come back' if self.generation else ''}")

    def _renew(self, wire: _Wire | None) -> None:
        """Close the port if it is open and reopen it in a separate thread."""
        with self._changing:
            self._wire = None
            if not self._stop.is_set():
                self._reopening = threading.Thread(
                    target=self._reopen,
                    args=(wire, self._stop, self.away or ""),
                    name=f"reopen {self._port}",
                    daemon=True,
                )
                self._reopening.start()
                return
        if wire is not None:
            wire.close()

    def _reopen(self, dead: _Wire | None, stop: threading.Event, reported: str) -> None:
        if dead is not None:
            dead.close()
        pause_s = FIRST_RETRY_S
        while not stop.wait(pause_s):
            pause_s = min(2 * pause_s, LAST_RETRY_S)
            try:
                wire = _Wire(self._port, self._baud, self._reset_on_open)
            except LinkError as error:
                # That the port is missing was reported; that it is present again but cannot be
                # opened was not.
                if os.path.exists(self._port) and str(error) != reported:
                    self.away = reported = str(error)
                    self._notices.append(reported)
                continue
            with self._changing:
                if not stop.is_set():
                    self._reopened = wire
                    os.eventfd_write(self._wake, 1)
                    return
            wire.close()
            return


class _Wire:
    """One opened port. Raises LinkError if it cannot be opened, FAILURES afterwards."""

    def __init__(self, port: str, baud: int, reset_on_open: bool) -> None:
        handle: Any = None
        try:
            handle = serial.serial_for_url(port, do_not_open=True, baudrate=baud, timeout=0)
            handle.exclusive = True
            if not port.startswith("rfc2217:"):  # rfc2217 rejects this and has its own
                handle.write_timeout = WRITE_S
            handle.open()
            self._handle = handle
            self._fd = _descriptor(handle)
            self._poll: select.poll | None = None
            if self._fd is None or not os.isatty(self._fd):
                _notice_dead_peer(handle)
            elif not reset_on_open:
                attributes = termios.tcgetattr(self._fd)
                attributes[2] &= ~termios.HUPCL
                termios.tcsetattr(self._fd, termios.TCSANOW, attributes)
        except (*FAILURES, OverflowError) as error:
            if handle is not None:
                _shut(handle)
            raise LinkError(why_not_open(port, error)) from error

    def read(self, timeout_s: float, wake: int) -> bytes:
        if self._fd is None:
            data = self._drain()
            if not data and timeout_s > 0:
                _wait(None, wake, min(timeout_s, NETWORK_POLL_S))
                data = self._drain()
            return data
        if self._poll is None:
            self._poll = _poll(self._fd, wake)
        events = _events(self._poll, self._fd, wake, timeout_s)
        if events & select.POLLIN:
            try:
                data = os.read(self._fd, 65536)
            except BlockingIOError:
                return b""
            if not data:
                raise OSError("the device hung up")
            return data if len(data) < TTY_BYTES else self._read_on(data)
        if events:  # POLLHUP, POLLERR or POLLNVAL alone
            raise OSError("the device hung up")
        return b""

    def _read_on(self, data: bytes) -> bytes:
        """Return `data`, which filled a terminal's buffer, and what has come behind it."""
        assert self._fd is not None
        parts = [data]
        # An error is not lost: it comes again at the next call.
        with contextlib.suppress(OSError):
            while len(parts[-1]) >= TTY_BYTES and len(parts) < MOST_PARTS:
                parts.append(os.read(self._fd, TTY_BYTES))
        return b"".join(parts)

    def _drain(self) -> bytes:
        data = bytearray()
        try:
            while chunk := self._handle.read(65536):  # returns single bytes when not waiting
                data += chunk
        except FAILURES:
            if not data:  # otherwise it fails again at the next call, and no received data is lost
                raise
        return bytes(data)

    def write(self, data: bytes) -> None:
        self._handle.write(data)

    def close(self) -> None:
        _shut(self._handle)


def _descriptor(handle: Any) -> int | None:
    try:
        return int(handle.fileno())
    except (AttributeError, io.UnsupportedOperation):
        return None


def _wait(fd: int | None, wake: int, timeout_s: float) -> int:
    """Wait for events of `fd`, or for `wake`; return the events of `fd`."""
    return _events(_poll(fd, wake), fd, wake, timeout_s)


def _poll(fd: int | None, wake: int) -> select.poll:
    poll = select.poll()
    poll.register(wake, select.POLLIN)
    if fd is not None:
        poll.register(fd, select.POLLIN)
    return poll


def _events(poll: select.poll, fd: int | None, wake: int, timeout_s: float) -> int:
    result = 0
    for descriptor, events in poll.poll(math.ceil(1000 * timeout_s)):
        if descriptor == fd:
            result = events
        else:
            with contextlib.suppress(BlockingIOError):
                os.eventfd_read(wake)
    return result


def _notice_dead_peer(handle: Any) -> None:
    """Make the kernel detect within half a minute that the other end has lost power."""
    peer = getattr(handle, "_socket", None)
    if isinstance(peer, socket.socket):
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 10)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 5)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3)


def _shut(handle: Any) -> None:
    peer = getattr(handle, "_socket", None)
    with contextlib.suppress(*FAILURES):
        handle.close()
    if peer is not None:  # pyserial leaves the socket open if the other end closed first
        peer.close()


def _reason(error: BaseException) -> str:
    return " ".join(str(getattr(error, "strerror", None) or error).split())


def why_not_open(port: str, error: BaseException) -> str:
    """Return one line for the user: why this port could not be opened, and what to do."""
    reason = _reason(error)
    if "://" in port:
        return f"cannot open {port}: {reason}; check the address and that its server runs"
    code = getattr(error, "errno", None)
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR):
        return f"cannot open {port}: no such port; {_list_of_ports()}"
    if code in (errno.EACCES, errno.EPERM):
        return f"cannot open {port}: no permission; {permission_hint(port, READ | WRITE)}"
    if code in (errno.EBUSY, errno.EAGAIN):
        return (
            f"cannot open {port}: another program holds it; stop that program "
            f"(`fuser -v {port}` names it)"
        )
    if isinstance(error, ValueError | OverflowError):
        return f"cannot open {port}: {reason}; correct the port or the baud rate"
    return f"cannot open {port}: {reason}; check that it is a serial port"


def _list_of_ports() -> str:
    from drivers.serial_ports import list_ports

    ports = [
        f"{port.device} ({port.stable[0]})" if port.stable else port.device for port in list_ports()
    ]
    if not ports:
        return "there are no serial ports: plug the board in"
    return f"available: {', '.join(ports)}"
