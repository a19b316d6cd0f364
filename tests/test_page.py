"""The page without a browser: who is let in, what is refused, what every answer carries."""

from __future__ import annotations

import csv
import http.client
import io
import json
import re
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.charts.palette import INDIGO
from logger.errors import UsageError
from logger.live.reading import LiveReading
from logger.live.reading_tracker import ReadingTracker
from logger.page.admission import COOKIE_S, Gate, host_of, known_host, same_origin
from logger.page.drawings import for_page
from logger.page.guard import BURST, MOST_BYTES, PER_S
from logger.page.pace import Pace, network_of
from logger.page.reading import FRESH_S, UNKNOWN, live_state, place
from logger.page.wiggling import parse_joints, parse_seconds
from logger.store.sessions import Sessions
from logger.store.writer import StoreWriter
from tests.counterparts import authority
from tests.deadlines import scale
from tests.page_server import TOKEN, Serving, serving
from tests.station import mismatchd, write_config
from tests.test_live import READING

pytestmark = pytest.mark.realtime

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"


# who may do what


@pytest.mark.parametrize(
    ("header", "known"),
    [
        ("127.0.0.1:27205", True),
        ("[::1]:27205", True),
        ("192.168.4.7", True),
        ("[fe80::1%25wlan0]:27205", True),
        ("LOCALHOST:27205", True),
        ("shack.local.", True),
        ("shack.local:27205", True),
        ("rebound.example", False),
        ("shack.local.rebound.example:27205", False),
        ("127.0.0.1.rebound.example", False),
        ("2130706433.example", False),
        ("", False),
    ],
)
def test_a_strange_name_for_this_machine_is_no_host(header: str, known: bool) -> None:
    assert known_host(header, {"localhost", "shack.local"}) == known


def test_hosts_lose_their_ports_and_brackets() -> None:
    assert host_of("[::1]:80") == "::1"
    assert host_of("Shack.local:27205 ") == "shack.local"
    assert host_of("shack.local") == "shack.local"


@pytest.mark.parametrize(
    ("headers", "same"),
    [
        ({"host": "a:1", "origin": "http://a:1"}, True),
        ({"host": "a:1", "origin": "https://a:1"}, True),
        ({"host": "a:1", "origin": "http://a:2"}, False),
        ({"host": "a:1", "origin": "null"}, False),
        ({"host": "a:1", "origin": "http://a:1.example"}, False),
        ({"host": "a:1", "origin": "file://a:1"}, False),
        ({"host": "a:1", "sec-fetch-site": "same-origin"}, True),
        ({"host": "a:1", "sec-fetch-site": "same-site"}, False),
        ({"host": "a:1"}, False),
    ],
)
def test_only_our_own_pages_send_forms(headers: Mapping[str, str], same: bool) -> None:
    assert same_origin(headers) == same


@given(st.text(), st.integers(0, 2**31))
def test_a_cookie_is_good_for_its_time_and_cannot_be_made_up(text: str, now_s: int) -> None:
    gate = Gate(TOKEN)
    cookie = gate.cookie(now_s)
    assert gate.admits(cookie, now_s + COOKIE_S - 1)
    assert not gate.admits(cookie, now_s + COOKIE_S + 1)
    assert not gate.admits(cookie, now_s - 10)
    assert gate.sent(cookie, gate.form(cookie))
    assert Gate(TOKEN).admits(cookie, now_s)  # after a restart
    assert not Gate("another-token-of-some-length").admits(cookie, now_s)
    for false in (text, f"{text}0{cookie}", f"{cookie}{text}0", cookie.replace(".", "0.", 1)):
        assert not gate.admits(false, now_s)
        assert not gate.sent(cookie, false)
    assert gate.opens(TOKEN)
    assert not gate.opens(text)


@given(st.lists(st.floats(0, 5), max_size=300))
def test_nobody_gets_more_than_the_burst_and_the_pace(waits: list[float]) -> None:
    pace, now_s, allowed = Pace(2.0, 5.0), 100.0, 0
    for wait_s in waits:
        now_s += wait_s
        allowed += pace.allows("one", now_s)
    assert allowed <= 5.0 + 2.0 * (now_s - 100.0) + 1e-6
    assert pace.allows("other", now_s)
    if sum(waits) / (len(waits) or 1) > 4:
        assert allowed == len(waits) or len(waits) > 5


