"""Driver `udp-pairs`: a bridge that sends `number,forward_mv,reflected_mv`, a datagram a pair."""

import socket

import msgspec
import numpy as np

from drivers.contract import LinkError, Monotone, SampleBlock, host_ns


class UdpPairsDriver:
    class Options(msgspec.Struct, forbid_unknown_fields=True):
        port: int
        host: str = "0.0.0.0"

    clock = "host"  # times are those of host_ns; the daemon dates them
    finite = False

    def __init__(self, options):
        self._address = (options.host, options.port)
        self._socket, self._next, self._monotone = None, None, Monotone()
        self.counters = {"malformed": 0}

    def open(self):
        self.close()
        self._socket = socket.socket(type=socket.SOCK_DGRAM)
        try:
            self._socket.bind(self._address)
        except (OSError, OverflowError) as error:
            self.close()
            raise LinkError(f"cannot listen on {self._address}: {error}; correct it") from error

    def read(self, timeout_s, linger_s):
        if self._socket is None:
            raise LinkError(f"{self._address} is not open")
        self._socket.settimeout(timeout_s)
        try:
            number, *pair_mv = map(int, self._socket.recv(99).split(b","))
            volts = np.array(pair_mv, dtype=float).reshape(2, 1) / 1000
        except (TimeoutError, BlockingIOError):
            return None
        except ValueError:
            self.counters["malformed"] += 1
            return None
        gap = self._next is not None and number != self._next
        self._next = number + 1
        return SampleBlock(self._monotone.update(np.array([host_ns()])), *volts, gap=gap)

    def notices(self):
        return []

    def close(self):
        if self._socket is not None:
            self._socket.close()
            self._socket = None
