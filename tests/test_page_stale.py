"""What is old is not shown: the browser says UNKNOWN whatever stops before the pixel."""

from __future__ import annotations

import base64
import io
import os
import selectors
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from logger.charts.palette import BRICK
from tests.deadlines import in_time, scale
from tests.isolate_bench import Hands, hands
from tests.page_server import PHONE, Serving, chromium, serving
from tests.station import Running, pty, write_config

pytestmark = pytest.mark.realtime

LIMIT_S = 1.5
UNKNOWN = "UNKNOWN: do not touch"
CARRIER = (4.0, 0.16)  # W forward and reflected
# Every text that the state of the key had, with the time when it came.
RECORD = """() => {
    const part = document.querySelector("[data-show=state]");
    window.states = [[Date.now() / 1e3, part.textContent]];
    new MutationObserver(() => window.states.push([Date.now() / 1e3, part.textContent]))
        .observe(part, {childList: true, characterData: true, subtree: true});
}"""
BLOCK = "ms => setTimeout(() => { for (const t = Date.now(); Date.now() - t < ms; ); }, 10)"


class Network:
    """A relay in front of the page that can stop to pass bytes; connections stay open."""

    def __init__(self, port: int) -> None:
        self._to, self.hangs, self._ended = port, False, False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        self._peers: dict[socket.socket, socket.socket] = {}
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._listener, selectors.EVENT_READ)
            while not self._ended:
                for key, _ in () if self.hangs else selector.select(0.01):
                    if key.fileobj is self._listener:
                        near = self._listener.accept()[0]
                        far = socket.create_connection(("127.0.0.1", self._to))
                        self._peers |= {near: far, far: near}
                        for each in (near, far):
                            selector.register(each, selectors.EVENT_READ)
                        continue
                    here: Any = key.fileobj
                    there, data = self._peers.get(here), b""
                    if there is None:
                        continue
                    with suppress(OSError):
                        data = here.recv(65536)
                        there.sendall(data)
                    if not data:
                        for each in (here, there):
                            selector.unregister(each)
                            each.close()
                            del self._peers[each]
                if self.hangs:
                    time.sleep(0.01)

    def close(self) -> None:
        """End the thread and all connections."""
        self._ended = True
        self._thread.join()
        for each in (self._listener, *self._peers):
            each.close()


@contextmanager
def station(tmp_path: Path) -> Iterator[tuple[Hands, Running, Serving, Network, Any]]:
    """A daemon whose key is up, its page, and a browser behind a network that may hang."""
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            with serving(config) as page, chromium() as browser:
                network = Network(page.port)
                context = browser.new_context(viewport=PHONE)
                context.set_default_timeout(scale(30_000))
                tab = context.new_page()
                try:
                    tab.goto(network.url)
                    shown(tab, "key up")
                    tab.evaluate(RECORD)
                    yield held, daemon, page, network, tab
                finally:
                    network.close()
        finally:
            daemon.kill()


def shown(tab: Any, state: str) -> None:
    """Wait until the page says this of the key."""
    tab.wait_for_function(
        "state => document.querySelector('[data-show=state]').textContent === state", arg=state
    )


def states(tab: Any, since_s: float) -> list[tuple[float, str]]:
    """What the page said of the key, and how long after `since_s`."""
    return [(at - since_s, text) for at, text in tab.evaluate("states") if at > since_s]


def unknown_after(tab: Any, since_s: float) -> None:
    """The page says in time that nothing is known."""
    shown(tab, UNKNOWN)
    took_s = next(at for at, text in states(tab, since_s) if text == UNKNOWN)
    assert in_time(took_s, LIMIT_S)


def test_what_stops_makes_the_key_unknown(tmp_path: Path) -> None:
    with station(tmp_path) as (held, daemon, page, network, tab):
        for process in (daemon.process, page.process):  # stopped, but not ended
            shown(tab, "key up")
            since_s = time.time()
            os.kill(process.pid, signal.SIGSTOP)
            held.send(*CARRIER)
            unknown_after(tab, since_s)
            os.kill(process.pid, signal.SIGCONT)
            shown(tab, "key down")
            assert "key up" not in [text for _, text in states(tab, since_s)]
            held.send(0, 0)

        shown(tab, "key up")
        since_s = time.time()
        network.hangs = True
        held.send(*CARRIER)
        unknown_after(tab, since_s)
        assert tab.evaluate("() => document.body.classList.contains('unknown')")
        time.sleep(scale(1.0))
        network.hangs = False  # what was on its way arrives now, seconds old
        shown(tab, "key down")
        assert "key up" not in [text for _, text in states(tab, since_s)]

        since_s = time.time()
        daemon.process.kill()
        unknown_after(tab, since_s)
        tab.wait_for_function(
            "() => document.querySelector('[data-show=reason]').textContent.includes('not running')"
        )


def test_a_page_that_slept_knows_nothing(tmp_path: Path) -> None:
    with station(tmp_path) as (held, _, _, _, tab):
        browser = tab.context.browser.new_browser_cdp_session()
        processes = browser.send("SystemInfo.getProcessInfo")["processInfo"]
        renderers = [process["id"] for process in processes if process["type"] == "renderer"]
        since_s = time.time()
        for pid in renderers:
            os.kill(pid, signal.SIGSTOP)
        held.send(*CARRIER)
        time.sleep(scale(2.0))
        for pid in renderers:
            os.kill(pid, signal.SIGCONT)
        shown(tab, "key down")  # what arrived meanwhile said otherwise
        assert "key up" not in [text for _, text in states(tab, since_s)]

        # While a machine sleeps, the clock of the tab may stand; the wall clock does not.
        tab.evaluate(
            "() => { const now = Date.now; Date.now = () => now() + 3.6e6;"
            " setTimeout(() => Date.now = now, 2000) }"
        )
        shown(tab, UNKNOWN)
        shown(tab, "key down")

        tab.evaluate("() => document.dispatchEvent(new Event('freeze'))")
        assert tab.locator("[data-show=state]").text_content() == UNKNOWN
        tab.evaluate("() => document.dispatchEvent(new Event('resume'))")
        shown(tab, "key down")


def test_a_frozen_script_cannot_keep_an_old_state_on_the_screen(tmp_path: Path) -> None:
    with station(tmp_path) as (_, _, _, _, tab):
        frames: list[tuple[float, bytes]] = []
        session = tab.context.new_cdp_session(tab)

        def keep(frame: dict[str, Any]) -> None:
            frames.append((frame["metadata"]["timestamp"], base64.b64decode(frame["data"])))
            session.send("Page.screencastFrameAck", {"sessionId": frame["sessionId"]})

        session.on("Page.screencastFrame", keep)
        session.send("Page.startScreencast", {"format": "png"})
        tab.wait_for_timeout(300)
        since_s = time.time()
        hangs_s = scale(3.0)
        tab.evaluate(BLOCK, 1000 * hangs_s)
        tab.wait_for_timeout(1000 * hangs_s)
        covers = [
            (at - since_s, share(picture, BRICK) > 0.08)
            for at, picture in frames
            if since_s + 0.2 < at < since_s + 0.9 * hangs_s
        ]
        assert in_time(next(at for at, is_covered in covers if is_covered), LIMIT_S)
        assert covers[-1][1]
        shown(tab, "key up")


def share(picture: bytes, colour: str) -> float:
    """Share of the pixels that have this colour."""
    with Image.open(io.BytesIO(picture)) as image:
        pixels = np.asarray(image.convert("RGB"), dtype=int)
    wanted = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    return float((np.abs(pixels - wanted).max(axis=2) < 12).mean())
