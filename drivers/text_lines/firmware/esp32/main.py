"""Bridge for ESP32-class boards, in MicroPython: lines for a TCP client over Wi-Fi. See WIRING.md.

It runs at start-up if it is named main.py on the board. bridge_settings.py beside it has at least
SSID and PASSWORD; the constants defined with `choice` can be overridden there.
"""

import errno
import socket
from time import sleep_us, ticks_add, ticks_diff, ticks_us

import bridge_settings
import machine
import network


def choice(name, usual):
    return getattr(bridge_settings, name, usual)


FORWARD_PIN = choice("FORWARD_PIN", 34)  # inputs of the first converter; the second one
REFLECTED_PIN = choice("REFLECTED_PIN", 35)  # does not work beside Wi-Fi
PERIOD_US = choice("PERIOD_US", 5000)
PORT = choice("PORT", 27207)
HEADER = b"forward_mv,reflected_mv,time_us\n"
LINES = 10  # sent together
MOST_BYTES = 4000  # that may wait for the network; further pairs are dropped
WATCHDOG_MS = 8000
SECOND_US = 1_000_000
WRAP_US = 1 << 32  # the clock of the lines counts in 32 bits


class Inputs:
    """Both detectors, read in the order F R R F so that both readings have the same mean time."""

    def __init__(self):
        self.forward, self.reflected = (
            machine.ADC(machine.Pin(pin), atten=machine.ADC.ATTN_11DB)
            for pin in (FORWARD_PIN, REFLECTED_PIN)
        )

    def read_mv(self):
        first_uv = self.forward.read_uv()
        reflected_uv = self.reflected.read_uv() + self.reflected.read_uv()
        return (first_uv + self.forward.read_uv()) / 2000, reflected_uv / 2000


class Server:
    """Sends to one client: the last one that connected."""

    def __init__(self):
        self.listening = socket.socket()
        self.listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.listening.bind(socket.getaddrinfo("0.0.0.0", PORT)[0][-1])
        self.listening.listen(1)
        self.listening.setblocking(False)
        self.client = None
        self.waiting = b""

    def accept(self):
        try:
            client, _ = self.listening.accept()
        except OSError:  # nobody
            return
        self.drop()
        client.setblocking(False)
        self.client, self.waiting = client, HEADER

    def send(self, lines):
        if self.client is None:
            return
        if len(self.waiting) + len(lines) <= MOST_BYTES:
            self.waiting += lines
        try:
            self.waiting = self.waiting[self.client.send(self.waiting) :]
        except OSError as error:
            if error.errno != errno.EAGAIN:
                self.drop()

    def drop(self):
        if self.client is not None:
            self.client.close()
            self.client = None


def run():
    wifi = network.WLAN(network.STA_IF)
    wifi.active(True)
    watchdog = machine.WDT(timeout=WATCHDOG_MS)
    inputs, server = Inputs(), Server()
    clock_us = 0
    last_us = next_us = ticks_us()
    joined_us = ticks_add(last_us, -SECOND_US)
    lines = []
    while True:
        if not wifi.isconnected() and ticks_diff(ticks_us(), joined_us) >= 10 * SECOND_US:
            wifi.connect(bridge_settings.SSID, bridge_settings.PASSWORD)
            joined_us = ticks_us()
        early_us = ticks_diff(next_us, ticks_us())
        if early_us > 0:
            sleep_us(early_us)
        elif early_us < -SECOND_US:  # it was held up; what was missed is not made up for
            next_us = ticks_us()
        next_us = ticks_add(next_us, PERIOD_US)
        now_us = ticks_us()
        clock_us = (clock_us + ticks_diff(now_us, last_us)) % WRAP_US
        last_us = now_us
        forward_mv, reflected_mv = inputs.read_mv()
        lines.append(f"{forward_mv:.1f},{reflected_mv:.1f},{clock_us}\n")
        if len(lines) >= LINES:
            server.accept()
            server.send("".join(lines).encode())
            lines = []
        watchdog.feed()


if __name__ == "__main__":
    run()
