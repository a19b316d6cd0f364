"""The live feed and its terminal view: pure parts, then the real daemon on pseudo-terminals."""

from __future__ import annotations

import json
import re
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from logger.live.client import connect
from logger.live.feed import MOST_BLOCKS, MOST_CLIENTS, LiveFeed, Tap
from logger.live.meter import reading_of
from logger.live.reading import LiveReading, decode, encode
from logger.live.reading_tracker import PAUSE_S, SILENT_S, ReadingTracker
from logger.live.scale import BOXES, LETTERS, column, draw_figures, draw_span
from logger.live.screen import AlarmAge, Frame, StationStatus, lines, plain
from logger.live.status import ForwarderStatus
from logger.physics.reflection import rho_of_swr
from logger.pipeline import Pipeline
from logger.rows import FaultState, Severity
from logger.stages.view import View as Block
from logger.store.faults import Headline
from logger.store.outbox import ForwarderTotals
from tests.deadlines import Deadline, in_time, scale, wait_until
from tests.isolate_bench import hands
from tests.station import Running, line, mismatchd, pty, write_config
from tests.terminal_view import View
from tests.test_end_to_end import WRITER
from tests.test_status import STATUS
from tests.test_transmissions import COUPLER, Settings, block, cut, seconds_of

READING = LiveReading(
    time="2026-03-01T19:00:00.000000Z",
    pairs=20,
    keyed=True,
    forward_w=4.0,
    reflected_w=0.16,
    peak=4.1,
    swr=1.5,
    swr_low=1.4,
    swr_high=1.62,
    swr_noise_low=1.49,
    swr_noise_high=1.51,
    channel=20,
)
ROW: dict[str, Any] = {
    "start_utc": "2026-03-01T18:59:00.000000Z",
    "duration_s": 12.3,
    "channel": 20,
    "forward_w_mean": 4.0,
    "swr": 1.5,
    "swr_low": 1.4,
    "swr_high": 1.6,
    "swr_max": 1.7,
}


# readings


def test_a_reading_is_what_the_row_of_the_second_says() -> None:
    views: list[Block] = []
    pipeline = Pipeline(Settings(), COUPLER, tap=views.append)
    whole = block([(1.0, 4.0, 1.5), (0.5, 0.0, 1.0)], rate_hz=1000.0, noise_v=0.001)
    rows = [row for part in cut(whole, range(7, 1500, 31)) for row in pipeline.process(part)]
    rows += pipeline.finish()
    first, *_ = seconds_of(rows)
    reading = reading_of(views, 20, ("no-data", "high-swr"))
    assert reading.keyed
    assert reading.pairs == 1500
    assert reading.channel == 20
    assert reading.alarms == ("high-swr", "no-data")
    for name in ("swr", "forward_w", "reflected_w", "swr_noise_low"):
        assert getattr(reading, name) == pytest.approx(getattr(first, name), rel=2e-3), name
    assert reading.swr_low < reading.swr < reading.swr_high
    assert decode(encode(reading)) == reading


def test_unkeyed_there_are_watts_but_no_swr() -> None:
    views: list[Block] = []
    pipeline = Pipeline(Settings(), COUPLER, tap=views.append)
    pipeline.process(block([(2.0, 0.0, 1.0)], noise_v=0.001))
    pipeline.finish()
    reading = reading_of(views, None, ())
    assert (reading.keyed, reading.swr) == (False, None)
    assert reading.forward_w == pytest.approx(0, abs=0.01)
    assert reading_of([], 3, ()) == LiveReading(channel=3)


def test_a_line_with_more_in_it_is_still_read() -> None:
    later = {**msgspec.to_builtins(READING), "temperature_c": 20}
    assert decode(json.dumps(later).encode()) == READING


def test_the_tap_holds_nothing_while_closed_and_little_while_open() -> None:
    tap = Tap()
    view: Any = SimpleNamespace(keyed=(True,))
    tap.give(view)
    assert tap.take() == []
    tap.open = True
    for _ in range(MOST_BLOCKS + 50):
        tap.give(view)
    assert len(tap.take()) == MOST_BLOCKS
    assert tap.take() == []


# what is seen


