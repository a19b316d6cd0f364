"""Mistakes of the first week: the answer says what was seen and what to do."""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.recording import Chunk
from drivers.text_lines.driver import TextLinesOptions, TextStream
from logger.cli.station import created_store
from logger.config.load import load, load_sections
from logger.errors import MismatchdError
from logger.live.status import StatusSocket, expect_access
from logger.store.database import Database
from logger.store.lock import StoreLock
from tests.station import mismatchd, write_config
from tests.test_status import STATUS

NOBODY = 65534


@pytest.mark.parametrize(
    ("line", "columns", "words"),
    [
        (b"1.2,0.1,20", ["forward_v", "reflected_v"], "got '1.2,0.1,20': it has not as many"),
        (b"F=1.2 R=0.1", ["forward_v", "reflected_v"], "let the board print pairs only"),
        (b"\x9f\xfe", ["forward_v", "reflected_v"], r"got '\x9f\xfe': it is no text"),
        (b"1387,101", ["forward_v", "reflected_v"], "got '1387,101': a value is out of range"),
        (b"nan,0.1", ["forward_v", "reflected_v"], "no finite number"),
        (b"1.2,0.1", None, "has no `columns`; got '1.2,0.1'"),
    ],
)
def test_a_line_that_cannot_be_read_is_shown(
    line: bytes, columns: list[str] | None, words: str
) -> None:
    stream = TextStream(TextLinesOptions(port="x", columns=columns))
    stream.feed([Chunk(0, (line + b"\n") * 3)])
    assert words in stream.why_unreadable()


def test_a_missing_calibration_names_the_command(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/ttyUSB0")
    for text in (config.read_text(), config.read_text().replace("calibration: coupler.yaml\n", "")):
        config.write_text(text)
        (tmp_path / "coupler.yaml").unlink(missing_ok=True)
        done = mismatchd("check", "-c", config, check=False)
        assert done.returncode != 0
        assert "Run `mismatchd calibrate bench points.csv -o coupler.yaml`" in done.stderr


def test_the_calibration_of_the_simulated_coupler_is_noticed(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/ttyUSB0")
    assert "warning" not in mismatchd("check", "-c", config).stderr
    mismatchd("calibrate", "example", "-o", tmp_path / "coupler.yaml")
    words = "this calibration is that of the simulated coupler"
    assert words in mismatchd("check", "-c", config).stderr
    assert words in mismatchd("status", "-c", config, check=False).stdout
    config.write_text("driver: {kind: simulated}\ncalibration: coupler.yaml\n")
    assert words not in mismatchd("check", "-c", config).stderr


def test_the_journal_begins_before_the_first_run(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/ttyUSB0")
    mismatchd("journal", "add", "new coax", "--kind", "repair", "-c", config)
    assert "new coax" in mismatchd("journal", "list", "-c", config).stdout


def test_a_bench_session_beside_the_daemon_is_refused(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/ttyUSB0")
    store = load(config).store.path
    store.parent.mkdir()
    with StatusSocket(store, lambda: STATUS) as daemon:
        server = threading.Thread(target=daemon.serve, args=(10.0,))
        server.start()
        points, output = tmp_path / "points.csv", tmp_path / "new.yaml"
        done = mismatchd("calibrate", "bench", points, "-o", output, "-c", config, check=False)
        server.join()
    assert done.returncode == 1
    assert f"the daemon (pid {STATUS.pid}) reads the bridge; stop it for the session" in done.stderr


def test_the_store_of_a_configuration_in_etc(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/ttyUSB0", store="{keep_samples_days: 30}")
    in_etc = Path(f"/etc/..{config}")
    assert load_sections(config).store.path == tmp_path / "data/station.sqlite"
    assert load_sections(in_etc).store.path == Path("/var/lib/mismatchd/station.sqlite")
    named = config.rename(tmp_path / "pier.yaml")
    in_etc = Path(f"/etc/..{named}")
    assert load(in_etc).store.path == Path("/var/lib/mismatchd-pier/station.sqlite")
    assert load(in_etc).store.keep_samples_days == 30
    named.write_text(named.read_text().replace("30", "30, path: own.sqlite"))
    assert load(in_etc).store.path.name == "own.sqlite"


def test_check_names_the_message_of_an_inhibit_notifier(tmp_path: Path) -> None:
    notify = '[{kind: inhibit, message: "inhibit 1500", release: "permit 0"}]'
    config = write_config(tmp_path, "/dev/ttyUSB0", notify=notify)
    assert "inhibit to the bridge ('inhibit 1500')," in mismatchd("check", "-c", config).stdout


# another user


@contextmanager
def stores() -> Iterator[Path]:
    """A store in a folder that everybody may read."""
    with tempfile.TemporaryDirectory(dir="/tmp") as folder:
        os.chmod(folder, 0o755)
        path = Path(folder) / "data" / "station.sqlite"
        with created_store(path):
            pass
        yield path


def error_for_others(function: Callable[[], object]) -> str:
    """The error for a user who is neither the owner nor root, from a forked process."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            function()
            os.write(writing, b"no error")
        except MismatchdError as error:
            os.write(writing, str(error).encode())
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        text = pipe.read()
    os.waitpid(child, 0)
    return text


def test_a_closed_folder_is_no_daemon_that_does_not_run() -> None:
    with stores() as path:
        assert error_for_others(lambda: expect_access(path)) == "no error"  # there is no daemon
        os.chmod(path.parent, 0)
        text = error_for_others(lambda: expect_access(path))
        assert "only its owner may ask the daemon whether it runs; use sudo" in text
        text = error_for_others(lambda: StoreLock(path))
        assert f"({path.parent} belongs to user {path.parent.owner()})" in text
        assert "use sudo" in error_for_others(lambda: Database.reader(path))
        os.chmod(path.parent, 0o755)


@pytest.mark.skipif(os.geteuid() != 0, reason="the other user is nobody, whom only root can become")
def test_a_store_that_may_only_be_read() -> None:
    with stores() as path:
        assert "use sudo, or the daemon's user" in error_for_others(lambda: Database.reader(path))
        text = error_for_others(lambda: StoreLock(path))
        assert f"({path}.lock belongs to user root)" in text
