"""Takes a picture of every screen of the page: phone and desk, light and dark.

python -m tests.bench.screens FOLDER

Four invented stations: one with years, faults, checks of the coupler and a running daemon; one with
quiet years; one that has not run yet; one whose configuration is invalid. Prints pages that are
wider than the screen and texts that are cut.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import yaml

from logger.daily import Days
from logger.live.status import ask
from logger.store.verifications import Verifications
from logger.utc import DAY_NS, format_ns
from logger.verification.row import Verification
from tests import drift_store
from tests.deadlines import wait_until
from tests.page_server import DESK, PHONE, TOKEN, Serving, chromium, serving
from tests.station import mismatchd

ROOT = Path(__file__).parents[2]
SIZES = {"phone": PHONE, "desk": DESK}
SCHEMES = ("light", "dark")
YEARS = 2.2
LEVELS = {3: 1.35, 20: 1.18, 38: 1.42}
PAGES = (
    *("", "faults", "faults/1", "alarms", "alarms/1", "transmissions", "transmissions/LAST"),
    *("captures", "captures/1", "drift", "report", "journal", "cables", "health", "calibration"),
    *("help", "help/build.md", "help/reference.md", "help/troubleshooting.md"),
    *("tune", "wiggle", "isolate", "feedline", "verify", "enter", "nothing-here"),
)
EMPTY = (
    "",
    "faults",
    "alarms",
    "transmissions",
    "captures",
    "drift",
    "report",
    "journal",
    "health",
)
BEGIN: dict[str, dict[str, str]] = {
    "tune": {"at": "2700", "length": "2700"},
    "wiggle": {},
    "isolate": {},
    "feedline": {"length": "18"},
    "verify": {},
}
CUT = """() => [...document.querySelectorAll("main *, header *, nav *")].filter(each =>
    each.scrollWidth > each.clientWidth + 1 && getComputedStyle(each).overflowX === "hidden" &&
    !each.closest(".unseen, .skip, svg")
).map(each => each.outerHTML.slice(0, 120))"""


def write_days(path: Path, years: float) -> None:
    """A store with so many years of daily use up to yesterday."""
    rng = np.random.default_rng(5)
    last = time.time_ns() // DAY_NS - 1
    days = np.arange(last - round(365 * years), last)
    used = []
    for number, level in LEVELS.items():
        chosen = days[rng.random(len(days)) < 0.8]
        season = 0.06 * np.cos(2 * np.pi * (chosen - days[0]) / 365.25)
        step = 0.25 * (chosen > last - 200) * (number == 38)
        swr = level + season + step + rng.normal(0, 0.03, len(chosen))
        ones = np.ones(len(chosen))
        used.append(
            Days(
                channel=number,
                frequency_khz=None,
                day=chosen,
                swr=np.maximum(swr, 1.0),
                spread=0.02 * ones,
                transmissions=4 * ones.astype(np.int64),
                power_w=4 * ones,
                calibration=np.zeros(len(chosen), dtype=np.int64),
            )
        )
    drift_store.write(path, used)


def write_checks(path: Path) -> None:
    """A year of monthly checks of the coupler, the last two drifting."""
    rng = np.random.default_rng(6)
    with Verifications.editor(path) as store:
        for month in range(12, 0, -1):
            drift_db = 0.35 * (month < 3)
            store.conclude(
                Verification(
                    time_ns=time.time_ns() - month * 30 * DAY_NS,
                    forward_w=4.0,
                    reflected_w=0.004,
                    open_forward_w=0.8,
                    open_reflected_w=0.79,
                    reference_w=4.1,
                    forward_db=drift_db + rng.normal(0, 0.05),
                    forward_u_db=0.05,
                    forward_expected_u_db=0.1,
                    load_db=rng.normal(0, 0.1),
                    load_u_db=0.1,
                    load_expected_u_db=0.3,
                    open_db=rng.normal(0, 0.03),
                    open_u_db=0.03,
                    open_expected_u_db=0.1,
                    channel=20,
                    calibration_id="coupler",
                )
            )


def make_stations(folder: Path) -> Path:
    """Write configurations and stores; return the configuration of the station that runs."""
    demo = yaml.safe_load((ROOT / "config.example.yaml").read_text())
    paths = {}
    for name in ("harbour", "pier", "loft"):
        content = {
            "station": {"name": f"{name}-workshop", "channel_plan": "cept"},
            "driver": dict(demo["driver"]),
            "store": {"path": f"{name}.sqlite"},
            "feedline": {"cable": "RG-58", "length_m": 18},
        }
        paths[name] = folder / f"{name}.yaml"
        paths[name].write_text(yaml.safe_dump(content))
    (folder / "attic.yaml").write_text("station: {name: attic}\ndriver: {kind: text-line}\n")
    config = paths["harbour"]
    for name in ("harbour", "pier"):
        write_days(folder / f"{name}.sqlite", YEARS)
    write_checks(folder / "harbour.sqlite")
    content = yaml.safe_load(config.read_text())
    live = msgspec.json.decode(msgspec.json.encode(content))
    begin_ns = time.time_ns() - 3 * 3600 * 10**9
    content["driver"] |= {"pace": "fast", "start_utc": f"{format_ns(begin_ns)[:19]}Z"}
    config.write_text(yaml.safe_dump(content))
    mismatchd("run", "-c", config)
    mismatchd("journal", "add", "new plug at the arrester", "--kind", "repair", "-c", config)
    mismatchd("journal", "add", "storm, gusts to 25 m/s", "--kind", "weather", "-c", config)
    # What runs meanwhile: keyed every eight seconds, with a contact that opens.
    overs = [
        {
            "at_s": at,
            "duration_s": 5,
            "mode": "fm",
            "channel": (3, 20, 38)[at // 8 % 3],
            "power_w": 4,
        }
        for at in range(3, 4000, 8)
    ]
    loose = {"kind": "intermittent", "where": "shack-plug", "at_s": 0, "duration_s": 4000}
    live["driver"] = {
        **{key: demo["driver"][key] for key in ("kind", "seed", "station")},
        "pace": "realtime",
        "operator": {"transmissions": overs},
        "faults": [{**loose, "rate_per_s": 0.2, "length_ms": 30}],
    }
    config.write_text(yaml.safe_dump(live))
    return config


class Album:
    """Pictures of pages by visitors who have given the token."""

    def __init__(self, folder: Path, browser: Any, page: Serving) -> None:
        self._folder, self._url = folder, page.url
        self.tabs = {}
        for size, viewport in SIZES.items():
            for scheme in SCHEMES:
                context = browser.new_context(viewport=viewport, color_scheme=scheme)
                context.set_default_timeout(60_000)
                tab = context.new_page()
                tab.goto(f"{self._url}/stations/harbour/enter#{TOKEN}")
                tab.locator("main button").click()
                tab.wait_for_load_state()
                self.tabs[f"{size}-{scheme}"] = tab

    def take(self, path: str, name: str = "") -> None:
        """Take the pictures of a page."""
        name = name or path.strip("/").removeprefix("stations/").replace("/", "-") or "stations"
        for kind, tab in self.tabs.items():
            tab.goto(f"{self._url}{path}")
            tab.wait_for_function("() => !document.querySelector('.wait')")
            tab.wait_for_timeout(400)
            tab.screenshot(path=self._folder / f"{name}--{kind}.png", full_page=True)
            wide = tab.evaluate("() => document.documentElement.scrollWidth")
            if wide > tab.viewport_size["width"]:
                print(f"{name} {kind}: {wide} px wide")
            for cut in tab.evaluate(CUT):
                print(f"{name} {kind}: cut: {cut}")

    def begin(self, address: str, name: str) -> None:
        """Begin a session on the page."""
        tab = next(iter(self.tabs.values()))
        tab.goto(f"{self._url}{address}")
        form = tab.locator(f"form[action='{address}/begin']")
        for field, value in BEGIN[name].items():
            form.locator(f"[name={field}]").fill(value)
        for box in form.locator("input[required][type=checkbox], input[value=open]").all():
            box.check()
        form.get_by_role("button", name="Begin").click()
        tab.locator("#session:not([data-step='-1'])").wait_for()

    def tap(self, words: str) -> None:
        """Press a button of the session."""
        tab = next(iter(self.tabs.values()))
        tab.get_by_role("button", name=words).first.click()
        tab.wait_for_timeout(500)


def screens(last: int) -> Iterator[str]:
    """Yield the addresses of all pages without a session."""
    yield "/stations/"
    for path in PAGES:
        yield f"/stations/harbour/{path.replace('LAST', str(last))}"
    for path in EMPTY:
        yield f"/stations/loft/{path}"
    yield "/stations/pier/"


def main(folder: Path) -> None:
    """Write the pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        stations = Path(scratch)
        (stations / "token").write_text(TOKEN)
        config = make_stations(stations)
        rows = mismatchd("export", "transmissions", "--format", "jsonl", "-c", config).stdout
        last = msgspec.json.decode(rows.splitlines()[-1])["id"]
        run = (sys.executable, "-m", "logger.cli", "run", "-c", str(config))
        daemon = subprocess.Popen(run, stderr=subprocess.DEVNULL)
        try:
            assert wait_until(lambda: ask(stations / "harbour.sqlite"), 30.0)
            token = ("--token-file", str(stations / "token"))
            with serving(config, "--station", "all", *token) as page, chromium() as browser:
                album = Album(folder, browser, page)
                for path in screens(last):
                    album.take(path)
                for name in BEGIN:
                    address = f"/stations/harbour/{name}"
                    album.begin(address, name)
                    if name == "isolate" or name == "wiggle":
                        album.take(address, f"{name}-first")
                    album.tabs["phone-light"].goto(f"{page.url}{address}")
                    time.sleep(20)  # some transmissions are read
                    album.take(address, f"{name}-session")
                    if album.tabs["phone-light"].get_by_role("button", name="later").count():
                        album.tap("later")
                        album.take(address, f"{name}-interrupted")
        finally:
            daemon.terminate()
            daemon.wait()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
