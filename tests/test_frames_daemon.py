"""From volts at the pins of the emulated board to rows, the alarm and the inhibit output."""

from __future__ import annotations

import csv
import io
import time
from pathlib import Path
from typing import Any

import msgspec
from scipy.optimize import brentq

from tests import avr
from tests.boards import Board
from tests.counterparts import until
from tests.station import Running, mismatchd, volts, write_config

CODE_V = 5 / 1023
POWER_W, REFLECTED_W = 4.0, 0.3

INHIBIT = {
    "kind": "inhibit",
    "message": "inhibit 1500",
    "release": "permit 0",
    "refresh_s": 0.5,
    "release_after_s": 30,
}


def watts(read_v: float) -> float:
    """The inverse of `volts`."""
    if read_v <= 0:
        return 0.0
    return float(brentq(lambda w: volts(w) - read_v, 1e-9, 30.0))


def key(board: Board, forward_w: float, reflected_w: float) -> None:
    board.say(f"volts {round(1000 * volts(forward_w))} {round(1000 * volts(reflected_w))}")


def swr(forward_w: float, reflected_w: float) -> float:
    gamma = (reflected_w / forward_w) ** 0.5
    return (1 + gamma) / (1 - gamma)


def alarms(running: Running) -> list[dict[str, Any]]:
    running.poll()
    return [event for _, event in running.events if event["event"] == "alarm"]


def test_from_volts_to_rows_the_alarm_and_the_inhibit_output(tmp_path: Path) -> None:
    emulator = avr.build_board(tmp_path)
    elf = avr.build(tmp_path / "firmware")
    with avr.running(emulator, elf) as board:
        key(board, 0, 0)
        config = write_config(
            tmp_path,
            board.port,
            driver=f"{{kind: frames, port: {board.port}, period_us: 1000, block: 5}}",
            notify=msgspec.json.encode([INHIBIT]).decode(),
            transmission="{hang_ms: 300}",
        )
        running = Running(config)
        try:
            running.wait_reading(config)
            time.sleep(1.0)
            key(board, POWER_W, REFLECTED_W)
            time.sleep(1.5)
            key(board, 0, 0)
            time.sleep(1.5)
            key(board, POWER_W, REFLECTED_W)
            time.sleep(0.5)
            assert alarms(running) == []
            assert [told.value for told in board.events("inhibit")] == ["0"]
            key(board, POWER_W, POWER_W)  # the plug comes off
            board.wait("inhibit", lambda told: told[-1].value == "1")
            key(board, 0, 0)
            assert until(lambda: bool(alarms(running)))
            raised = alarms(running)[0]
            code, said = running.stop()
            assert code == 0, said
            board.wait("inhibit", lambda told: told[-1].value == "0")
        finally:
            running.kill()
        opened, inhibited = board.events("volts")[-2], board.events("inhibit")[-2]
    took_ms = (inhibited.us - opened.us) / 1000
    print(f"open to inhibit: {took_ms:.1f} ms of the board's time")
    assert took_ms < 50
    assert raised["kind"] in ("high-swr", "high-reflected-power")
    rows = list(csv.DictReader(exported(config)))
    assert len(rows) == 2
    low_w, high_w = (watts(volts(POWER_W) + off) for off in (-CODE_V, CODE_V))
    low, high = (watts(volts(REFLECTED_W) + off) for off in (-CODE_V, CODE_V))
    assert low_w < float(rows[0]["forward_w_mean"]) < high_w
    assert low < float(rows[0]["reflected_w_mean"]) < high
    assert swr(high_w, low) < float(rows[0]["swr"]) < swr(low_w, high)


def exported(config: Path) -> io.StringIO:
    return io.StringIO(mismatchd("export", "transmissions", "-c", config).stdout)
