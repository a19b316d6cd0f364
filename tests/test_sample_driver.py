"""A driver package from elsewhere: installed in an environment of its own, found, tested, run."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import socket
import subprocess
import sys
import sysconfig
import threading
import time
import venv
from pathlib import Path

import pytest

from drivers.found import installed_kinds
from tests.deadlines import Deadline, scale
from tests.station import write_config

pytestmark = pytest.mark.realtime

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "tests" / "sample_driver"
SUITE = "check_udp_pairs.py"


def call(*command: str | Path, cwd: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, cwd=cwd, env={**os.environ, **variables}, capture_output=True, text=True
    )


@pytest.fixture(scope="module")
def foreign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an environment in which the sample is installed.

    Nothing is fetched: what the project itself needs is seen through a path file.
    """
    missing = [name for name in ("setuptools", "pip") if importlib.util.find_spec(name) is None]
    if missing or not can_make_wheels():
        reason = "the sample is built with setuptools of at least 70.1 and pip"
        assert os.environ.get("CI") != "true", reason
        pytest.skip(reason)
    folder = tmp_path_factory.mktemp("foreign")
    source = shutil.copytree(SAMPLE, folder / "source")
    offline = ("--no-index", "--no-deps", "--quiet", "--disable-pip-version-check")
    built = call(
        *(sys.executable, "-m", "pip", "wheel", "--no-build-isolation", *offline),
        *("--wheel-dir", folder, source),
        cwd=folder,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = folder.glob("udp_pairs-1.0-*.whl")
    venv.create(folder / "env", with_pip=False, symlinks=True)
    packages = Path(sysconfig.get_path("purelib", vars={"base": str(folder / "env")}))
    here = sysconfig.get_path("purelib")
    (packages / "project.pth").write_text(f"import site; site.addsitedir({here!r})\n{ROOT}\n")
    python = folder / "env" / "bin" / "python"
    installed = call(python, "-m", "pip", "install", *offline, wheel, cwd=folder)
    assert installed.returncode == 0, installed.stderr
    shutil.rmtree(source)
    shutil.copy(SAMPLE / SUITE, folder)
    return folder


def can_make_wheels() -> bool:
    if importlib.util.find_spec("wheel") is not None:
        return True
    from importlib.metadata import version

    return tuple(map(int, version("setuptools").split(".")[:2])) >= (70, 1)


def run_suite(foreign: Path, *arguments: str, **variables: str) -> tuple[int, str]:
    """Exit code and words of the sample's own tests."""
    ended = call(
        *(foreign / "env" / "bin" / "python", "-m", "pytest", "-q", "-p", "no:cacheprovider"),
        *("-W", "error", *arguments, SUITE),
        cwd=foreign,
        PYTEST_DISABLE_PLUGIN_AUTOLOAD="1",
        **variables,
    )
    return ended.returncode, ended.stdout


def test_it_passes_the_suite(foreign: Path) -> None:
    code, words = run_suite(foreign)
    assert code == 0, words
    counts = re.search(r"(\d+) passed, (\d+) skipped", words)
    assert counts is not None, words
    assert int(counts[1]) >= 12
    assert "udp-pairs" not in installed_kinds()  # of this environment


def test_the_daemon_runs_with_it(foreign: Path, tmp_path: Path) -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    config = write_config(
        tmp_path, "none", driver=f"{{kind: udp-pairs, host: 127.0.0.1, port: {port}}}"
    )
    python = foreign / "env" / "bin" / "python"
    command = [python, "-m", "logger.cli", "run", "-c", str(config)]
    daemon = subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE, text=True)
    hush = threading.Event()

    def speak() -> None:
        with socket.socket(type=socket.SOCK_DGRAM) as sender:
            number = 0
            while not hush.wait(0.005):
                sender.sendto(f"{number},1500,30".encode(), ("127.0.0.1", port))
                number += 1

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        status = ""
        deadline = Deadline(20)
        while not re.search(r"key +down", status) and not deadline.has_passed():
            time.sleep(0.2)
            ended = call(python, "-m", "logger.cli", "status", "-c", str(config), cwd=tmp_path)
            status = ended.stdout
    finally:
        hush.set()
        speaker.join()
        daemon.terminate()
        words = daemon.communicate(timeout=scale(10))[1]
    assert re.search(r"key +down", status), status + words
    assert daemon.returncode == 0, words
    table = call(
        *(python, "-m", "logger.cli", "export", "transmissions", "-c", str(config)), cwd=tmp_path
    )
    assert len(table.stdout.splitlines()) == 2


@pytest.mark.parametrize(
    ("was", "becomes", "case", "words"),
    [
        ("/ 1000", "/ 1", "volts", "off by"),
        ("reshape(2, 1)", "reshape(2, 1)[::-1]", "volts", "off by"),
        ("np.array([host_ns()])", "np.array([host_ns() // 10**6])", "volts", "before the device"),
        ("self._monotone.update(np.array([host_ns()]))", "np.array([host_ns()])", "volts", "whole"),
        (
            "self._monotone.update(np.array([host_ns()]))",
            "np.array([host_ns() // 10**8 * 10**8])",
            "volts",
            "do not increase",
        ),
        (", gap=gap", "", "lost_pairs", ""),
        ("settimeout(timeout_s)", "settimeout(timeout_s + 1)", "silence", "read took"),
        ("settimeout(timeout_s)", "settimeout(0)", "silence", "before its timeout"),
        ("except (TimeoutError, BlockingIOError)", "except KeyError", "silence", "Timeout"),
        ("raise LinkError(f\"cannot", "raise OSError(f\"cannot", "no_device", "raised OSError"),
        ("            self._socket = None\n", "", "closed_twice or not_read", ""),
        ("self._socket.close()", "self.kept = self._socket", "ends_within", "files are left open"),
        ('clock = "host"', 'clock = "utc"', "says_what", ""),
        ("forbid_unknown_fields=True", "", "refuses_options", "DID NOT RAISE"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_driver_fails(
    foreign: Path, tmp_path: Path, was: str, becomes: str, case: str, words: str
) -> None:
    right = (SAMPLE / "udp_pairs.py").read_text()
    wrong = right.replace(was, becomes)
    assert wrong != right
    (tmp_path / "udp_pairs.py").write_text(wrong)  # goes before the installed one
    path = os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")])
    code, said = run_suite(foreign, "-x", "-k", case, PYTHONPATH=path)
    assert code == 1, said
    assert words in said


def test_the_walk_through_is_the_sample() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    for name in ("udp_pairs.py", "pyproject.toml", SUITE):
        assert f"```{'toml' if name.endswith('toml') else 'python'}\n" in text
        assert (SAMPLE / name).read_text() + "```\n" in text
    assert len((SAMPLE / "udp_pairs.py").read_text().splitlines()) < 60