def test_peaks_are_held_over_pauses_and_begin_anew_with_the_next_transmission() -> None:
    sight = ReadingTracker()
    up = LiveReading(time=READING.time, pairs=20, forward_w=0.0, reflected_w=0.0)
    sight.take(msgspec.structs.replace(READING, swr=2.5, peak=6.0), 10.0)
    sight.take(up, 10.5)
    sight.take(READING, 11.0)
    assert (sight.peaks.swr, sight.peaks.forward_w) == (2.5, 6.0)
    sight.take(up, 12.0)
    sight.take(READING, 11.0 + PAUSE_S + 0.1)
    assert (sight.peaks.swr, sight.peaks.forward_w) == (1.5, 4.1)
    assert not sight.silent(13.2)
    sight.take(LiveReading(alarms=("no-data",)), 17.0)  # the daemon lives, but there are no pairs
    assert sight.silent(17.0 + 0.1)
    assert sight.newest is not None
    assert sight.newest.alarms == ("no-data",)
    assert sight.newest.forward_w == 4.0


@given(
    swrs=st.lists(st.floats(1, 999), min_size=3, max_size=3).map(sorted),
    limit=st.floats(1.1, 20),
    width=st.integers(1, 300),
)
def test_the_span_covers_the_interval(swrs: list[float], limit: float, width: int) -> None:
    low, place, high = (column(float(rho_of_swr(swr)), width) for swr in swrs)
    mark = column(float(rho_of_swr(limit)), width)
    for signs in (BOXES, LETTERS):
        drawn = draw_span(swrs[1], swrs[0], swrs[2], limit, width, signs)
        assert len(drawn) == width
        assert drawn[place] == signs.reading
        assert {*drawn[low : high + 1]} <= {signs.low, signs.between, signs.high, signs.reading}
        assert {*drawn[:low], *drawn[high + 1 :]} <= {signs.line, signs.limit}
        assert (signs.limit in drawn) == (not low <= mark <= high)
    empty = draw_span(None, None, None, limit, width, BOXES)
    assert empty == BOXES.line * mark + BOXES.limit + BOXES.line * (width - mark - 1)


@given(width=st.integers(1, 300))
def test_figures_of_the_scale_are_even_in_the_reflection_coefficient(width: int) -> None:
    drawn = draw_figures(width)
    assert len(drawn) == width
    found = list(re.finditer(r"[0-9.]+", drawn))
    if width >= 12:
        assert [found[0][0], found[-1][0]] == ["0", "1"]
        for match in found:
            assert abs(match.start() - float(match[0]) * (width - 1)) <= 2


@pytest.mark.parametrize(("swr", "word"), [(1.2, "good"), (2.0, "fair"), (4.0, "too high")])
def test_the_verdict_is_a_word_and_weight_never_a_hue(swr: float, word: str) -> None:
    sight = ReadingTracker()
    sight.take(msgspec.structs.replace(READING, swr=swr, swr_low=swr, swr_high=swr), 0.0)
    _, reading, *_ = shown = lines(
        Frame("harbour-workshop", 3.0, 40, 12), sight, StationStatus(), True, 0
    )
    assert reading.plain == f"SWR {swr:.2f} ({swr:.2f} to {swr:.2f})  {word}"
    weights = {str(span.style) for span in reading.spans} | {str(reading.style)}
    assert ("bold reverse" in weights) == (word == "too high")
    for row in shown:
        for style in (row.style, *(span.style for span in row.spans)):
            assert {*str(style).split()} <= {"bold", "reverse", "dim"}


def test_the_reading_comes_first_and_watts_beneath_as_text() -> None:
    sight = ReadingTracker()
    sight.take(READING, 0.0)
    shown = lines(Frame("harbour-workshop", 3.0, 40, 12), sight, StationStatus([ROW]), True, 0.1)
    text = [row.plain for row in shown]
    assert text[1].startswith("SWR 1.50 (1.40 to 1.62)")
    assert text[5] == "forward 4.00 W, reflected 0.16 W"
    assert text[6] == "highest 4.10 W, 0.16 W, SWR 1.50"


