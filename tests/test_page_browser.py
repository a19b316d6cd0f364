"""The page in Chromium: beside the real daemon, at the sizes of a phone and a desk."""

from __future__ import annotations

import os
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.deadlines import scale
from tests.desk import Desk, desk
from tests.isolate_bench import hands
from tests.page_server import DESK, PHONE, TOKEN, Serving, chromium, serving
from tests.station import Running, line, mismatchd, pty, write_config
from tests.test_end_to_end import exported
from tests.test_page import SIMULATED
from tests.test_tune_command import MORE, TOLD, station

pytestmark = pytest.mark.realtime

RATE = 200
PAGES = (
    "/",
    "/transmissions",
    "/transmissions/1",
    "/faults",
    "/faults/1",
    "/alarms",
    "/alarms/1",
    "/journal",
    "/help",
    "/help/build.md",
    "/health",
    "/calibration",
    "/cables",
    "/tune",
    "/wiggle",
    "/isolate",
    "/verify",
    "/feedline",
)
SERIOUS = ("serious", "critical")
FAIR, HIGH = (4.0, 0.16), (4.0, 1.44)  # W forward and reflected: SWR 1.50 and 4.00


@contextmanager
def visitor(
    browser: Any, page: Serving, size: dict[str, int], scheme: str = "light"
) -> Iterator[Any]:
    """A tab that has given the token. What it asks for elsewhere, and what the browser finds fault
    with, is a failure."""
    context = browser.new_context(viewport=size, color_scheme=scheme, has_touch=size is PHONE)
    context.set_default_timeout(scale(30_000))
    tab = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    tab.on("console", lambda message: said.append(f"{message.type}: {message.text}"))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(f"{page.url}/enter#{TOKEN}")
    tab.locator("main button").click()
    tab.wait_for_url(f"{page.url}/")
    yield tab
    context.close()
    assert all(url.startswith(f"{page.url}/") for url in asked)
    faults = [words for words in said if "ERR_" not in words and not words.startswith("verbose")]
    assert faults == []


def told(tab: Any, name: str, wanted: str, seconds: float = 15.0) -> None:
    """Wait until the page shows this, a pattern."""
    tab.wait_for_function(
        "([name, wanted]) => new RegExp(wanted).test("
        "document.querySelector(`[data-show='${name}']`)?.textContent)",
        arg=[name, wanted],
        timeout=scale(1000) * seconds,
    )


def faults(tab: Any, axe: str) -> list[str]:
    """What axe-core finds that is serious."""
    tab.evaluate(axe)
    found = tab.evaluate("() => axe.run()")
    return [
        f"{tab.url}: {one['id']}: {node['html'][:200]}"
        for one in found["violations"]
        if one["impact"] in SERIOUS
        for node in one["nodes"]
    ]


@pytest.mark.nightly
def test_every_page_is_accessible(tmp_path: Path) -> None:
    import axe_playwright_python

    axe = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()
    (tmp_path / "token").write_text(TOKEN)
    config = write_config(tmp_path, "", **{**SIMULATED, "station": "{name: test, channel: 20}"})
    mismatchd("run", "-c", config)
    with (
        serving(config, "--token-file", str(tmp_path / "token")) as page,
        chromium() as browser,
        visitor(browser, page, PHONE) as tab,
        visitor(browser, page, DESK, "dark") as desk,
    ):
        for path in PAGES:
            tab.goto(page.url + path)
            assert faults(tab, axe) == []
            wide = tab.evaluate("() => document.documentElement.scrollWidth")
            assert wide <= PHONE["width"], path
        for path in ("/", "/transmissions/1", "/faults/1"):
            desk.goto(page.url + path)
            if path != "/":
                desk.wait_for_selector("svg.chart text")
            assert faults(desk, axe) == []
            if path != "/":
                read_values(desk)


def read_values(tab: Any) -> None:
    """The values of a chart by mouse and by keys."""
    chart = tab.locator("svg.chart").first
    shown = tab.locator("figure:has(svg.chart) output").first
    chart.hover(position={"x": 150, "y": 150})
    by_mouse = shown.text_content()
    assert re.match(r"[\d.:-]+ .*: .*\d", by_mouse), by_mouse
    chart.focus()
    told = {by_mouse}
    for key in ("ArrowLeft", "ArrowLeft", "ArrowDown", "ArrowRight"):
        tab.keyboard.press(key)
        told.add(shown.text_content())
    assert len(told) > 1
    assert tab.locator("svg.chart .chosen").count() == 1


