"""Guided work on the page beside the real daemon: carriers measured, sessions resumed."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.cautions import FULL_REFLECTION, MEASURE_LINE, VERIFY
from logger.isolate.words import SYMPTOMS
from tests.deadlines import scale, wait_until
from tests.isolate_bench import Hands, hands
from tests.page_server import TOKEN, serving
from tests.station import Running, mismatchd, pty, write_config
from tests.terminal_view import View
from tests.test_end_to_end import exported
from tests.test_page import Client

pytestmark = pytest.mark.realtime

MORE = {
    "transmission": "{hang_ms: 300}",
    "station": "{name: harbour-workshop, channel: 20}",
    "feedline": "{cable: RG-58, length_m: 18}",
}
LOAD = (4.0, 0.004)  # W forward and reflected


class Work:
    """A session on the page, by its taps."""

    def __init__(self, client: Client, form: str, name: str) -> None:
        self.client, self.form, self.name = client, form, name

    def text(self) -> str:
        """The page's words, without its menu."""
        status, html, _ = self.client.ask(f"/{self.name}")
        assert status == 200
        found = re.search(r"<main.*</main>", html, re.DOTALL)
        assert found is not None
        return " ".join(re.sub(r"<[^>]*>", " ", found[0]).replace("&#39;", "'").split())

    def step(self) -> str:
        """The number of the present step."""
        found = re.search(r'data-step="(-?\d+)"', self.client.ask(f"/{self.name}")[1])
        assert found is not None
        return found[1]

    def tap(self, what: str, expected: int = 303, **fields: str) -> None:
        """A tap at the present step."""
        fields = {"form": self.form, "step": self.step(), **fields}
        status, text, _ = self.client.ask(f"/{self.name}/{what}", fields)
        assert status == expected, text

    def until(self, words: str, seconds: float = 15.0) -> str:
        """The page's words once they contain this."""
        text = ""

        def shows() -> bool:
            nonlocal text
            text = self.text()
            return words in text

        # Slower than the limit of requests.
        assert wait_until(shows, seconds, lambda: time.sleep(0.1)), text
        return text


@contextmanager
def station(folder: Path) -> Iterator[tuple[Path, Hands]]:
    """A daemon and the key of its transmitter."""
    (folder / "token").write_text(TOKEN)
    with pty() as (master, name), hands(master) as held:
        config = write_config(folder, name, **MORE)
        daemon = Running(config)
        try:
            daemon.wait_reading(config)
            yield config, held
        finally:
            daemon.kill()


@contextmanager
def work_on(config: Path, name: str) -> Iterator[Work]:
    """The page of a session, with the token given."""
    with serving(config, "--token-file", str(config.parent / "token")) as page:
        client = Client(page)
        yield Work(client, client.enter(), name)


@pytest.mark.nightly
def test_the_coupler_is_checked_on_the_page_and_the_check_is_resumed(tmp_path: Path) -> None:
    with station(tmp_path) as (config, held):
        with work_on(config, "verify") as work:
            assert all(caution in work.text() for caution in VERIFY)
            work.tap("begin")
            held.key((1 + 10**-1.5) / (1 - 10**-1.5), 1.0, LOAD[0])
            work.until("is too short; key once more")
            held.key((1 + 10**-1.5) / (1 - 10**-1.5), 5.0, LOAD[0])
            work.until("What did it show?")
            second = mismatchd("verify", "-c", config, check=False)
            assert second.returncode == 1
            assert "`verify` is in progress in another terminal or on the page" in second.stderr
            work.tap("pause")
            assert "the dummy load is read" in work.text()
            command = (sys.executable, "-m", "logger.cli", "verify", "-c", str(config))
            other = subprocess.run(command, input="\n", capture_output=True, text=True, timeout=60)
            assert "What did a reference meter show" in other.stderr
        with work_on(config, "verify") as work:
            assert "the dummy load is read" in work.text()
            work.tap("resume")
            work.tap("meter", 400, watts="40")  # ten times what was read
            step = work.step()
            work.tap("meter", watts="4,1")
            work.tap("open", step=step, open="no")  # of a page that is old: it changes nothing
            assert FULL_REFLECTION in work.until("Read an open end as well?")
            work.tap("open", open="yes")
            work.until("Key for 4 s at 1 W or less")
            held.send(0.8, 0.8)
            time.sleep(4.5)
            held.send(0, 0)
            text = work.until("Result")
            assert "Fine: nothing differs" in text
            assert "the meter showed 4.1 W" in text
            assert "Put the line back on, unkeyed" in text
            assert "Fine: nothing differs" in work.client.ask("/calibration")[1]
    (row,) = exported("verifications", config)
    assert (row["verdict"], row["reference_w"]) == ("fine", "4.1")
    assert row["open_db"]


def in_terminal(config: Path, *command: str, answers: str = "") -> tuple[int, str]:
    """Exit code and words of a command that gets these answers."""
    words = (sys.executable, "-m", "logger.cli", *command, "-c", str(config))
    done = subprocess.run(
        words, input=answers, capture_output=True, text=True, timeout=scale(60), check=False
    )
    assert done.stdout == ""
    return done.returncode, " ".join(done.stderr.split())


