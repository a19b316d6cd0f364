"""Clients that hold connections to the servers of the page and of the metrics."""

from __future__ import annotations

import contextlib
import socket
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from logger.config.load import MetricsOptions
from logger.service import metrics
from logger.service.metrics import MetricsServer
from tests.deadlines import scale
from tests.page_server import serving
from tests.servers import free_port
from tests.station import write_config
from tests.test_status import STATUS

pytestmark = pytest.mark.realtime

HEAD_S = 10.0


@contextlib.contextmanager
def hoarder(
    port: int, count: int, said: bytes, source: str = "127.0.0.1"
) -> Iterator[list[socket.socket]]:
    """So many connections that have said no more than this."""
    with ExitStack() as stack:
        connections = []
        for _ in range(count):
            address = (source, 0)
            connection = socket.create_connection(("127.0.0.1", port), source_address=address)
            connections.append(stack.enter_context(connection))
            connection.sendall(said)
        yield connections


def is_closed(connection: socket.socket, within_s: float) -> bool:
    connection.settimeout(within_s)
    try:
        return connection.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def test_connections_without_a_request_do_not_keep_the_page_from_others(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    (tmp_path / "data").mkdir()
    with serving(config) as page:
        url = f"http://127.0.0.1:{page.port}/static/icon.svg"
        with hoarder(page.port, 250, b"GET / HTTP/1.1\r\nHost: ", "127.0.0.2") as connections:
            begun_s = time.monotonic()
            assert urllib.request.urlopen(url, timeout=scale(5)).status == 200
            # Most are closed for their number, the others for their silence.
            assert is_closed(connections[-1], scale(2))
            while time.monotonic() - begun_s < 3:
                connections[0].sendall(b"x")
                time.sleep(0.5)
            assert is_closed(connections[0], scale(HEAD_S))
            assert time.monotonic() - begun_s > HEAD_S - 4


@pytest.mark.nightly
def test_a_connection_may_be_used_again_after_a_pause(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    (tmp_path / "data").mkdir()
    request = b"GET /static/icon.svg HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    with serving(config) as page, hoarder(page.port, 1, b"") as (connection,):
        for _ in range(3):
            connection.sendall(request)
            answer = b""
            while b"</svg>" not in answer:
                answer += connection.recv(65536)
            time.sleep(1.5)
        connection.sendall(request[:20])
        assert is_closed(connection, scale(HEAD_S + 2))


@pytest.mark.nightly
def test_slow_scrapers_do_not_keep_metrics_from_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(metrics, "REQUEST_S", 1.0)
    port = free_port()
    options = MetricsOptions(listen=f"127.0.0.1:{port}")
    server = MetricsServer(options, lambda: STATUS, tmp_path / "none.sqlite")
    try:
        with hoarder(port, 10, b"GET /met") as connections:
            url = f"http://127.0.0.1:{port}/metrics"
            begun_s = time.monotonic()
            assert b"mismatchd_pairs_total" in urllib.request.urlopen(url).read()
            assert time.monotonic() - begun_s < scale(1.0)
            while time.monotonic() - begun_s < 2.0:  # a byte now and then does not help
                with contextlib.suppress(ConnectionError):
                    connections[0].sendall(b"x")
                time.sleep(0.1)
            assert all(is_closed(connection, scale(2)) for connection in connections)
        for source in ("127.0.0.1", "127.0.0.2"):
            with hoarder(port, 40, b"GET /met", source) as connections:
                assert b"mismatchd_pairs_total" in urllib.request.urlopen(url, timeout=1).read()
                assert is_closed(connections[0], scale(1))
        assert b"mismatchd_pairs_total" in urllib.request.urlopen(url).read()
    finally:
        server.close()