def test_an_address_of_ipv6_goes_by_its_network() -> None:
    assert network_of("2001:db8::1") == network_of("2001:db8::ffff:1")
    assert network_of("2001:db8::1") != network_of("2001:db8:0:1::1")
    assert network_of("192.0.2.1") == "192.0.2.1"
    assert network_of("") == ""


# what is shown


def test_the_live_page_says_what_is_read_and_what_is_the_matter() -> None:
    sight = ReadingTracker()
    told = live_state(sight, False, 0.0, 3.0)
    assert (told["state"], told["reason"]) == (UNKNOWN, "The daemon is not running.")
    told = live_state(sight, True, 0.0, 3.0)
    assert (told["state"], told["reason"]) == (UNKNOWN, "Waiting for the first pair.")
    sight.take(READING, 10.0)
    told = live_state(sight, True, 10.0, 3.0)
    assert (told["state"], told["known"], told["down"]) == ("key down", True, True)
    assert (told["swr"], told["interval"], told["verdict"]) == (
        "1.50",
        "95 % interval: 1.40 to 1.62",
        "fair",
    )
    assert told["rho"] == pytest.approx(0.2)
    assert told["bar"] == pytest.approx([1 / 6, 0.2, 0.62 / 2.62], abs=1e-4)
    sight.take(LiveReading(time=READING.time, pairs=20, forward_w=0.0), 12.0)
    told = live_state(sight, True, 13.15, 3.0)
    assert (told["state"], told["ago"], told["rho"], told["swr"], told["age_ms"]) == (
        "key up",
        "3 s ago",
        None,
        "1.50",
        1150,
    )
    told = live_state(sight, True, 12.0 + FRESH_S + 0.1, 3.0)
    assert (told["state"], told["known"]) == (UNKNOWN, False)
    assert told["reason"] == "The daemon does not respond."
    sight.take(LiveReading(), 12.0 + FRESH_S)  # it runs, but reads nothing
    told = live_state(sight, True, 12.0 + FRESH_S + 0.1, 3.0)
    assert (told["known"], told["reason"]) == (False, "No pairs from the microcontroller bridge.")
    assert place(999.0) < 1.0 < 1.01 > place(5000.0)


def test_drawings_lose_all_that_is_not_shape_or_word() -> None:
    svg = f"""<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"
      width="10pt" height="10pt" viewBox="0 0 10 10"><metadata><a/></metadata><!-- said -->
      <defs><style>*{{fill: red}}</style><path id="m1" d="M0 0"/></defs>
      <use xlink:href="#m1" style="fill: {INDIGO.lower()}; clip-path: url(#p1)"/>
      <text style="font-size: 8px; font-family: 'DejaVu Sans'">{HOSTILE.replace("<", "&lt;")}</text>
      </svg>"""
    made = for_page(svg.encode(), "t3", HOSTILE)
    root = ElementTree.fromstring(made)
    assert {each.tag for each in root.iter()} == {"svg", "defs", "path", "use", "text"}
    assert "style" not in {key for each in root.iter() for key in each.attrib}
    use = root.find("use")
    assert use is not None
    assert use.attrib == {
        "href": "#t3-m1",
        "fill": f"var(--indigo, {INDIGO.lower()})",
        "clip-path": "url(#t3-p1)",
    }
    assert root.findtext("text") == HOSTILE
    assert root.get("aria-label") == HOSTILE
    assert "<script" not in made


@pytest.mark.parametrize("lines", ["", "one", "one\none", "\n".join(map(str, range(21)))])
def test_joints_are_named_each_otherwise(lines: str) -> None:
    with pytest.raises(UsageError, match="2 to 20 joints"):
        parse_joints(lines)


def test_joints_and_seconds() -> None:
    assert parse_joints(" radio \r\n\n coupler   in ") == ["radio", "coupler in"]
    assert parse_seconds("30") == 30.0
    for text in ("", "4", "121", "nan", "1e9"):
        with pytest.raises(UsageError, match="whole seconds"):
            parse_seconds(text)


# the process