BEGUN = {
    "tune": {"unit": "mm", "at": "2700", "length": "2700"},
    "wiggle": {"joints": "radio\nantenna", "seconds": "30"},
    "isolate": {"chain": "radio, lead, coupler, plug, line, plug, antenna"},
}


def test_a_session_is_in_one_place_at_a_time_and_goes_on_in_the_other(tmp_path: Path) -> None:
    with station(tmp_path) as (config, _), work_on(config, "") as work:
        for name, fields in BEGUN.items():
            work.name = name
            work.tap("begin", **fields)
            refused = mismatchd(name, "-c", config, check=False)
            assert refused.returncode == 1
            assert len(refused.stderr.splitlines()) == 1
            assert f"`{name}` is in progress in another terminal or on the page" in refused.stderr
            work.tap("pause")
            assert "interrupted" in work.text()
            assert "Begin" in work.text()
        code, said = in_terminal(config, "wiggle", answers="q\n")
        assert (code, "Continue it?" in said) == (0, True)
        work.name = "wiggle"
        work.tap("resume", seconds="30")
        assert "radio" in work.text()


def test_a_measurement_goes_on_between_terminal_and_page(tmp_path: Path) -> None:
    with station(tmp_path) as (config, held):
        measure = ("feedline", "measure", "--far-end", "short", "--length", "17")
        view = View(*measure, "-c", str(config), rows=48)
        view.until(lambda text: "(yes or no)" in text)
        view.press(b"yes\r")
        view.until(lambda text: "waiting for the key" in text)
        view.press(b"q\r")
        assert view.ended() == 0
        assert "`mismatchd feedline measure` continues from here" in view.look()
        view.close()
        waiting = "the line (17 m of RG-58) with its far end short, not yet keyed"
        with work_on(config, "feedline") as work:
            assert waiting in work.text()
            work.tap("resume")
            assert "Far end short" in work.text()
            assert "is in progress" in in_terminal(config, *measure)[1]
            work.tap("pause")
            assert waiting in in_terminal(config, *measure, answers="q\n")[1]
            work.tap("resume")
            held.key(4.0)
            work.until("The line loses")
        (row,) = exported("line_losses", config)
        assert (row["far_end"], row["length_m"]) == ("short", "17.0")


def test_the_line_is_measured_on_the_page(tmp_path: Path) -> None:
    with station(tmp_path) as (config, held), work_on(config, "feedline") as work:
        assert all(caution in work.text() for caution in MEASURE_LINE)
        work.tap("begin", 400, far_end="somewhere")
        work.tap("begin", 400, far_end="open", cable="RG-0")
        work.tap("begin", far_end="open", cable="RG-58", length="18")
        assert "Far end open" in work.text()
        work.tap("end")
        assert "Begin" in work.text()
        work.tap("begin", far_end="open", cable="RG-58", length="18")
        held.key(4.0)
        text = work.until("Result")
        assert "The line loses" in text
        assert "put the antenna back on" in text
    (row,) = exported("line_losses", config)
    assert (row["far_end"], row["cable"]) == ("open", "RG-58")
    assert float(row["loss_db"]) == pytest.approx(2.22, abs=0.1)  # SWR 4 is a return loss of 4.4 dB


def answer(work: Work, held: Hands) -> None:
    """Carry out the trial that is proposed: a dummy load reads well, anything else as before."""
    text = work.text()
    if "It is done" not in text:
        work.tap("no")
        return
    assert "Unkey" in text
    work.tap("ready")
    held.key(1.02 if "dummy load" in text else 6.0)
    assert wait_until(lambda: "Now key for 3 s" not in work.text(), 15.0)


def test_a_faulty_part_is_found_on_the_page_and_the_session_goes_on_elsewhere(
    tmp_path: Path,
) -> None:
    with station(tmp_path) as (config, held):
        with work_on(config, "isolate") as work:
            assert "Nobody may touch a keyed antenna" in work.text()
            work.tap("begin", 400, chain="radio, spoon, antenna")
            work.tap("begin", chain="radio, lead, coupler, plug, line, plug, antenna", lack1="1")
            assert "Key for 3 s" in work.text()
            held.key(1.2)
            work.until("What is wrong?")
            work.tap("symptom", 400, symptom="lower", usual="1.1")  # not above the present one
            work.tap("symptom", symptom="")
            assert "comes and goes" in work.text()
            work.tap("begin", chain="radio, lead, coupler, plug, line, plug, antenna", lack1="1")
            held.key(6.0)
            work.until(f"Symptom: {SYMPTOMS_HIGH}")
            for number in (1, 2):
                work.until(f"Trial {number},")
                answer(work, held)
            text = work.text()
            assert "ohmmeter" not in text
        view = View("isolate", "-c", str(config), rows=60)
        try:
            view.until(lambda text: "unfinished session" in text)
        finally:
            view.close()
        with work_on(config, "isolate") as work:
            work.tap("resume")
            work.tap("back")
            assert "The last outcome is undone." in work.text()
            work.tap("conclude")
            assert "Result" in work.text()
            work.tap("end", entry="repair", text="new plug")
            assert "Begin" in work.text()
    (entry,) = exported("journal", config)
    assert entry["kind"] == "repair"
    assert entry["text"].startswith("isolate: ")
    assert entry["text"].endswith("; new plug")


SYMPTOMS_HIGH = next(text for symptom, text in SYMPTOMS.items() if symptom.value == "high")
