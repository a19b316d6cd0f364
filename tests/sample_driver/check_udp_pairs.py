import socket

from drivers.contract_suite import Bench, DriverContract

with socket.socket(type=socket.SOCK_DGRAM) as free:
    free.bind(("127.0.0.1", 0))
    PORT = free.getsockname()[1]


class UdpBench(Bench):
    kind = "udp-pairs"
    numbers_pairs = True  # the driver can tell that some were lost

    def options(self):
        return {"port": PORT, "host": "127.0.0.1"}

    def absent(self):
        return {"port": PORT, "host": "192.0.2.1"}  # no address of this machine

    def say(self, number, forward_v, reflected_v):
        pair = f"{number},{1000 * forward_v:.0f},{1000 * reflected_v:.0f}"
        with socket.socket(type=socket.SOCK_DGRAM) as sender:
            sender.sendto(pair.encode(), ("127.0.0.1", PORT))


class TestUdpPairs(DriverContract):
    bench_class = UdpBench
