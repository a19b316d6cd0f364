"""A TCP server that behaves badly in one way, whatever its client says."""

from __future__ import annotations

import contextlib
import gzip
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator

Behaviour = Callable[[socket.socket], None]

BOMB = gzip.compress(bytes(200 << 20), 9)  # 200 MB in 200 kB
PAGE = b"<!DOCTYPE html><html><title>Log in</title></html>"


def silence(peer: socket.socket) -> None:
    """Say nothing."""
    peer.recv(1)
    time.sleep(30)


def reset(peer: socket.socket) -> None:
    """Reset the connection."""
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def drip(head: bytes) -> Behaviour:
    """Send `head`, then a byte now and then."""

    def behave(peer: socket.socket) -> None:
        peer.sendall(head)
        for _ in range(300):
            peer.sendall(b"x")
            time.sleep(0.1)

    return behave


def endless(head: bytes, part: bytes) -> Behaviour:
    """Send `head`, then `part` for ever, as fast as the client takes it."""

    def behave(peer: socket.socket) -> None:
        peer.sendall(head)
        chunk = part * (1 + 65536 // len(part))
        while True:
            peer.sendall(chunk)

    return behave


def answer(status: str, body: bytes, *headers: str) -> Behaviour:
    """Answer a request of HTTP once it has come."""

    def behave(peer: socket.socket) -> None:
        peer.recv(65536)
        lines = [f"HTTP/1.1 {status}", f"content-length: {len(body)}", *headers, "", ""]
        peer.sendall("\r\n".join(lines).encode() + body)
        peer.recv(65536)

    return behave


@contextlib.contextmanager
def hostile_peer(behave: Behaviour) -> Iterator[int]:
    """A server that treats each client so, from here to the end of the block; its port."""
    peers: list[socket.socket] = []

    def treat(peer: socket.socket) -> None:
        with contextlib.suppress(OSError), peer:
            behave(peer)

    def accept(listener: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                peers.append(listener.accept()[0])
                threading.Thread(target=treat, args=(peers[-1],), daemon=True).start()

    with socket.create_server(("127.0.0.1", 0)) as listener:
        threading.Thread(target=accept, args=(listener,), daemon=True).start()
        yield listener.getsockname()[1]
        listener.shutdown(socket.SHUT_RDWR)
    for peer in peers:
        peer.close()