class Client:
    """A browser's part of the talk, without one. `cookie` is sent where it is known."""

    def __init__(self, page: Serving, context: ssl.SSLContext | None = None) -> None:
        self.page, self.context, self.cookie = page, context, ""

    def ask(
        self,
        path: str,
        fields: Mapping[str, str] | None = None,
        method: str | None = None,
        **headers: str,
    ) -> tuple[int, str, Mapping[str, str]]:
        """Status, text and headers of an answer; a POST where there are fields."""
        connection = (
            http.client.HTTPSConnection("127.0.0.1", self.page.port, context=self.context)
            if self.context
            else http.client.HTTPConnection("127.0.0.1", self.page.port, timeout=scale(30))
        )
        sent = {"Cookie": self.cookie} if self.cookie else {}
        body = None
        if fields is not None:
            body = urlencode(fields)
            sent |= {"Origin": self.page.url, "Content-Type": "application/x-www-form-urlencoded"}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        with closing(connection):
            connection.request(method or ("GET" if body is None else "POST"), path, body, sent)
            answer = connection.getresponse()
            text = answer.read().decode()
        return answer.status, text, dict(answer.getheaders())

    def enter(self) -> str:
        """Give the token; what forms carry from then on."""
        status, _, headers = self.ask("/enter", {"token": TOKEN})
        assert status == 303
        set_cookie = headers["set-cookie"]
        # A browser sends it to the pages on other ports, too: theirs has another name.
        assert set_cookie.startswith(f"mismatchd-page-{self.page.port}=")
        assert "HttpOnly" in set_cookie
        assert "SameSite=strict" in set_cookie
        assert ("Secure" in set_cookie) == (self.context is not None)
        self.cookie = set_cookie.partition(";")[0]
        found = re.search(r'name="form" value="(\w+)"', self.ask("/journal")[1])
        assert found
        return found[1]


PAGES = (
    *("/", "/alarms", "/alarms/1", "/captures", "/captures/1", "/drift", "/enter", "/journal"),
    *(
        "/faults",
        "/faults/1",
        "/alarms?fault=1",
        "/charts/fault/1",
        "/report",
        "/transmissions",
        "/transmissions/1",
        "/wiggle",
    ),
    *("/charts/capture/1", "/charts/transmission/1", "/charts/calibration/0"),
    *(
        "/overview",
        "/recent",
        "/health",
        "/calibration",
        "/cables",
        "/cables?lengths=5,12&at=shack",
    ),
    *("/tune", "/isolate", "/verify", "/feedline"),
)


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A station with a hostile name and a failing plug, played to its end."""
    folder = tmp_path_factory.mktemp("page")
    path = write_config(folder, "", **SIMULATED)
    mismatchd("run", "-c", path)
    mismatchd("journal", "add", HOSTILE, "-c", path)
    mismatchd("journal", "add", HOSTILE, "--time", "2026-03-01T19:00:10Z", "-c", path)
    spoil_fault(path)
    (folder / "token").write_text(TOKEN + "\n")
    return path


def spoil_fault(config: Path) -> None:
    """Put hostile text into all that is said of the fault."""
    with closing(StoreWriter.open(config.parent / "data/station.sqlite")) as store:
        store.database.execute("UPDATE faults SET summary = ?, probable_cause = ?", (HOSTILE,) * 2)
        store.database.execute("UPDATE faults SET probability = 0.9")
        store.database.execute("UPDATE fault_changes SET summary = ?", (HOSTILE,))


SIMULATED = {
    "station": json.dumps({"name": HOSTILE, "channel": 20}),
    "driver": "{kind: simulated, seed: 7, pace: fast, duration_s: 20,"
    " start_utc: 2026-03-01T19:00:00Z,"
    " operator: {transmissions: [{at_s: 4, duration_s: 9, mode: fm, channel: 20, power_w: 4}]},"
    " faults: [{kind: open, where: shack-plug, at_s: 9, duration_s: 0.3}]}",
}


class Tags(HTMLParser):
    """What a page made of words of others must not have."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, object]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag in ("style", "img", "iframe", "object", "base"):
            self.found.append((tag, given))
        if tag == "script" and not (given.get("src") or "").startswith("/static/"):
            self.found.append((tag, given))
        for name, value in attrs:
            elsewhere = name in ("src", "href", "action") and not (value or "").startswith(
                ("/", "#", "?")
            )
            if name == "style" or name.startswith("on") or elsewhere:
                self.found.append((tag, name))