def test_the_reading_the_alarm_and_the_daemon_that_comes_back(tmp_path: Path) -> None:
    (tmp_path / "token").write_text(TOKEN)
    daemons: list[Running] = []
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name, station="{name: harbour-workshop, channel: 20}")
        with (
            serving(config, "--token-file", str(tmp_path / "token")) as page,
            chromium() as browser,
            visitor(browser, page, PHONE) as tab,
        ):
            try:
                told(tab, "reason", "daemon is not running")
                daemons.append(Running(config))
                told(tab, "state", "key up")
                held.send(*FAIR)
                told(tab, "swr", r"^1\.50$")
                held.send(0, 0)
                told(tab, "state", "key up")
                told(tab, "ago", "s ago")
                daemons[0].wait_events(1, event="transmission")
                held.send(*HIGH)
                told(tab, "swr", r"^4\.00$")
                assert tab.locator("[data-show=forward]").text_content() == "4.00 W"
                told(tab, "alarms", "high-swr")
                assert tab.locator("[data-show=verdict]").text_content() == "too high"
                box = tab.locator(".swr .figure").bounding_box()
                assert box["height"] > 90  # to be read at arm's length
                assert box["x"] + box["width"] <= PHONE["width"]

                told(tab, "fault_line", "^Fault 1 open$")
                tab.locator("[data-links] a", has_text="Fault 1 open: Feedline").tap()
                tab.wait_for_selector("svg.chart text")
                assert "First sign" in tab.locator("main").text_content()
                tab.locator("[name=text]").fill("the plug is screwed tight")
                tab.locator("button", has_text="Note the repair").tap()
                tab.locator(".timeline li", has_text="the plug is screwed tight").wait_for()
                tab.goto(page.url)
                tab.locator("[data-alarms] a").tap()
                tab.locator("main li a", has_text="high-swr").first.tap()
                tab.locator("button", has_text="Acknowledge").tap()
                tab.wait_for_function("() => /, acknowledged/.test(document.body.textContent)")
                daemons[0].wait_events(1, change="acknowledged")

                tab.goto(page.url)
                told(tab, "state", "key down")
                daemons[0].kill()
                told(tab, "reason", "daemon is not running")
                held.send(0, 0)
                daemons.append(Running(config))
                told(tab, "state", "key up")
                held.send(*FAIR)
                told(tab, "swr", r"^1\.50$")
            finally:
                for daemon in daemons:
                    daemon.kill()


