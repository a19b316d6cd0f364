"""The ESP32 program, run by the real MicroPython interpreter and read by the driver over TCP."""

from __future__ import annotations

import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers.contract_suite import make_driver
from tests import micropython
from tests.deadlines import scale, wait_until
from tests.servers import free_port

pytestmark = pytest.mark.realtime

HERE = Path(__file__).parent
FIRMWARE = HERE.parent / "drivers/text_lines/firmware/esp32"


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    """The port of a board whose file system is `tmp_path`."""
    port = free_port()
    settings = f'SSID = "shed"\nPASSWORD = "open sesame"\nPORT = {port}\n'
    (tmp_path / "bridge_settings.py").write_text(settings)
    board = subprocess.Popen(
        [micropython.interpreter(), FIRMWARE / "main.py"],
        env={"MICROPYPATH": f"{HERE / 'esp32'}:{tmp_path}"},
        stderr=subprocess.PIPE,
    )

    def listens() -> bool:
        assert board.poll() is None, board.communicate()[1].decode()
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    assert wait_until(listens)
    yield port
    assert board.poll() is None, board.communicate()[1].decode()
    board.kill()
    board.communicate()


def test_the_driver_reads_its_pairs_and_its_clock(port: int) -> None:
    driver = make_driver("text-lines", {"port": f"socket://127.0.0.1:{port}"})
    for _ in range(2):  # the second opening replaces the client
        driver.open()
        pairs, times = 0, []
        while pairs < 200:
            block = driver.read(scale(2), 0.1)
            assert block is not None
            assert np.abs(block.forward_v - 1.25).max() < 1e-9
            assert np.abs(block.reflected_v - 0.375).max() < 1e-9
            times.append(block.time_ns)
            pairs += len(block)
        period_ms = np.median(np.diff(np.concatenate(times))) / 1e6
        assert 4.5 < period_ms < 5.5
        driver.close()
    counters = driver.counters
    assert counters["malformed"] == counters["wrong_count"] == counters["bridge_clock"] == 0


def test_a_client_that_reads_nothing_costs_only_its_pairs(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port)) as stuck:
        assert stuck.recv(5) == b"forwa"
        with socket.create_connection(("127.0.0.1", port)) as client:
            client.settimeout(scale(5))
            text = b""
            while text.count(b"\n") < 12:
                text += client.recv(4096)
    head, first, *_ = text.decode().splitlines()
    assert head == "forward_mv,reflected_mv,time_us"
    assert first.startswith("1250.0,375.0,")
