"""`tune` as a person uses it, in a terminal: alone with the bridge, and beside the daemon."""

from __future__ import annotations

import json
import re
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from logger.store.sessions import Sessions
from tests.desk import CHANNELS, Desk, desk
from tests.station import Running, pty, write_config
from tests.terminal_view import View
from tests.test_end_to_end import exported
from tests.tune_stations import Station

pytestmark = pytest.mark.realtime

MORE = {"transmission": "{hang_ms: 300}"}
TOLD = "{kind: text-lines, port: PORT, columns: [forward_v, reflected_v, channel]}"


def station(mhz: float = 27.9) -> Station:
    made = Station(
        mhz=mhz,
        setting_mm=2600.0,
        exponent=1.0,
        r_ohm=42.0,
        q=14.0,
        line_m=12.0,
        loss_db=0.5,
        velocity=0.66,
        leak=0.005 + 0.003j,
        rng=np.random.default_rng(3),
    )
    made.set(2600.0)
    return made


def key_all(view: View, desk: Desk, answers: dict[int, bytes] | None = None) -> str:
    """Low, middle and high; where the channel is asked for, it is typed."""
    for channel in CHANNELS:
        # Not any: a key-down that a busy machine cuts in two is recorded twice.
        recorded = re.compile(rf"Recorded (channel {channel}\b|{CHANNELS[channel]})".encode())
        before = len(recorded.findall(view.raw))
        view.until(lambda text: "waiting for the key" in text)
        desk.key(channel)
        if answers is not None:
            view.until(_asks)
            view.press(answers[channel] + b"\r")
        view.until(lambda _, mark=recorded, n=before: len(mark.findall(view.raw)) > n)
        view.until(lambda _: view.raw.rfind(b"\a") > view.raw.rfind(b"Recorded"))  # computed
    return view.look(1.0)


def _asks(text: str) -> bool:
    last = [line for line in text.splitlines() if line.strip()][-1]
    return "Which channel" in last or "Enter:" in last


@pytest.mark.nightly
def test_an_antenna_is_adjusted_without_a_daemon(tmp_path: Path) -> None:
    with pty() as (master, name), desk(master, station(), told=True) as at:
        config = write_config(tmp_path, name, driver=TOLD.replace("PORT", name), **MORE)
        view = View("tune", "-c", str(config), rows=100)
        try:
            view.until(lambda text: "What do you adjust" in text)
            view.press(b"mm\r")
            view.until(lambda text: "How long is it now" in text)
            view.press(b"2600\r")
            view.until(lambda text: "How long is the whole element" in text)
            view.press(b"\r")
            said = view.until(lambda text: "(yes or no)" in text)
            for words in ("power lines", "RF burns", "licence", "Release the key", "manual"):
                assert words in said
            view.press(b"yes\r")
            said = key_all(view, at)
            assert "channel 20 (27.205 MHz): SWR" in said
            assert "It is too short" in said
            (to,) = re.findall(r"longer, set it to (\d+) mm", " ".join(said.split()))
            assert 2630 < int(to) < 2720
            assert "nobody may touch a keyed antenna" in said
            at.station.set(float(to))
            view.press(b"\r")
            view.until(lambda text: f"Position 2, {to} mm" in text)
            for _ in range(3):
                said = key_all(view, at)
                flat = " ".join(said.split())
                if "Leave it here" in flat:
                    break
                to = re.findall(r"set it to (\d+) mm", flat)[-1]
                at.station.set(float(to))
                view.press(b"\r")
                view.until(lambda text, to=to: f", {to} mm." in text)
            view.press(b"done\r")
            assert view.ended(15.0) == 0
        finally:
            view.close()
        assert at.station.true_swr(27.185) < 1.3
        (entry,) = exported("journal", config)
        assert entry["kind"] == "adjustment"
        assert re.match(r"tuned in \d+ steps? from 2600 mm to 26", entry["text"])
        with closing(Sessions.editor(tmp_path / "data/station.sqlite")) as store:
            assert store.unfinished("tune") is None
            (kept,) = store.sessions("tune")
        assert json.loads(kept.content)["positions"][0]["readings"][2]["channel"] == 40