class Hand:
    """Writes a carrier to a pseudo-terminal; while it shakes, the contact opens twice a second."""

    def __init__(self, master: int) -> None:
        self.shakes = False
        self._master, self._ended = master, threading.Event()
        self._thread = threading.Thread(target=self._write)

    def __enter__(self) -> Hand:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _write(self) -> None:
        good, bad = line(4.0, 0.16), line(4.0, 3.2)
        at = begun = time.monotonic()
        while not self._ended.wait(max(0.0, at - time.monotonic())):
            opens = self.shakes and (at - begun) % 0.5 < 0.1
            os.write(self._master, (bad if opens else good) * (RATE // 50))
            at += 1 / 50


@pytest.mark.nightly
def test_wiggling_by_touch(tmp_path: Path) -> None:
    (tmp_path / "token").write_text(TOKEN)
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config)
        try:
            with (
                Hand(master) as hand,
                serving(config, "--token-file", str(tmp_path / "token")) as page,
                chromium() as browser,
                visitor(browser, page, PHONE) as tab,
                visitor(browser, page, DESK, "dark") as other,
            ):  # looks on, and taps nothing
                other.goto(f"{page.url}/wiggle")
                _wiggle(hand, page, tab)
        finally:
            daemon.kill()
    (entry,) = exported("journal", config)
    assert entry["kind"] == "remark"
    assert entry["text"].startswith("wiggled coupler in, ")


# The button may be drawn anew at any moment, so its height is asked for in the page.
HUGE = "() => document.querySelector('.huge')?.getBoundingClientRect().height > 100"


def _wiggle(hand: Hand, page: Serving, tab: Any) -> None:
    told(tab, "state", "key down")
    tab.goto(f"{page.url}/wiggle")
    assert "RF burns" in tab.locator(".cautions").text_content()
    tab.locator("[name=joints]").fill("radio\ncoupler in\nantenna")
    tab.locator("[name=seconds]").first.fill("120")
    tab.locator("button", has_text="Begin").tap()
    tab.locator("#sound").tap()
    tab.wait_for_function("() => document.body.dataset.hz > 300")  # 0.2 of three octaves
    for place, joint in enumerate(("radio", "coupler in", "antenna")):
        button = tab.locator(".huge")
        tab.wait_for_function(HUGE)
        told(tab, "session.hands_off.seconds", rf"^([{place + 1}-9]|\d\d)$")
        assert joint in button.text_content()
        button.tap()
        tab.locator(".counts .now", has_text=joint).wait_for()
        hand.shakes = joint == "coupler in"
        told(tab, f"session.joints.{place}.seconds", r"^([2-9]|\d\d)$")
        if hand.shakes:
            told(tab, "session.joints.1.excursions", "^[1-9]")
            tab.wait_for_function("() => document.body.dataset.hz > 700")
        hand.shakes = False
        tab.locator(".huge").tap()
        tab.locator(".counts .now").wait_for(state="detached")
    text = tab.locator(".ranking").text_content()
    first = re.search(r"radio|coupler in|antenna", text)
    assert first is not None
    assert first[0] == "coupler in"
    assert "release the key" in tab.locator("main").text_content()
    tab.locator("button", has_text="Done").tap()
    tab.locator("button", has_text="Begin").wait_for()


@pytest.mark.nightly
def test_adjusting_by_touch(tmp_path: Path) -> None:
    import axe_playwright_python

    axe = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()
    (tmp_path / "token").write_text(TOKEN)
    whip = station()
    with pty() as (master, name), desk(master, whip, told=True) as at:
        config = write_config(tmp_path, name, driver=TOLD.replace("PORT", name), **MORE)
        daemon = Running(config)
        try:
            daemon.wait_reading(config)
            with (
                serving(config, "--token-file", str(tmp_path / "token")) as page,
                chromium() as browser,
                visitor(browser, page, PHONE) as tab,
            ):
                _adjust(at, page, tab, axe)
        finally:
            daemon.kill()
    assert whip.true_swr(27.185) < 1.3
    (entry,) = exported("journal", config)
    assert re.match(r"tuned in \d+ steps? from 2600 mm to 26", entry["text"])


def _adjust(at: Desk, page: Serving, tab: Any, axe: str) -> None:
    tab.goto(f"{page.url}/tune")
    words = tab.locator(".cautions").text_content()
    assert "RF burns" in words
    assert "power lines" in words
    assert faults(tab, axe) == []
    tab.locator("[name=at]").fill("2600")
    tab.locator("button", has_text="Begin").tap()
    tab.locator(".task", has_text="Key a low, a middle and a high channel").wait_for()
    told(tab, "state", "key up")
    for turn in range(4):
        for count, channel in enumerate((1, 20, 40), 1):
            at.key(channel)
            tab.locator(".counts tr").nth(count).wait_for(timeout=scale(10_000))
        tab.locator("p", has_text="Resonance at").wait_for()
        text = " ".join(tab.locator("main").text_content().split())
        assert "nobody may touch a keyed antenna" in text
        if turn == 0:
            assert "It is too short" in text
            assert faults(tab, axe) == []
            assert tab.evaluate("() => document.documentElement.scrollWidth") <= PHONE["width"]
            tab.locator("svg.chart text").first.wait_for()
        if "Leave it here" in text:
            break
        button = tab.locator(".huge")
        tab.wait_for_function(HUGE)
        found = re.search(r"(\d+) mm", button.text_content())
        assert found is not None
        at.station.set(float(found[1]))
        button.tap()
        tab.locator(".task", has_text=f"position {turn + 2}").wait_for()
    tab.locator("button", has_text="Done").tap()
    tab.locator("button", has_text="Begin").wait_for()
