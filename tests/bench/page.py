"""Prints what visitors of the page cost the daemon: latency of alarms without the page, with it and
nobody there, and with fifty who read slowly beside a flood of requests.

python -m tests.bench.page [alarms] [rounds]
python -m tests.bench.page pixels [key-downs]

The visitors are a process of their own at the lowest priority: they stand for other machines.
`pixels` prints the time from the first pair of a key-down, or of a key-up, on the serial port until
a browser on this machine has painted it.
"""

from __future__ import annotations

import http.client
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from tests.bench.latency import measure
from tests.page_server import chromium, serving
from tests.station import Running, line, pty, write_config

RATE = 200
SLOW, FLOODING = 50, 2
READ_BYTES, READ_S = 64, 0.5  # one who is slow
ASKED = ("/", "/transmissions", "/alarms", "/captures", "/journal", "/drift", "/wiggle")
LIMIT_MS = 2.0


class Crowd:
    """Those who look on: how many are connected, how many requests were answered, and how."""

    def __init__(self, port: int, slow: int, flooding: int) -> None:
        self.port, self.ended = port, threading.Event()
        self.answers: dict[int, int] = {}
        self.sockets = [_stream(port) for _ in range(slow)]
        self.threads = [threading.Thread(target=self._dawdle)]
        self.threads += [threading.Thread(target=self._flood) for _ in range(flooding)]
        for thread in self.threads:
            thread.start()

    def end(self) -> int:
        """Let go; how many of the slow ones were still served."""
        self.ended.set()
        for thread in self.threads:
            thread.join()
        served = sum(_alive(each) for each in self.sockets)
        for each in self.sockets:
            each.close()
        return served

    def _dawdle(self) -> None:
        while not self.ended.wait(READ_S):
            for each in self.sockets[::2]:  # the others never read
                with suppress(OSError):  # it was let go
                    each.recv(READ_BYTES)

    def _flood(self) -> None:
        """As fast as it goes, over connections that stay."""
        while not self.ended.is_set():
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
            try:
                for path in ASKED * 20:
                    if self.ended.is_set():
                        break
                    connection.request("GET", path)
                    answer = connection.getresponse()
                    answer.read()
                    self.answers[answer.status] = self.answers.get(answer.status, 0) + 1
            except (OSError, http.client.HTTPException):
                self.answers[0] = self.answers.get(0, 0) + 1
            finally:
                connection.close()


def _stream(port: int) -> socket.socket:
    made = socket.socket()
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    made.connect(("127.0.0.1", port))
    made.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    time.sleep(0.06)  # within the pace of one address
    return made


def _alive(stream: socket.socket) -> bool:
    stream.setblocking(False)
    try:
        return stream.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


@contextmanager
def visited(store: Path, slow: int, flooding: int, said: list[str]) -> Iterator[None]:
    """The page of a daemon, and a crowd before it."""
    with serving(store.parent.parent / "config.yaml") as page:
        crowd = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tests.bench.page",
                "crowd",
                *map(str, (page.port, slow, flooding)),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert crowd.stdout is not None
        assert crowd.stdout.readline() == "here\n"
        try:
            yield
        finally:
            said.append(crowd.communicate()[0].strip())


def come(port: int, slow: int, flooding: int) -> None:
    """Be a crowd until the input ends."""
    os.nice(19)
    crowd, begun_s = Crowd(port, slow, flooding), time.monotonic()
    print("here", flush=True)
    sys.stdin.read()
    took_s = time.monotonic() - begun_s
    served = crowd.end()
    counts = ", ".join(f"{n} x {code}" for code, n in sorted(crowd.answers.items()))
    each_s = sum(crowd.answers.values()) / took_s
    print(f"{served} of {slow} streams served; {each_s:.0f} requests/s: {counts}")