def forbidden(page: str) -> list[tuple[str, object]]:
    tags = Tags()
    tags.feed(page)
    return tags.found


@contextmanager
def served(config: Path, *arguments: str) -> Iterator[Serving]:
    with serving(config, "--token-file", str(config.parent / "token"), *arguments) as page:
        yield page


def test_pages_escape_what_others_wrote_and_forbid_what_they_do_not_need(config: Path) -> None:
    with served(config) as page:
        client = Client(page)
        client.enter()
        for path in PAGES:
            status, text, headers = client.ask(path)
            assert status == 200, path
            assert forbidden(text) == [], path
            assert "`" not in text, path  # of a command in a message
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["cache-control"] == "no-store"
        for path in ("/journal", "/faults", "/faults/1", "/", "/report", "/transmissions"):
            assert "&lt;script&gt;alert(1)&lt;/script&gt;" in client.ask(path)[1], path
        status, text, headers = client.ask("/report/file")
        assert headers["content-disposition"].startswith("attachment")
        assert "<script" not in text
        for path in (
            "/nothing",
            "/transmissions/99",
            "/alarms/x",
            "/faults/99",
            "/static/../site.py",
        ):
            assert client.ask(path)[0] == 404, path
        assert client.ask("/transmissions?before=" + "9" * 300)[0] == 200
        for path in ("/transmissions?before=", "/alarms?fault="):
            status, text, _ = client.ask(path + "<b>")
            assert status == 400
            assert "<b>" not in text


def test_who_has_no_token_can_look_only(config: Path) -> None:
    with served(config) as page:
        client = Client(page)
        form = client.enter()
        stranger = Client(page)
        alarm_ids = {row["id"] for row in _alarms(config)}
        one = min(alarm_ids)
        act = f"/alarms/{one}/acknowledge"
        assert "Acknowledge</button>" in client.ask(f"/alarms/{one}")[1]
        assert "Acknowledge</button>" not in stranger.ask(f"/alarms/{one}")[1]
        assert stranger.ask(act, {})[0] == 403
        assert stranger.ask(act, {"form": form})[0] == 403
        assert client.ask(act, {})[0] == 403
        assert client.ask(act, {"form": "0" * 64})[0] == 403
        foreign = {"Origin": "http://rebound.example"}
        assert client.ask(act, {"form": form}, **foreign)[0] == 403
        assert client.ask(act, {"form": form}, Origin="null")[0] == 403
        assert client.ask(act, {"form": form}, Content_Type="text/plain")[0] == 415
        assert client.ask(act, {"form": form}, Host="rebound.example")[0] == 421
        assert stranger.ask("/", Host="rebound.example")[0] == 421
        assert client.ask(act, {"form": form, "x": "y" * MOST_BYTES})[0] == 413
        assert client.ask(act, method="DELETE")[0] == 405
        assert client.ask(act, method="GET")[0] == 405
        assert not any(row["acknowledged_utc"] for row in _alarms(config))
        assert client.ask(act, {"form": form})[0] == 303
        assert [row["id"] for row in _alarms(config) if row["acknowledged_utc"]] == [one]
        status, text, _ = client.ask(act, {"form": form})
        assert status == 400
        assert "acknowledged already" in text
        assert client.ask("/journal", {"form": form, "kind": "bad", "text": "x"})[0] == 400
        assert client.ask("/journal", {"form": form, "kind": "repair", "text": " "})[0] == 400
        entry = {"form": form, "kind": "repair", "text": "new  plug\n<i>"}
        assert client.ask("/journal", entry)[0] == 303
        assert "repair     new plug <i>" in mismatchd("journal", "list", "-c", config).stdout
        assert stranger.ask("/enter", {"token": "x" * 20})[0] == 403
        tries = [stranger.ask("/enter", {"token": "x" * 20})[0] for _ in range(8)]
        assert tries[-1] == 429
        assert client.ask("/leave", {"form": form})[0] == 303


