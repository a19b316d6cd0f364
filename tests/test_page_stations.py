"""Several stations on one page: each below its prefix, one guard before all."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.page.stations import add_prefix, list_keys
from tests import drift_store
from tests.deadlines import scale
from tests.page_server import PHONE, TOKEN, Serving, chromium, serving
from tests.test_page import Client
from tests.test_stations import HOSTILE, recent, station

__all__ = ["recent"]  # a fixture
pytestmark = pytest.mark.realtime

PAGES = (
    "/",
    "/faults",
    "/alarms",
    "/transmissions",
    "/journal",
    "/help",
    "/help/build.md",
    "/wiggle",
)


def test_keys_are_plain_and_differ() -> None:
    names = ["pier", "Pier", "../..", "", "häfen/1", HOSTILE, "pier-2", "all"]
    keys = list_keys(names)
    assert len(set(keys)) == len(names)
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", key) for key in keys)
    assert keys[:2] == ["pier", "pier-2"]


def test_only_addresses_of_the_station_get_the_prefix() -> None:
    html = (
        '<a class="x" href="/faults/1"><form action="/"><link href="/static/a.css">'
        '<a href="build.md"><a href="#main"><a href="/stations/loft/"><a href="https://example.org/">'
        '<div data-part="/charts/fault/1"> href=&#34;/alarms <input value="/journal">'
    )
    assert add_prefix(html, "") == html
    assert add_prefix(html, "/stations/pier") == html.replace(
        'href="/faults/1"', 'href="/stations/pier/faults/1"'
    ).replace('action="/"', 'action="/stations/pier/"').replace(
        'data-part="/charts', 'data-part="/stations/pier/charts'
    )


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory, recent: Path) -> Iterator[Serving]:
    """Four stations: two of one name, one with odd characters, one that has no store yet."""
    folder = tmp_path_factory.mktemp("stations")
    for file, name in (("loft", "harbour"), ("pier", "harbour"), ("odd", HOSTILE), ("new", "new")):
        station(folder, file, name)
        if file != "new":
            shutil.copy(recent, folder / f"{file}.sqlite")
    drift_store.put_alarm(folder / "pier.sqlite", time.time_ns(), "no-data", "warning", "no pairs")
    (folder / "broken.yaml").write_text("driver: {kind: text-lines\n")
    token = folder / "token"
    token.write_text(TOKEN)
    token.chmod(0o600)
    with serving(folder / "pier.yaml", "--station", "all", "--token-file", str(token)) as served:
        yield served


def test_an_invalid_configuration_is_left_out(page: Serving) -> None:
    (warning,) = page.warnings
    assert warning.startswith("warning: broken is left out: ")
    text = Client(page).ask("/stations/")[1]
    (shown,) = re.findall(r'<a><span class="main whole">broken</span>.*?</li>', text, re.DOTALL)
    assert ">unreadable<" in shown
    assert "broken.yaml" in shown


def test_the_overview_lists_all(page: Serving) -> None:
    status, text, headers = Client(page).ask("/")
    assert status == 200
    assert "default-src 'none'" in headers["content-security-policy"]
    assert Client(page).ask("/stations/")[1] == text
    assert "<script>alert" not in text
    found = re.findall(r'<a href="(/stations/[^"]+)"><span class="main whole">([^<]*)</span>', text)
    assert sorted(found) == [
        ("/stations/loft/", "harbour (loft)"),
        ("/stations/new/", "new"),
        ("/stations/odd/", "pier &lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;&#39;"),
        ("/stations/pier/", "harbour (pier)"),
    ]
    assert found[0][1] == "new"  # it has no store yet: to be looked at first
    assert text.count("Last transmission") == 3
    assert text.count(">no open fault<") + text.count(">silent<") == 3  # quiet faults do not count


@pytest.mark.parametrize("path", PAGES)
def test_pages_of_a_station_lead_to_its_pages(page: Serving, path: str) -> None:
    status, text, _ = Client(page).ask(f"/stations/loft{path}")
    assert status == 200
    links = re.findall(r' (?:href|action|data-part|src)="(/[^"]*)"', text)
    own = [link for link in links if link.startswith("/stations/loft/")]
    others = {f"/stations/{key}/" for key in ("new", "odd", "pier")}
    assert {link for link in links if link not in own and "/static/" not in link} == {
        "/stations/",
        *others,
    }
    assert len(own) > 10
    assert 'aria-current="true">harbour (loft)</a>' in text


@pytest.mark.parametrize(
    "path",
    ["/faults", "/enter", "/journal", "/events", "/stations/none/", "/stations/none", "/tune"],
)
def test_what_is_of_no_station_is_not_found(page: Serving, path: str) -> None:
    status, text, _ = Client(page).ask(path)
    assert status == 404
    assert "/stations/loft/" in text
    unknown = "There is no station &#39;none&#39; here; these are served:"
    assert (unknown in text) == path.startswith("/stations/none")
    if path != "/enter":
        assert Client(page).ask(path, {"text": "x", "kind": "remark"})[0] == 403


def test_the_address_of_a_station_ends_in_a_slash(page: Serving) -> None:
    for path in ("/stations/none/faults", "/stations//"):
        assert Client(page).ask(path)[0] == 404
    for path, address in (
        ("/stations/loft", "/stations/loft/"),
        ("/stations/loft/faults/", "/stations/loft/faults"),
    ):
        status, _, headers = Client(page).ask(path)
        assert (status, headers["location"]) == (307, address)
    assert Client(page).ask("/stations/loft/stations/pier")[0] == 404


def test_a_change_is_made_to_its_station_only(page: Serving) -> None:
    visitor = Client(page)
    status, _, headers = visitor.ask("/stations/pier/enter", {"token": TOKEN})
    assert (status, headers["location"]) == (303, "/stations/pier/")
    visitor.cookie = headers["set-cookie"].partition(";")[0]
    form = re.search(r'name="form" value="(\w+)"', visitor.ask("/stations/pier/journal")[1])
    assert form
    entry = {"form": form[1], "kind": "remark", "text": "a gull sat on the mast"}
    status, _, headers = visitor.ask("/stations/pier/journal", entry)
    assert (status, headers["location"]) == (303, "/stations/pier/journal")
    assert entry["text"] in visitor.ask("/stations/pier/journal")[1]
    assert entry["text"] not in visitor.ask("/stations/loft/journal")[1]
    status, _, headers = visitor.ask("/stations/pier/alarms/1/acknowledge", {"form": form[1]})
    assert (status, headers["location"]) == (303, "/stations/pier/alarms/1")
    assert visitor.ask("/stations/loft/alarms/1")[0] == 404


def test_the_token_is_asked_for_below_each_prefix(page: Serving) -> None:
    stranger = Client(page)
    for path in ("/journal", "/alarms/1/acknowledge", "/enter/", "/tune/enter", "/wiggle/enter"):
        assert stranger.ask(f"/stations/pier{path}", {"text": "x", "kind": "remark"})[0] == 403
    assert stranger.ask("/stations/pier/enter", {"token": "x" * 20})[0] == 403
    tries = [
        stranger.ask(f"/stations/{key}/enter", {"token": "x" * 20})[0]
        for key in ("loft", "pier", "odd", "new")
        for _ in range(3)
    ]
    assert tries[-1] == 429  # the limit is that of all stations together


def test_a_station_without_a_store_shows_why(page: Serving) -> None:
    status, text, _ = Client(page).ask("/stations/new/faults")
    assert status == 503
    assert "No store at" in text
    assert 'href="/stations/new/journal"' in text


def test_one_station_has_no_prefix(tmp_path: Path, recent: Path) -> None:
    shutil.copy(recent, tmp_path / "pier.sqlite")
    with serving(station(tmp_path, "pier", "harbour")) as page:
        status, text, _ = Client(page).ask("/")
        assert status == 200
        assert "switcher" not in text
        assert "/stations/" not in text
        assert Client(page).ask("/stations/")[0] == 404
        assert page.enter_link().startswith(f"{page.url}/enter#")


def test_fifty_stations(tmp_path: Path, recent: Path) -> None:
    for number in range(50):
        station(tmp_path, f"s{number:02}", f"station {number}")
        os.link(recent, tmp_path / f"s{number:02}.sqlite")
    with serving(tmp_path / "s00.yaml", "--station", "all") as page:
        assert page.enter_link().startswith(f"{page.url}/stations/s00/enter#")
        client = Client(page)
        begun_s = time.monotonic()
        assert client.ask("/")[1].count("Last transmission") == 50
        assert time.monotonic() - begun_s < scale(2.0)
        assert client.ask("/stations/s49/faults")[0] == 200


def test_the_switcher_on_a_phone(page: Serving) -> None:
    with chromium() as browser:
        tab = browser.new_page(viewport=PHONE, has_touch=True)
        said: list[str] = []
        tab.on("console", lambda message: said.append(message.text))
        tab.goto(f"{page.url}/")
        width = "document.documentElement.scrollWidth"
        assert tab.evaluate(width) == PHONE["width"]
        tab.get_by_role("link", name="harbour (loft)").click()
        tab.wait_for_url("**/stations/loft/")
        tab.get_by_text("Stations", exact=True).click()
        assert tab.evaluate(width) == PHONE["width"]
        tab.get_by_role("link", name="harbour (pier)").click()
        tab.wait_for_url("**/stations/pier/")
        with tab.expect_response("**/stations/pier/events"):
            tab.reload()
        tab.goto(f"{page.url}/stations/odd/faults")  # of a long name, which is shown to its end
        name = "document.querySelector('.station')"
        assert tab.evaluate(f"{name}.scrollWidth <= {name}.clientWidth")
        assert tab.evaluate(width) == PHONE["width"]
        assert said == []