PIXEL_MS = 150.0  # 95 % of key-downs and key-ups are on the screen within this time
PAINTED = """() => {
    const part = document.querySelector("[data-show=state]");
    window.painted = [];
    new MutationObserver(() => requestAnimationFrame(() => {
        const after = new MessageChannel();  // its message follows the frame
        const text = part.textContent;
        after.port1.onmessage = () =>
            window.painted.push([(performance.timeOrigin + performance.now()) / 1e3, text]);
        after.port2.postMessage(0);
    })).observe(part, {childList: true, characterData: true, subtree: true});
}"""


class Keyer:
    """Writes RATE pairs a second to a pseudo-terminal, and notes when the key moved."""

    def __init__(self, master: int) -> None:
        self.moves: list[tuple[float, str]] = []
        self._master, self._down, self._ended = master, False, threading.Event()
        self._thread = threading.Thread(target=self._write)
        self._thread.start()

    def _write(self) -> None:
        lines, shown = {True: line(4.0, 0.16), False: line(0, 0)}, False
        while not self._ended.wait(1 / RATE):
            down = self._down
            if down != shown:
                self.moves.append((time.time(), "key down" if down else "key up"))
                shown = down
            os.write(self._master, lines[down])

    def move(self) -> None:
        """Put the key down, or release it."""
        self._down = not self._down

    def end(self) -> None:
        """Stop writing."""
        self._ended.set()
        self._thread.join()


def pixels(key_downs: int) -> None:
    """Print the time from pair to pixel."""
    rng = np.random.default_rng(3)
    with tempfile.TemporaryDirectory() as folder, pty() as (master, name):
        config = write_config(Path(folder), name)
        daemon, keyer = Running(config), Keyer(master)
        try:
            with serving(config) as page, chromium() as browser:
                tab = browser.new_page()
                tab.goto(page.url)
                tab.wait_for_function(
                    "() => document.querySelector('[data-show=state]').textContent === 'key up'"
                )
                tab.evaluate(PAINTED)
                for _ in range(2 * key_downs):
                    keyer.move()
                    tab.wait_for_timeout(rng.uniform(700, 1100))
                painted = tab.evaluate("painted")
        finally:
            keyer.end()
            daemon.kill()
    took_ms = [
        1e3 * min((at - moved_s for at, text in painted if text == word and at > moved_s))
        for moved_s, word in keyer.moves
    ]
    p50, p95 = np.percentile(took_ms, [50, 95])
    print(
        f"pair to pixel, {len(took_ms)} moves of the key: median {p50:.0f} ms, p95 {p95:.0f} ms,"
        f" highest {max(took_ms):.0f} ms; {PIXEL_MS:g} ms are allowed for 95 %"
    )


CROWDS = {"no page": None, "page, nobody there": (0, 0), "crowded": (SLOW, FLOODING)}


def main(alarms: int, rounds: int) -> None:
    """Print all figures; the kinds of crowd take turns."""
    figures: dict[str, list[float]] = {name: [] for name in CROWDS}
    said: list[str] = []
    for _ in range(rounds):
        for name, counts in CROWDS.items():
            if counts is None:
                figures[name] += measure(RATE, alarms)
            else:
                figures[name] += measure(
                    RATE, alarms, lambda store, counts=counts: visited(store, *counts, said)
                )
    middle = {}
    for name, values in figures.items():
        middle[name], p99 = np.percentile(values, [50, 99])
        print(
            f"alarms, {name}: {len(values)} of them, median {middle[name]:.2f} ms,"
            f" p99 {p99:.2f} ms, highest {max(values):.2f} ms"
        )
    for words in said[1::2]:
        print(f"crowded: {words}")
    more = middle["crowded"] - middle["no page"]
    print(f"the crowd adds {more:+.2f} ms to the median; {LIMIT_MS:g} ms are allowed")


if __name__ == "__main__" and sys.argv[1:2] == ["crowd"]:
    come(*map(int, sys.argv[2:]))
elif __name__ == "__main__" and sys.argv[1:2] == ["pixels"]:
    pixels(int(sys.argv[2]) if len(sys.argv) > 2 else 40)
elif __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 20,
        int(sys.argv[2]) if len(sys.argv) > 2 else 2,
    )