@settings(max_examples=30, deadline=None)
@given(
    width=st.integers(1, 200),
    height=st.integers(1, 60),
    letters=st.booleans(),
    alarms=st.integers(0, 6),
    troubles=st.integers(0, 4),
    keyed=st.booleans(),
    connected=st.booleans(),
)
def test_every_screen_fits(
    width: int, height: int, letters: bool, alarms: int, troubles: int, keyed: bool, connected: bool
) -> None:
    sight = ReadingTracker()
    kinds = tuple(f"kind-of-alarm-{number}" for number in range(alarms))
    if keyed:
        sight.take(msgspec.structs.replace(READING, alarms=kinds), 100.0)
    ages = [AlarmAge(7, kind, 90.0) for kind in kinds]
    faults = [fault(number) for number in range(troubles)]
    beside = StationStatus([ROW] * 8, ages, STATUS, faults=faults)
    frame = Frame("harbour-workshop", 3.0, width, height, letters)
    shown = lines(frame, sight, beside, connected, 100.2)
    assert len(shown) == height
    assert all(cell_len(row.plain) <= width for row in shown)
    text = "\n".join(row.plain for row in shown)
    if letters:
        assert text.isascii()
    if width >= 40 and height >= 12:
        assert ("DAEMON NOT RUNNING" in text) == (not connected)
        assert ("SWR 1.50" in text) == keyed
        assert ("ALARM" in text) == (alarms > 0)
        assert ("FAULT" in text) == (troubles > 0)
        assert "q quits" in text


SUMMARY = "Feedline or antenna: SWR 5.3, line at 30 °C"


def fault(number: int, state: FaultState = FaultState.OPEN) -> Headline:
    return Headline(number, state, Severity.CRITICAL, 0, SUMMARY)


def test_faults_have_a_line_before_alarms() -> None:
    sight = ReadingTracker()
    sight.take(msgspec.structs.replace(READING, alarms=("high-swr",)), 0.0)

    def rows(*faults: Headline, letters: bool = False, width: int = 80) -> list[tuple[str, str]]:
        frame = Frame("harbour-workshop", 3.0, width, 16, letters)
        shown = lines(frame, sight, StationStatus(faults=faults), True, 0.1)
        texts = [(row.plain, str(row.style)) for row in shown]
        return [text for text in texts if text[0].startswith(("FAULT", "ALARM"))]

    alarm = ("ALARM high-swr", "bold reverse")
    assert rows() == [alarm]
    assert rows(fault(3)) == [(f"FAULT 3 open: {SUMMARY}", "bold reverse"), alarm]
    quiet = fault(4, FaultState.QUIET)
    assert rows(fault(3), quiet) == [("FAULTS 3 open, 4 quiet", "bold reverse"), alarm]
    assert rows(quiet) == [(f"FAULT 4 quiet: {SUMMARY}", "bold"), alarm]
    narrow = ("FAULT 3 open: Feedline or antenna: SWR …", "bold reverse")
    assert rows(fault(3), width=40) == [narrow, alarm]
    assert rows(fault(3), letters=True)[0][0].endswith("30 ?C")


def test_trouble_is_said_in_words() -> None:
    frame = Frame("harbour-workshop", 3.0, 80, 24)
    failing = msgspec.structs.replace(
        ForwarderStatus.of_totals("server", ForwarderTotals(0, 0, [], None)),
        failing=True,
        last_error="refused",
    )
    status = msgspec.structs.replace(STATUS, store_error="disk full", forwarders=[failing])
    sight = ReadingTracker()
    sight.take(msgspec.structs.replace(READING, swr=None, swr_low=None, swr_high=None), 0.0)

    def text(beside: StationStatus, now_s: float) -> str:
        return "\n".join(row.plain for row in lines(frame, sight, beside, True, now_s))

    shown = text(StationStatus(status=status), 0.1)
    assert "store: disk full; server: refused" in shown
    assert "SWR not readable at this power" in shown
    assert "NO PAIRS" in text(StationStatus(), SILENT_S + 0.1)
    gone = msgspec.structs.replace(STATUS, pairs_per_s=0.0, counters={"link_lost": 1})
    assert "bridge is missing" in text(StationStatus(status=gone), SILENT_S + 0.1)
    back = msgspec.structs.replace(gone, pairs_per_s=200.0)
    assert "bridge is missing" not in text(StationStatus(status=back), 0.1)
    assert "no store at" in text(StationStatus(trouble="no store at x"), 0.1)
    assert plain(sight, 3.0, True, SILENT_S + 0.1) == "no pairs"
    assert plain(sight, 3.0, True, SILENT_S + 0.1, [fault(3)]) == "no pairs; fault 3 open"


