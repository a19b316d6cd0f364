"""A station for end-to-end tests: a process that writes lines to a pseudo-terminal, and the daemon.

The writer is not our simulator: it turns powers into volts by the published detector equation,
solved here by itself.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ive

from logger.cli import main
from logger.live.status import Status, ask
from tests.deadlines import scale, wait_until

PORT = {"coupling_db": 25.0, "n_vt_v": 0.0277, "r_is_v": 0.0015, "zero_v": 0.0}

CALIBRATION = f"""\
mismatchd_calibration: 1
date: 2026-02-01T10:00:00Z
instrument: {{coupler: for tests}}
forward: {json.dumps(PORT)}
reflected: {json.dumps(PORT)}
directivity: {{reflected_db: 40}}
converter: {{step_v: 0.0001}}
valid: {{forward_v: [0.0, 3.0], reflected_v: [0.0, 3.0], forward_w: [0, 30], reflected_w: [0, 30]}}
"""


OWN_PROCESS = ("run", "record")


def volts(watts: float) -> float:
    """Detector volts of a port by I0(x) = (1 + V / RIs) exp(V / nVt), x = Vp / nVt."""
    if watts <= 0:
        return 0.0
    peak = np.sqrt(100 * watts) * 10 ** (-PORT["coupling_db"] / 20)
    x = peak / PORT["n_vt_v"]
    ln_i0 = np.log(ive(0, x)) + x
    return float(
        brentq(
            lambda v: np.log1p(v / PORT["r_is_v"]) + v / PORT["n_vt_v"] - ln_i0, 0, peak, xtol=1e-12
        )
    )


def line(forward_w: float, reflected_w: float) -> bytes:
    """What the bridge prints for a pair."""
    return f"{volts(forward_w):.4f},{volts(reflected_w):.4f}\n".encode()


def write_config(folder: Path, port: str, **more: str) -> Path:
    """A configuration for the bridge at `port`."""
    (folder / "coupler.yaml").write_text(CALIBRATION)
    path = folder / "config.yaml"
    sections = {
        "station": "{name: test-station}",
        "driver": f"{{kind: text-lines, port: {port}, columns: [forward_v, reflected_v]}}",
        "calibration": "coupler.yaml",
        "store": "{path: data/station.sqlite}",
        **more,
    }
    path.write_text("".join(f"{key}: {value}\n" for key, value in sections.items()))
    return path


def mismatchd(*arguments: str | Path, check: bool = True) -> subprocess.CompletedProcess[str]:
    """Run a command to its end.

    Commands run in this process, which has imported everything already, except for those that set
    signal handlers and logging.
    """
    words = [str(argument) for argument in arguments]
    done = _run_process(words) if words[0] in OWN_PROCESS else _run_here(words)
    if check:
        assert done.returncode == 0, done.stderr
    return done


def _run_process(words: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "logger.cli", *words],
        capture_output=True,
        text=True,
        timeout=scale(60),
        check=False,
    )


def _run_here(words: list[str]) -> subprocess.CompletedProcess[str]:
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            pytest.raises(SystemExit) as end,
        ):
            main(words)
        for file in (out, err):
            file.seek(0)
        return subprocess.CompletedProcess(words, int(end.value.code or 0), out.read(), err.read())


@contextlib.contextmanager
def pty() -> Iterator[tuple[int, str]]:
    """The master's descriptor and the slave's name of a raw pseudo-terminal."""
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        for descriptor in (master, slave):
            with contextlib.suppress(OSError):
                os.close(descriptor)


class Running:
    """A daemon with `--events`; events as dictionaries with the moment they were read.

    prefix     a command that runs the daemon, in the same process
    arguments  for the daemon
    """

    def __init__(
        self,
        config: Path,
        prefix: Sequence[str] = (),
        arguments: Sequence[str] = (),
        **environ: str,
    ) -> None:
        run = [sys.executable, "-m", "logger.cli", "run", "--events", "--config", str(config)]
        self.process = subprocess.Popen(
            [*prefix, *run, *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, **environ},
        )
        assert self.process.stdout is not None
        os.set_blocking(self.process.stdout.fileno(), False)
        self._rest = b""
        self.events: list[tuple[float, dict[str, Any]]] = []

    def poll(self) -> None:
        """Take in what has been printed."""
        assert self.process.stdout is not None
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self.process.stdout.fileno(), 65536):
                now = time.perf_counter()
                *lines, self._rest = (self._rest + data).split(b"\n")
                self.events += [(now, json.loads(text)) for text in lines]

    def wait_status(
        self, config: Path, condition: Callable[[Status], object], seconds: float = 15.0
    ) -> Status:
        """Wait for a status of which `condition` is true, and return it."""
        store = config.parent / "data/station.sqlite"

        def wanted() -> Status | None:
            assert self.process.poll() is None, self.process.stderr.read().decode()
            status = ask(store) if store.parent.exists() else None
            return status if status and condition(status) else None

        status = wait_until(wanted, seconds)
        assert isinstance(status, Status), "the daemon does not come to this status"
        return status

    def wait_reading(self, config: Path, pairs: int = 1) -> None:
        """Wait until the daemon has taken so many more pairs."""
        before = self.wait_status(config, lambda status: True).pairs if pairs > 1 else 0
        self.wait_status(config, lambda status: status.pairs >= before + pairs)

    def wait_events(self, count: int, seconds: float = 10.0, **values: Any) -> list[dict[str, Any]]:
        """Wait until `count` events with these values are printed, and return all of them."""

        def wanted() -> list[dict[str, Any]]:
            self.poll()
            found = [e for _, e in self.events if values.items() <= e.items()]
            return found if len(found) >= count else []

        events = wait_until(wanted, seconds)
        assert events, (values, self.events)
        return list(events)

    def stop(self) -> tuple[int, str]:
        """SIGTERM; exit code and what was said on stderr."""
        self.process.terminate()
        code = self.process.wait(scale(10))
        self.poll()
        _, said = self.process.communicate()
        return code, said.decode()

    def kill(self) -> None:
        """SIGKILL, if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()