def test_a_fault_is_acknowledged_and_its_repair_noted_with_the_token(tmp_path: Path) -> None:
    config = write_config(tmp_path, "", **SIMULATED)
    mismatchd("run", "-c", config)
    (tmp_path / "token").write_text(TOKEN + "\n")
    with served(config) as page:
        client = Client(page)
        form = client.enter()
        stranger = Client(page)
        text = client.ask("/faults")[1]
        assert 'href="/faults/1"' in text
        assert "Closed" not in text
        text = client.ask("/faults/1")[1]
        assert "Acknowledge the fault" in text
        assert "Note the repair" in text
        assert "What to check next" in text
        assert 'class="caution"' in text
        shown = stranger.ask("/faults/1")[1]
        assert "<button" not in shown
        assert shown.count('href="/enter?to=/faults/1"') == 2
        for to, address in (("/faults/1", "/faults/1"), ("//else.where/", "/"), ("/\\else", "/")):
            entered = Client(page).ask("/enter", {"token": TOKEN, "to": to})
            assert (entered[0], entered[2]["location"]) == (303, address)
        for what in ("acknowledge", "repair"):
            act, entry = f"/faults/1/{what}", {"form": form, "text": "new plug"}
            assert stranger.ask(act, entry)[0] == 403
            assert client.ask(act, {"text": "new plug"})[0] == 403
            assert client.ask(act, entry, Origin="http://rebound.example")[0] == 403
            assert client.ask(act, method="GET")[0] == 405
            assert client.ask(f"/faults/99/{what}", entry)[0] == 404
        assert not any(row["acknowledged_utc"] for row in _alarms(config))
        assert mismatchd("journal", "list", "-c", config).stdout == ""
        assert client.ask("/faults/1/acknowledge", {"form": form})[0] == 303
        assert all(row["acknowledged_utc"] for row in _alarms(config) if row["fault_id"] == "1")
        text = client.ask("/faults/1")[1]
        assert "acknowledged <time" in text
        assert "Acknowledge the fault" not in text
        status, text, _ = client.ask("/faults/1/acknowledge", {"form": form})
        assert (status, "acknowledged already" in text) == (400, True)
        assert client.ask("/faults/1/repair", {"form": form, "text": " "})[0] == 400
        assert "Repair noted" not in client.ask("/faults/1")[1]
        assert client.ask("/faults/1/repair", {"form": form, "text": "new  plug\n<i>"})[0] == 303
        assert "repair     new plug <i>" in mismatchd("journal", "list", "-c", config).stdout
        text = client.ask("/faults/1")[1]
        assert "new plug &lt;i&gt;" in text
        assert "<strong>Repair noted</strong>" in text  # no daemon runs that would read it
        own = client.ask("/alarms?fault=1")[1]
        assert "Alarms of fault 1" in own
        assert 'href="/alarms/1"' in own
        assert 'href="/alarms/1"' not in client.ask("/alarms?fault=2")[1]
        assert 'href="/faults/1"' in client.ask("/alarms/1")[1]
        assert "Fault 1:</strong>" in client.ask("/journal")[1]  # on every page but its own
        with closing(StoreWriter.open(tmp_path / "data/station.sqlite")) as store:
            store.database.execute("UPDATE faults SET state = 'closed', closed_ns = opened_ns")
        status, text, _ = client.ask("/faults/1/repair", {"form": form, "text": "again"})
        assert (status, "Fault 1 is closed" in text) == (400, True)
        text = client.ask("/faults/1")[1]
        assert "Note the repair" not in text
        assert "What to check next" not in text
        assert "<h2>Closed</h2>" in client.ask("/faults")[1]
        assert "Fault 1" not in client.ask("/journal")[1]


def test_a_flood_is_cut_down_and_who_is_slow_is_waited_for_by_nobody(config: Path) -> None:
    with served(config) as page:
        client = Client(page)
        begun_s = time.monotonic()
        answers = [client.ask("/static/icon.svg")[0] for _ in range(300)]
        took_s = time.monotonic() - begun_s
        assert answers.count(200) <= BURST + PER_S * took_s + 1
        assert 429 in answers or took_s > (300 - BURST) / PER_S
        time.sleep(1.0)
        slow = socket.create_connection(("127.0.0.1", page.port))
        slow.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        half = socket.create_connection(("127.0.0.1", page.port))
        half.sendall(b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-")
        quick = socket.create_connection(("127.0.0.1", page.port))
        quick.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        said = b""
        while said.count(b"data: ") < 3:
            said += quick.recv(65536)
        assert b"daemon is not running" in said
        assert client.ask("/")[0] == 200
        for each in (slow, half, quick):
            each.close()


def _alarms(config: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(mismatchd("export", "alarms", "-c", config).stdout)))


