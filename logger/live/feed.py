"""Server of the feed: sends a line with a `LiveReading` to every connected client.

Sends ten lines a second while pairs are processed and one as soon as the key moves, one a second
otherwise. It has its own thread, which sleeps while no client is connected. A client that does not
read is disconnected as soon as its socket buffer is full, so that no data accumulates here.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from logger.errors import StatusError
from logger.live.local_socket import open_listener, path_of
from logger.live.reading import LiveReading, encode
from logger.stages.view import View

SUFFIX = ".live"
PERIOD_S = 0.1
LEAST_S = 0.02  # between two lines, also when the key moves
ALIVE_S = 1.0
LOOK_S = 5.0  # interval of looks whether the socket is still there, while nobody is connected
MOST_CLIENTS = 16
MOST_BLOCKS = 256  # older ones are dropped, as capture must not wait
HELD_BYTES = 32768  # socket buffer per client; holds a few seconds of lines


class Tap:
    """Queue of blocks from the capture thread to the feed, used while it is `open`.

    It passes nothing while there are no viewers. `on_move` is called, on the capture thread, when
    the key has moved.
    """

    def __init__(self) -> None:
        self.open = False
        self.on_move: Callable[[], None] = lambda: None
        self._keyed = False
        self._views: deque[View] = deque(maxlen=MOST_BLOCKS)

    def give(self, view: View) -> None:
        """Append a block if the tap is open."""
        if self.open:
            self._views.append(view)
            if len(view.keyed) and view.keyed[-1] != self._keyed:
                self._keyed = bool(view.keyed[-1])
                self.on_move()

    def take(self) -> list[View]:
        """Return the blocks since the last call, in order."""
        return [self._views.popleft() for _ in range(len(self._views))]


class LiveFeed:
    """Server of the feed; `reading` derives a reading from the blocks since the last one.

    Raises StatusError when constructed.
    """

    def __init__(
        self, store: Path, tap: Tap, reading: Callable[[Sequence[View]], LiveReading]
    ) -> None:
        self._store = store
        self._path = path_of(store, SUFFIX)
        self._tap = tap
        self._reading = reading
        self._listener = self._listen()
        self._wake = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._ended = False
        tap.on_move = self._hurry
        self._clients: list[socket.socket] = []
        self._due_s = self._sent_s = 0.0

    def run(self) -> None:
        """Serve until `end` is called, then close everything."""
        try:
            while self._serve_once():
                pass
        finally:
            self._tap.open = False
            for peer in (*self._clients, self._listener):
                peer.close()
            self._path.unlink(missing_ok=True)

    def end(self) -> None:
        """Make `run` return; call it from another thread."""
        self._ended = True
        os.eventfd_write(self._wake, 1)

    def _hurry(self) -> None:
        """Send a line as soon as one may be sent."""
        os.eventfd_write(self._wake, 1)

    def _serve_once(self) -> bool:
        wait_s = max(0.0, self._due_s - time.monotonic()) if self._clients else LOOK_S
        descriptors: list[Any] = [self._wake, self._listener, *self._clients]
        ready, _, _ = select.select(descriptors, [], [], wait_s)
        if self._wake in ready:
            os.eventfd_read(self._wake)
            if self._ended:
                return False
            self._due_s = min(self._due_s, self._sent_s + LEAST_S)
        if not ready and not self._clients:
            self._renew()
        for client in [descriptor for descriptor in ready if descriptor in self._clients]:
            self._discard_input(client)
        if self._listener in ready:
            self._accept()
        if self._clients and time.monotonic() >= self._due_s:
            self._send()
        return True

    def _listen(self) -> socket.socket:
        listener = open_listener(self._store, SUFFIX, "`mismatchd live`")
        listener.setblocking(False)
        return listener

    def _renew(self) -> None:
        """Listen again if the socket was removed and its folder is there."""
        if not self._path.exists():
            with contextlib.suppress(StatusError):
                listener = self._listen()
                self._listener.close()
                self._listener = listener

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # no further client waits
            while True:
                client, _ = self._listener.accept()
                if len(self._clients) >= MOST_CLIENTS:
                    client.close()
                    continue
                client.setblocking(False)
                client.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, HELD_BYTES)
                self._clients.append(client)
                self._tap.open = True
                self._sent_s = 0.0  # send a line at once, but never more than ten a second

    def _discard_input(self, client: socket.socket) -> None:
        """Discard what the client sends; drop the client at its end of stream."""
        try:
            if client.recv(4096):
                return
        except BlockingIOError:
            return
        except OSError:
            pass
        self._drop(client)

    def _send(self) -> None:
        now_s = time.monotonic()
        self._due_s = now_s + PERIOD_S
        views = self._tap.take()
        if not views and now_s - self._sent_s < ALIVE_S:
            return
        self._sent_s = now_s
        reading = self._reading(views)
        if views and reading.keyed and len(views[-1].keyed) and not views[-1].keyed[-1]:
            self._due_s = now_s + LEAST_S  # the key is up again, which only the next line can say
        line = encode(reading)
        for client in list(self._clients):
            try:
                if client.send(line, socket.MSG_NOSIGNAL) == len(line):
                    continue
            except OSError:  # client gone or its buffer full
                pass
            self._drop(client)

    def _drop(self, client: socket.socket) -> None:
        self._clients.remove(client)
        client.close()
        if not self._clients:
            self._tap.open = False
            self._tap.take()
