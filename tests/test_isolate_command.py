"""`mismatchd isolate` as a person drives it, in a terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path

import msgspec
import pytest

from logger.isolate.chain import DEFAULT, Symptom
from logger.isolate.session import restore
from logger.store.sessions import Sessions
from logger.store.writer import StoreWriter
from tests.isolate_bench import hands
from tests.station import Running, mismatchd, pty, write_config
from tests.terminal_view import View

pytestmark = pytest.mark.realtime

QUICK = {"transmission": "{hang_ms: 300}"}
CHAIN = "type the parts in order:"
OHMMETER = "if you do not know:"
KEY = "(q stops.)"
STEP = re.compile(r" (\d+)\. (?:Once more, to be sure: )?([^.]*?)[,.] (?:about|Change)")
ASKED = re.compile(r"(pause\)|\(y, n\)|note it as a repair; n: note nothing|What was done):$")


def screen(view: View) -> str:
    return " ".join(view.look().split())


def until(view: View, end: str, seconds: float = 15.0) -> str:
    """The screen as one line as soon as it ends like this."""
    return " ".join(view.until(lambda text: " ".join(text.split()).endswith(end), seconds).split())


def sent(view: View) -> str:
    """All that was ever on the screen, as one line."""
    view.look(0.05)
    assert b"Warning" not in view.raw
    return " ".join(view.raw.decode(errors="replace").split())


def prompted(view: View, after: int = 0) -> str:
    """All that was said, once something is asked beyond the first `after` letters of it."""
    view.until(lambda _: ASKED.search(sent(view)[after:]) is not None)
    return sent(view)


def keyed(view: View, key: Callable[[], None], after: int = 0) -> str:
    """All that was said, once something is asked; the key goes down again if that was too short."""
    times = 0

    def asked() -> bool:
        nonlocal times
        said = sent(view)[after:]
        if ASKED.search(said):
            return True
        if said.count("key once more") >= times:
            times = said.count("key once more") + 1
            key()
        return False

    view.until(lambda _: asked())
    return sent(view)


def begun(view: View) -> None:
    """Up to where the key is asked for the first time."""
    until(view, CHAIN)
    view.press(b"\r")
    until(view, OHMMETER)
    view.press(b"\r")


def session_of(config: Path) -> bytes:
    with closing(Sessions.editor(config.parent / "data/station.sqlite")) as store:
        return store.sessions("isolate")[-1].content


def driven(view: View, does: Mapping[str, bytes | Callable[[], None]], most: int = 40) -> list[str]:
    """Answer each trial by its title, with keys, or with Enter and what the hands do then.

    A trial without an answer is skipped. Returns the titles in order.
    """
    titles: list[str] = []
    said = prompted(view)
    while said.endswith("pause):") and len(titles) < most:
        titles.append(STEP.findall(said)[-1][1])
        act = does.get(titles[-1].lower(), b"s\r")
        if isinstance(act, bytes):
            view.press(act)
        else:
            view.press(b"\r")
            view.until(lambda _, said=said: KEY in sent(view)[len(said) :])
            said = keyed(view, act, len(said))
            continue
        said = prompted(view, len(said))
    return titles


def test_a_bad_coupler_beside_the_daemon_with_a_simulated_station(tmp_path: Path) -> None:
    overs = ", ".join(
        f"{{at_s: {at}, duration_s: 0.8, mode: fm, channel: 20, power_w: 1}}"
        for at in range(2, 240, 2)
    )
    config = write_config(
        tmp_path,
        "",
        station="{name: harbour-workshop, channel: 20}",
        driver="{kind: simulated, pace: realtime, speed: 2, block_s: 0.1,"
        f" operator: {{transmissions: [{overs}]}},"
        " faults: [{kind: resistance, where: shack-plug, at_s: 0, ohm: 150}]}",
        **QUICK,
    )
    config.write_text(config.read_text().replace("calibration: coupler.yaml\n", ""))
    daemon = Running(config)
    view = None
    try:
        daemon.wait_reading(config)
        view = View("isolate", "-c", str(config), columns=50)
        begun(view)
        # As high with the load at the coupler, which stays connected in truth.
        titles = driven(
            view,
            {
                "plugs moved in the shack": b"n\r",
                "dummy load after the coupler": lambda: None,
                "another meter in place of the coupler": b"n\r",
            },
        )
        assert "Dummy load after the coupler" in titles
        assert "note nothing" in screen(view)
        view.press(b"\r")
        assert view.ended() == 0
        said = " ".join(view.raw.decode().split())
        for words in (
            "RF burns",
            "Thunder",
            "licence",
            "The daemon keeps running",
            "the SWR is higher than usual",
        ):
            assert words in said
        assert "t is the coupler" in said
        drawn = [each for text in view.raw.decode().split("\r\n") for each in text.split("\r")]
        lines = [each.removesuffix(" n") for each in drawn if not each.startswith("{")]
        assert max(map(len, lines)) <= 50
        assert "the coupler is at fault" in mismatchd("journal", "list", "-c", config).stdout
        assert restore(session_of(config)).state.symptom is Symptom.HIGH
    finally:
        if view is not None:
            view.close()
        daemon.kill()


@pytest.mark.nightly
def test_a_plug_without_a_daemon_interrupted_and_resumed(tmp_path: Path) -> None:
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name, **QUICK)
        does: dict[str, bytes | Callable[[], None]] = {
            "dummy load after the coupler": lambda: held.key(1.04),
            "a close look at the plug at the coupler": b"n\r",
            "dummy load after the plug at the antenna": lambda: held.key(3.8),
            "a close look at the plug at the antenna": b"y\r",
            "plugs moved in the shack": b"n\r",
            "a new plug in place of the plug at the antenna": lambda: held.key(1.2),
        }
        view = View("isolate", "-c", str(config))
        try:
            until(view, CHAIN)
            view.press(b"radio lead couplr\r")
            until(view, CHAIN)
            assert "unknown part 'couplr'" in screen(view)
            begun(view)
            view.until(lambda text: KEY in text)
            said = keyed(view, lambda: held.key(4.0))
            assert "Symptom: the SWR is higher than usual" in said
            view.press(b"?\r")
            view.until(lambda text: "'?' is not a valid answer" in " ".join(text.split()))
            said = prompted(view, len(said))
            view.press(b"\r")
            view.until(lambda _: KEY in sent(view)[len(said) :])
            keyed(view, lambda: held.key(1.04), len(said))
            view.press(b"\x03")
            assert view.ended() == 130
            assert "1 trial kept" in screen(view)
            state = restore(session_of(config)).state
            assert (state.chain, len(state.outcomes)) == (DEFAULT, 1)
        finally:
            view.close()
        view = View("isolate", "-c", str(config), "--format", "json")
        try:
            assert "UTC: 1 trial, radio" in until(view, "q: quit)")
            view.press(b"\r")
            titles = driven(view, does)
            assert "Dummy load after the plug at the antenna" in titles
            assert "It was the plug at the antenna" in sent(view)
            assert "If the fault lies beyond the plug at the antenna, the SWR is now 1.12" in sent(
                view
            )
            view.press(b"r\r")
            until(view, "What was done:")
            view.press(b"new plug, sealed\r")
            assert view.ended() == 0
        finally:
            view.close()
        record = json.loads(re.findall(r"\{.*\}", view.raw.decode().replace("\r\n", ""))[-1])
        assert record["found"] == "plug at the antenna"
        assert "coupler" in record["sound"]
        assert "radio" not in record["sound"]  # it is not in the SWR that the coupler reads
        listed = mismatchd("journal", "list", "-c", config).stdout
        assert "repair" in listed
        assert "new plug, sealed" in listed
        with closing(Sessions.editor(config.parent / "data/station.sqlite")) as store:
            assert store.unfinished("isolate") is None


def test_no_power_what_is_lacking_a_step_back_and_an_end(tmp_path: Path) -> None:
    with pty() as (_, name):
        config = write_config(tmp_path, name, **QUICK)
        view = View("isolate", "-c", str(config), "--without", "ohmmeter", "--new")
        try:
            until(view, CHAIN)
            view.press(b"\r")
            view.until(lambda text: KEY in text)
            view.press(b"n\r")  # nothing arrives
            assert "no power arrives" in prompted(view)
            first = STEP.findall(screen(view))[-1][1]
            view.press(b"x\r")
            view.until(lambda text: f"no {'dummy load' if 'load' in first else 'other'}" in text)
            second = STEP.findall(prompted(view))[-1][1]
            assert second != first
            view.press(b"b\r")
            view.until(lambda text: "Nothing has been tried yet" in text)
            prompted(view)
            view.press(b"e\r")
            assert view.ended() == 0
            state = restore(session_of(config)).state
            assert state.symptom is Symptom.NONE
            assert len(state.lacking) == 2
        finally:
            view.close()


def test_nothing_is_asked_where_it_cannot_work(tmp_path: Path) -> None:
    config = write_config(tmp_path, str(tmp_path / "no-such-port"))
    done = mismatchd("isolate", "-c", config, check=False)
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert "no-such-port" in line
    done = mismatchd("isolate", "-c", config, "--chain", "radio, antenna", check=False)
    assert done.returncode == 2
    assert "'coupler' occurs 0 times" in done.stderr
    assert not (tmp_path / "data").exists()


def test_a_session_of_another_program_begins_anew(tmp_path: Path) -> None:
    with pty() as (_, name):
        config = write_config(tmp_path, name, **QUICK)
        path = tmp_path / "data/station.sqlite"
        StoreWriter.open(path).close()
        with closing(Sessions.editor(path)) as store:
            store.begin("isolate", 1, b'{"chain": ["radio", "flux"]}')
        with pytest.raises(msgspec.ValidationError):
            restore(b'{"chain": 3}')
        view = View("isolate", "-c", str(config))
        try:
            until(view, CHAIN)
            view.press(b"q\r")
            assert view.ended() == 0
            assert "nothing was saved" in screen(view)
        finally:
            view.close()