@pytest.mark.nightly
def test_an_antenna_is_cut_and_told_when_a_cut_went_too_far(tmp_path: Path) -> None:
    with pty() as (master, name), desk(master, station(26.7), told=True) as at:
        config = write_config(tmp_path, name, driver=TOLD.replace("PORT", name), **MORE)
        view = View("tune", "-c", str(config), "--unit", "mm", "--at", "2600", "--cut", rows=100)
        try:
            view.until(lambda text: "How long is the whole element" in text)
            view.press(b"1200\r")
            view.until(lambda text: "no less than the present setting" in text)
            view.press(b"2600\r")
            view.until(lambda text: "(yes or no)" in text)
            view.press(b"yes\r")
            said = " ".join(key_all(view, at).split())
            assert "This first cut is small" in said
            assert "A cut cannot be undone" in said
            assert "nobody may touch a keyed antenna" in said
            (to,) = re.findall(r"Cut it \d+ mm shorter, to (\d+) mm", said)
            assert 2590 <= int(to) <= 2597
            assert view.raw.rfind(b"\a") > view.raw.rfind(b"A cut cannot be undone")
            at.station.set(2490.0)  # cut further than advised
            view.press(b"2490\r")
            view.until(lambda text: "Position 2, 2490 mm" in text)
            said = " ".join(key_all(view, at).split())
            assert "The last cut, from 2600 mm to 2490 mm, went too far" in said
            assert f"further than advised ({to} mm)" in said
            assert "end of its travel" not in said
            view.press(b"q\r")
            assert view.ended() == 0
        finally:
            view.close()


def test_beside_the_daemon_interrupted_and_gone_on_with(tmp_path: Path) -> None:
    answers = {1: b"1", 20: b"27,205", 40: b"40"}
    with pty() as (master, name), desk(master, station(), told=False) as at:
        config = write_config(tmp_path, name, **MORE)
        daemon = Running(config)
        view = None
        try:
            daemon.wait_reading(config)
            options = ("--unit", "turns", "--longer", "less", "--at", "5")
            view = View("tune", "-c", str(config), *options, rows=100)
            view.until(lambda text: "(yes or no)" in text)
            view.press(b"y\r")
            said = key_all(view, at, answers)
            assert re.search(r"shorter|longer", said)
            view.press(b"\x03")
            assert view.ended() == 130
            assert "readings are kept; `mismatchd tune` continues" in view.look()
            assert exported("journal", config) == []
            view.close()
            view = View("tune", "-c", str(config), rows=100)
            said = view.until(lambda text: "Continue it" in text)
            assert re.search(r"5 turns: SWR \d\.\d\d on channel 1,", said)
            view.press(b"yes\r")
            view.until(lambda text: "(yes or no):" in text)
            view.press(b"yes\r")
            said = view.until(lambda text: "Position 1, 5 turns" in text and "95 %" in text)
            view.press(b"4.5\r")
            view.until(lambda text: "Position 2, 4.5 turns" in text)
            at.station.set(2640.0)
            at.key(20)
            view.until(lambda text: "Which channel was it" in text)
            view.press(b"20\r")
            view.until(lambda text: "Recorded channel 20" in text)
            view.press(b"again\r")
            view.until(lambda text: "Discarded channel 20" in text)
            view.press(b"q\r")
            assert view.ended() == 0
            with closing(Sessions.editor(tmp_path / "data/station.sqlite")) as store:
                last = store.unfinished("tune")
            assert last is not None
            positions = json.loads(last.content)["positions"]
            assert [len(one["readings"]) for one in positions] == [3, 0]
            assert [one["transmission_id"] for one in positions[0]["readings"]] == [1, 2, 3]
        finally:
            if view is not None:
                view.close()
            daemon.kill()