def test_a_session_of_wiggling_outlives_the_page(config: Path) -> None:
    store = config.parent / "data/station.sqlite"
    with served(config) as page:
        client = Client(page)
        form = {"form": client.enter()}
        begin = {"joints": f"radio\n{HOSTILE}", "seconds": "20"}
        assert client.ask("/wiggle/begin", {**form, "joints": "one", "seconds": "20"})[0] == 400
        assert client.ask("/wiggle/begin", {**form, **begin})[0] == 303
        assert client.ask("/wiggle/next", {**form, "step": "0"})[0] == 303
        assert client.ask("/wiggle/next", {**form, "step": "0"})[0] == 303  # tapped twice
        assert "Move: <strong>radio</strong>" in client.ask("/wiggle")[1]
        assert client.ask("/wiggle/next", {**form, "step": "1"})[0] == 303
    with served(config, "--port", str(page.port)) as page:  # the cookie is still good
        client.page = page
        text = client.ask("/wiggle")[1]
        assert "1 of 2 joints done" in text
        assert client.ask("/wiggle/resume", {**form, "seconds": "20"})[0] == 303
        text = client.ask("/wiggle")[1]
        assert "Next joint: &lt;script&gt;" in text
        assert client.ask("/wiggle/end", form)[0] == 303
        assert "was interrupted" not in client.ask("/wiggle")[1]
    kept = Sessions.editor(store)
    assert [each.ended for each in kept.sessions("wiggle")] == [True]
    kept.close()


def test_it_serves_https(config: Path, tmp_path: Path) -> None:
    files = authority(tmp_path)
    with served(config, "--certificate", str(files.certificate), "--key", str(files.key)) as page:
        assert page.url.startswith("https://")
        client = Client(page, ssl.create_default_context(cafile=str(files.ca)))
        client.enter()
        assert client.ask("/")[0] == 200


def refused(config: Path, *arguments: str | Path) -> tuple[int, str]:
    done = mismatchd("page", "-c", config, *arguments, check=False)
    (line,) = [text for text in done.stderr.splitlines() if text.startswith("mismatchd: ")]
    assert "Traceback" not in done.stderr
    return done.returncode, line


def test_what_would_be_unsafe_or_cannot_be_is_refused(config: Path, tmp_path: Path) -> None:
    code, line = refused(config, "--address", "0.0.0.0")
    assert code == 2
    assert "a token is needed" in line
    (tmp_path / "short").write_text("short\n")
    code, line = refused(config, "--token-file", tmp_path / "short")
    assert (code, "16 characters" in line) == (2, True)
    code, line = refused(config, "--address", "shack.local")
    assert (code, "not an IP address; write one" in line) == (2, True)
    code, line = refused(config, "--certificate", tmp_path / "short")
    assert (code, "give both" in line) == (2, True)
    short = ("--certificate", tmp_path / "short", "--key", tmp_path / "short")
    code, line = refused(config, *short)
    assert (code, "PEM" in line) == (2, True)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        code, line = refused(config, "--port", str(taken.getsockname()[1]))
    assert (code, "give another" in line) == (1, True)


def test_before_the_first_pair_there_are_pages_too(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    with serving(config) as page:
        client = Client(page)
        assert page.enter_link().startswith(f"{page.url}/enter#")
        assert client.ask("/")[0] == 200
        status, text, _ = client.ask("/transmissions")
        assert status == 503
        assert "No store at" in text
        assert "<code>mismatchd run</code>" in text
        assert "None yet." in client.ask("/recent")[1]
        StoreWriter.open(tmp_path / "data/station.sqlite").close()
        for path in (
            "/transmissions",
            "/faults",
            "/alarms",
            "/captures",
            "/journal",
            "/drift",
            "/report",
        ):
            assert client.ask(path)[0] == 200, path


def test_nothing_heavy_is_loaded_with_the_other_commands() -> None:
    code = (
        "import sys, logger.cli.commands.run, logger.cli.commands.page, logger.daemon; heavy ="
        " {'starlette', 'uvicorn', 'jinja2', 'matplotlib', 'scipy'};"
        " sys.exit(bool(heavy & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
