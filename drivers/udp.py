"""Driver `udp`: a bridge that sends its lines as datagrams, one or more lines each.

The lines are those of `text-lines`. Nothing tells lost datagrams from pairs that were never sent;
a column `time_us` at least dates the others. Any host on the network can send datagrams: state the
bridge's address as `sender`, and use this on a network that you trust.
"""

from __future__ import annotations

import os
import select
import socket
from ipaddress import ip_address
from typing import Annotated

from msgspec import Meta

from drivers.contract import LinkError
from drivers.text_lines.driver import LineDriver, LineOptions

MOST_BYTES = 65536  # a datagram is not longer
MOST_DATAGRAMS = 500  # taken in one read


class UdpOptions(LineOptions, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind."""

    port: Annotated[int, Meta(ge=1, le=65535, description="Port on which datagrams arrive.")]
    address: Annotated[
        str, Meta(description="Address of this host at which they arrive; default: any.")
    ] = "0.0.0.0"
    sender: Annotated[
        str | None,
        Meta(description="Address of the bridge: datagrams from any other are dropped."),
    ] = None

    def __post_init__(self) -> None:
        super().__post_init__()
        for address in filter(None, (self.address, self.sender)):
            ip_address(address)  # raises ValueError


class UdpLink:
    """A socket that receives datagrams; see `Link`. It is never lost, only silent."""

    def __init__(self, options: UdpOptions) -> None:
        self.generation = 0
        self.away: str | None = None
        self.counters = {"foreign": 0}  # datagrams of others
        self._address = (options.address, options.port)
        self._sender = None if options.sender is None else ip_address(options.sender)
        self._socket: socket.socket | None = None
        self._wake = -1  # an eventfd that ends any wait

    def open(self, *, wait: bool = False) -> None:
        """Bind the socket. Raise LinkError."""
        self.close()
        is_v6 = ip_address(self._address[0]).version == 6
        opened = socket.socket(socket.AF_INET6 if is_v6 else socket.AF_INET, socket.SOCK_DGRAM)
        try:
            opened.setblocking(False)
            opened.bind(self._address)
        except OSError as error:
            opened.close()
            where = f"{self._address[0]} port {self._address[1]}"
            raise LinkError(
                f"cannot receive at {where}: {error.strerror}; correct `address` or `port`"
            ) from error
        self._socket, self._wake = opened, os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.generation += 1

    def read(self, timeout_s: float) -> bytes:
        """Return the lines of all datagrams that have arrived; see `Link`."""
        if self._socket is None:
            raise LinkError(f"{self._address[0]} port {self._address[1]} is not open")
        descriptors = [self._socket.fileno(), self._wake]
        ready, _, _ = select.select(descriptors, [], [], timeout_s)
        return self._receive(self._socket) if descriptors[0] in ready else b""

    def _receive(self, opened: socket.socket) -> bytes:
        lines = bytearray()
        for _ in range(MOST_DATAGRAMS):
            try:
                data, origin = opened.recvfrom(MOST_BYTES)
            except OSError:  # nothing is left, or an answer of the network to nothing of ours
                break
            if self._sender is not None and ip_address(origin[0]) != self._sender:
                self.counters["foreign"] += 1
            else:
                lines += data + b"\n"
        return bytes(lines)

    def notices(self) -> list[str]:
        return []

    def close(self) -> None:
        """Release the port."""
        if self._socket is not None:
            os.eventfd_write(self._wake, 1)
            self._socket.close()
            os.close(self._wake)
            self._socket = None


class UdpDriver(LineDriver):
    """Reads the lines from datagrams."""

    Options = UdpOptions

    def __init__(self, options: UdpOptions) -> None:
        super().__init__(options, UdpLink(options))
