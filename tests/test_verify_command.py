"""`verify` as a person uses it, in a terminal beside the daemon."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from logger.cautions import FULL_REFLECTION, VERIFY
from logger.config.load import load
from logger.store.reader import Store
from logger.utc import format_ns
from tests.isolate_bench import Hands, hands
from tests.station import Running, mismatchd, pty, write_config
from tests.terminal_view import View
from tests.test_end_to_end import exported

pytestmark = pytest.mark.realtime

LOAD2 = 10**-3.0  # reflected over forward power on the load
MORE = {"transmission": "{hang_ms: 300}"}


def key(view: View, held: Hands, forward_w: float, reflected_w: float) -> None:
    """Key for some seconds when asked to, as `verify` sees it."""
    reads = view.raw.count(b"Read ")
    view.until(lambda text: "waiting for the key" in text)
    held.send(forward_w, reflected_w)
    view.until(lambda text: "Enough: release the key" in text, 30)
    held.send(0, 0)
    view.until(lambda _: view.raw.count(b"Read ") > reads, 30)


@pytest.mark.nightly
def test_a_check_is_interrupted_and_finished_beside_the_daemon(tmp_path: Path) -> None:
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name, **MORE)
        daemon = Running(config)
        view = None
        try:
            daemon.wait_reading(config)
            assert (
                "no check yet"
                in mismatchd(
                    "chart", "verifications", "-c", config, "-o", tmp_path / "v.png", check=False
                ).stderr
            )
            view = View("verify", "-c", str(config), rows=60)
            said = " ".join(view.until(lambda text: "(yes or no)" in text).split())
            assert all(text in said for text in VERIFY)
            view.press(b"yes\r")
            key(view, held, 4.0, 4.0 * LOAD2)
            view.until(lambda text: "reference meter" in text)
            view.press(b"q\r")
            assert view.ended(15.0) == 0
            assert "continues from here" in view.look()
            view.close()

            view = View("verify", "-c", str(config), rows=60)
            view.until(lambda text: "the dummy load is read" in text)
            second = mismatchd("verify", "-c", config, check=False)
            assert second.returncode == 1
            assert "`verify` is in progress in another terminal" in second.stderr
            view.press(b"\r")
            view.until(lambda text: "reference meter" in text)
            view.press(b"40\r")
            view.until(lambda text: "check the figure" in text)
            view.press(b"4,1 W\r")
            view.until(lambda text: "Can yours be keyed" in text)
            view.press(b"\r")  # is no answer
            view.until(lambda text: "yes or no:" in text)
            view.press(b"yes\r")
            view.until(lambda text: "s and Enter" in text)
            assert FULL_REFLECTION in " ".join(view.look().split())
            held.send(0.8, 0.8)
            view.until(lambda text: "Enough: release the key" in text, 30)
            held.send(0, 0)
            assert view.ended(30.0) == 0
            said = " ".join(view.look().split())
            assert "the meter showed 4.1 W" in said
            assert "Fine: nothing differs" in said
            assert "{" not in said  # the row as JSON is for programs
        finally:
            if view is not None:
                view.close()
            daemon.kill()
        (row,) = exported("verifications", config)
        assert (row["verdict"], row["transmission_id"], row["open_transmission_id"]) == (
            "fine",
            "1",
            "2",
        )
        with Store.reader(load(config).store.path) as store:
            ((begin_ns, end_ns),) = store.checks()  # whose fault the next transmission closes
        assert format_ns(end_ns) == row["time_utc"]
        assert 3.5e9 < end_ns - begin_ns < 60e9
        assert float(row["open_db"]) == pytest.approx(0, abs=0.1)
        assert float(row["reference_w"]) == 4.1
        assert float(row["forward_db"]) == pytest.approx(-0.107, abs=0.03)
        assert exported("days", config) == []  # no reading of the antenna
        status = json.loads(mismatchd("status", "-c", config, "--json", check=False).stdout)
        assert status["calibration"]["verified_utc"] == row["time_utc"]
        assert "verification due" in mismatchd("status", "-c", config, check=False).stdout
        mismatchd("chart", "verifications", "-c", config, "-o", tmp_path / "v.svg")
        assert (tmp_path / "v.svg").stat().st_size > 10_000
        assert "fine" in mismatchd("journal", "list", "-c", config).stdout


def test_the_end_of_the_answers_is_a_failure(tmp_path: Path) -> None:
    with pty() as (_, name):
        config = write_config(tmp_path, name, **MORE)
        command = (sys.executable, "-m", "logger.cli", "verify", "-c", str(config))
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.splitlines()[-1] == "mismatchd: the input ended; nothing was saved"