# the feed


@contextmanager
def feed(store: Path, reading: LiveReading = READING) -> Iterator[Tap]:
    tap = Tap()

    def make(views: Sequence[Block]) -> LiveReading:
        return reading

    live = LiveFeed(store, tap, make)
    thread = threading.Thread(target=live.run)
    thread.start()
    try:
        yield tap
    finally:
        live.end()
        thread.join(scale(5))
        assert not thread.is_alive()
        assert not store.with_name(store.name + ".live").exists()


def received(caller: socket.socket, seconds: float) -> bytes:
    data, until_s = b"", time.monotonic() + seconds
    while select.select([caller], [], [], max(0.0, until_s - time.monotonic()))[0]:
        if not (more := caller.recv(65536)):
            break
        data += more
    return data


def wait_for(seen: Any, seconds: float = 5.0) -> None:
    assert wait_until(seen, seconds)


@pytest.mark.realtime
def test_the_feed_is_open_while_somebody_looks_on(tmp_path: Path) -> None:
    view: Any = SimpleNamespace(keyed=(True,))
    with feed(tmp_path / "station.sqlite") as tap:
        assert not tap.open
        with connect(tmp_path / "station.sqlite") as caller:
            start_s = time.monotonic()
            wait_for(lambda: tap.open)
            first = received(caller, scale(0.3)).count(b"\n")
            assert 1 <= first <= 1 + time.monotonic() - start_s  # no pairs: once a second only
            start_s = time.monotonic()
            for _ in range(10):
                tap.give(view)
                time.sleep(0.05)
            told = received(caller, 0.2).count(b"\n")
            assert 3 <= told <= 10 * (time.monotonic() - start_s) + 1  # one for the key
            took_s = []
            for down in (False, True) * 4:
                received(caller, 0.15)
                start_s = time.monotonic()
                tap.give(SimpleNamespace(keyed=(down,)))
                assert select.select([caller], [], [], scale(5.0))[0]
                took_s.append(time.monotonic() - start_s)
            assert in_time(median(took_s), 0.02)  # the period is 0.1 s
        wait_for(lambda: not tap.open)
        assert tap.take() == []


@pytest.mark.realtime
def test_who_does_not_read_is_cut_off_and_the_others_go_on(tmp_path: Path) -> None:
    store = tmp_path / "station.sqlite"
    long = msgspec.structs.replace(READING, alarms=("x" * 20000,))
    view: Any = SimpleNamespace(keyed=(True,))
    with feed(store, long) as tap, connect(store) as slow, connect(store) as quick:
        wait_for(lambda: tap.open)
        heard, deadline = 0, Deadline(15)
        while heard < 8 and not deadline.has_passed():
            tap.give(view)
            heard += received(quick, 0.1).count(b"\n")
        assert heard >= 8
        assert received(slow, 0.5).count(b"\n") < heard  # it ends there
        assert select.select([slow], [], [], 0)[0]
        assert tap.open


@pytest.mark.realtime
def test_there_are_so_many_at_most(tmp_path: Path) -> None:
    store = tmp_path / "station.sqlite"
    with feed(store):
        callers = []
        for _ in range(MOST_CLIENTS + 1):
            callers.append(connect(store))
            # No more wait to be let in than the system holds.
            assert select.select([callers[-1]], [], [], scale(5.0))[0]
        try:
            assert received(callers[-1], 5.0) == b""
            assert all(caller.recv(9999) for caller in callers[:-1])
        finally:
            for caller in callers:
                caller.close()


# the whole


@contextmanager
def bridge(master: int, *plan: tuple[float, tuple[float, float]]) -> Iterator[None]:
    stretches = [(seconds, line(*powers).decode()) for seconds, powers in plan]
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(master), "200", json.dumps(stretches)],
        pass_fds=[master],
        stdout=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        writer.kill()
        writer.wait()


