"""Real servers for tests, on loopback ports of their own."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deadlines import scale, wait_until


def needed(program: str) -> str:
    """Path of a program; a test without it skips at home and fails in CI."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/bin")
    if found:
        return found
    reason = f"{program} is not installed"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


def free_port() -> int:
    """A port nobody uses at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def http(url: str, data: bytes | None = None) -> bytes:
    """GET, or POST if there are data."""
    request = urllib.request.Request(url, data=data)
    with urllib.request.urlopen(request, timeout=scale(10)) as answer:
        return bytes(answer.read())


def _wait(url: str) -> None:
    def answers() -> bool:
        with contextlib.suppress(urllib.error.URLError, ConnectionError):
            http(url)
            return True
        return False

    assert wait_until(answers, 20), f"{url} does not answer"


class Server:
    """A server process that can be stopped and started again on the same port and data."""

    def __init__(self, command: list[str], port: int, ready: str) -> None:
        self._command = command
        self._ready = ready
        self._process: subprocess.Popen[bytes] | None = None
        self.url = f"http://127.0.0.1:{port}"

    def start(self) -> None:
        """Start and wait until it answers."""
        self._process = subprocess.Popen(
            self._command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        _wait(self.url + self._ready)

    def stop(self) -> None:
        """SIGTERM and wait."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None


@contextlib.contextmanager
def victoria_metrics(folder: Path, *flags: str, is_as_installed: bool = False) -> Iterator[Server]:
    """VictoriaMetrics, which takes /api/v2/write.

    As Debian starts it, it keeps every version of a point, and only those of a month.
    """
    if not is_as_installed:
        flags = ("-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", *flags)
    port = free_port()
    server = Server(
        [
            needed("victoria-metrics"),
            f"-httpListenAddr=127.0.0.1:{port}",
            f"-storageDataPath={folder / 'victoria'}",
            "-memory.allowedBytes=64MB",
            *flags,
        ],
        port,
        "/health",
    )
    server.start()
    try:
        yield server
    finally:
        server.stop()


@contextlib.contextmanager
def influxd(folder: Path) -> Iterator[Server]:
    """InfluxDB 1.6, which takes the same lines at /write and overwrites points truly."""
    port, rpc = free_port(), free_port()
    home = folder / "influx"
    home.mkdir()
    config = home / "influxd.conf"
    config.write_text(
        f'reporting-disabled = true\nbind-address = "127.0.0.1:{rpc}"\n'
        f'[meta]\ndir = "{home}/meta"\n[data]\ndir = "{home}/data"\nwal-dir = "{home}/wal"\n'
        f'[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n'
    )
    server = Server([needed("influxd"), "-config", str(config)], port, "/ping")
    server.start()
    try:
        http(server.url + "/query?q=CREATE+DATABASE+t", b"")
        yield server
    finally:
        server.stop()