@pytest.mark.realtime
def test_live_beside_the_daemon_that_is_started_again(tmp_path: Path) -> None:
    printed = tmp_path / "printed"
    with pty() as (master, name), hands(master) as held, printed.open("w") as output:
        station = "{name: harbour-workshop, channel: 20}"
        config = write_config(tmp_path, name, station=station)
        wide = View("live", "-c", str(config))
        small = View("live", "-c", str(config), columns=40, rows=12, NO_COLOR="1")
        piped = subprocess.Popen(
            [sys.executable, "-m", "logger.cli", "live", "-c", str(config)], stdout=output
        )
        daemons = []
        try:
            for view in (wide, small):
                assert "q quits" in view.until(lambda text: "DAEMON NOT RUNNING" in text)
            assert wait_until(lambda: "the daemon is not running" in printed.read_text())
            daemons.append(Running(config))
            wide.until(lambda text: "key up ch 20" in text)
            held.send(4.0, 0.05)
            good = re.compile(r"SWR 1\.25 \(1\.\d\d to 1\.\d\d\)  good")
            wide.until(lambda text: good.search(text) is not None)
            line = r"^\d\d:\d\d:\d\dZ KEY DOWN ch 20, forward 4\.00 W, .*SWR 1\.25"
            assert wait_until(lambda: re.search(line, printed.read_text(), re.M))
            held.send(0, 0)
            daemons[0].wait_events(1, event="transmission")
            held.send(4.0, 1.3)
            for view in (wide, small):
                screen = view.until(lambda text: "SWR 3.6" in text)
                assert "KEY DOWN ch 20" in screen
                view.until(lambda text: "forward 4.00 W, reflected 1.30 W" in text)
                view.until(lambda text: re.search(r"ALARM high-swr", text) is not None)
                view.until(lambda text: re.search(r"20 +4\.00 +1\.25", text) is not None)
            assert wait_until(lambda: "ALARM high-swr" in printed.read_text())
            daemons[0].kill()
            for view in (wide, small):
                view.until(lambda text: "DAEMON NOT RUNNING" in text)
            daemons.append(Running(config))
            for view in (wide, small):
                view.until(lambda text: "KEY DOWN ch 20" in text)
            wide.press(b"q")
            small.press(b"\x03")
            for view in (wide, small):
                assert view.ended() == 0
                assert view.raw.rstrip().endswith(b"\x1b[?1049l\x1b[?25h")  # screen, cursor
            coloured = re.compile(rb"\x1b\[[0-9;]*3[0-7]")
            for view in (wide, small):
                assert not coloured.search(view.raw)
                assert re.search(rb"\x1b\[[0-9;]*7m *too high", view.raw)  # reverse video
            assert daemons[1].stop()[0] == 0
        finally:
            for view in (wide, small):
                view.close()
            for daemon in daemons:
                daemon.kill()
            piped.send_signal(signal.SIGINT)
            code = piped.wait(scale(10))
    assert code == 0
    assert "\x1b" not in printed.read_text()


@pytest.mark.realtime
@pytest.mark.parametrize(
    ("environ", "letters"), [({"LC_ALL": "C", "PYTHONIOENCODING": "ascii"}, True), ({}, False)]
)
def test_the_terminal_is_put_back_when_the_view_is_terminated(
    tmp_path: Path, environ: dict[str, str], letters: bool
) -> None:
    config = write_config(tmp_path, "/dev/null")
    view = View("live", "-c", str(config), **environ)
    try:
        screen = view.until(lambda text: "DAEMON NOT RUNNING" in text)
        assert screen.isascii() == letters
        view.process.terminate()
        assert view.ended() == 0
        assert view.raw.rstrip().endswith(b"\x1b[?1049l\x1b[?25h")
    finally:
        view.close()


@pytest.mark.realtime
def test_a_dumb_terminal_gets_lines(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    view = View("live", "-c", str(config), TERM="dumb")
    try:
        view.until(lambda text: "the daemon is not running" in text)
        view.press(b"\x03")
        assert view.ended() == 0
        assert b"\x1b" not in view.raw
    finally:
        view.close()


def test_help_says_what_ends_it() -> None:
    assert "q or Ctrl-C quits" in " ".join(mismatchd("live", "--help").stdout.split())
