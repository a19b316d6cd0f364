"""From volts at the pins of the emulated board to rows, the alarm and the inhibit output."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import msgspec
import pytest
from scipy.optimize import brentq

from tests import avr
from tests.boards import Board
from tests.deadlines import in_time, lateness_s, wait_until
from tests.station import Running, mismatchd, volts, write_config

pytestmark = pytest.mark.realtime

CODE_V = 5 / 1023
HANG_PAIRS = 1000  # pairs of a millisecond; for so long a busy machine may stop the board
IN_FLIGHT_PAIRS = 700  # fit into the buffer of a pseudo-terminal, so that they are read late
SCRIPT = [(4.0, 0.3), (9.0, 0.1), (1.0, 0.25)]  # watts, forward and reflected

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
            transmission=f"{{hang_ms: {HANG_PAIRS}}}",
        )
        running = Running(config)
        try:
            running.wait_reading(config)
            for over, (forward_w, reflected_w) in enumerate(SCRIPT, 1):
                key(board, forward_w, reflected_w)
                running.wait_status(config, lambda status: status.keyed)
                running.wait_reading(config, 800)
                key(board, 0, 0)
                board.wait("volts", lambda told, count=1 + 2 * over: len(told) == count)
                # Not only its event: the daemon ends a transmission too when a board is stopped.
                running.wait_reading(config, IN_FLIGHT_PAIRS + HANG_PAIRS)
                running.wait_events(over, event="transmission")
            key(board, *SCRIPT[0])
            running.wait_status(config, lambda status: status.keyed)
            running.wait_reading(config, 500)
            assert alarms(running) == []
            assert [told.value for told in board.events("inhibit")] == ["0"]
            key(board, SCRIPT[0][0], SCRIPT[0][0])  # the plug comes off
            board.wait("inhibit", lambda told: told[-1].value == "1")
            key(board, 0, 0)
            assert wait_until(lambda: bool(alarms(running)))
            raised = alarms(running)[0]
            lost = running.wait_status(config, lambda _: True).counters["lost"]
            code, said = running.stop()
            assert code == 0, said
            board.wait("inhibit", lambda told: told[-1].value == "0")
        finally:
            running.kill()
        keyed, inhibited = board.events("volts"), board.events("inhibit")[-2]
    took_ms = (inhibited.us - keyed[-2].us) / 1000
    print(f"open to inhibit: {took_ms:.1f} ms of the board's time")
    assert in_time(took_ms / 1000, 0.05)
    assert raised["kind"] in ("high-swr", "high-reflected-power")
    *rows, opened = csv.DictReader(exported(config))
    assert len(rows) == len(SCRIPT)
    for i, (row, powers_w) in enumerate(zip(rows, SCRIPT, strict=True)):
        check(row, *powers_w)
        on, off = keyed[1 + 2 * i : 3 + 2 * i]
        shorter_s = (off.us - on.us) / 1e6 - float(row["duration_s"])
        late_s = 0.02 + lateness_s()
        assert shorter_s > -late_s
        if not lost:  # a host too busy to read misses the beginning or the end
            assert shorter_s < late_s
    assert float(opened["swr_max"]) > 3
    check({**opened, "swr": "", "reflected_w_mean": ""}, SCRIPT[0][0], 0)


def check(row: dict[str, str], forward_w: float, reflected_w: float) -> None:
    """Are these the scripted powers, as far as the converter can tell?

    Its code is the largest whole number of steps that fits, so that up to a step is missing; the
    script is in whole millivolts.
    """
    (low_w, high_w), (low, high) = (
        (watts(volts(w) - CODE_V - 0.0005), watts(volts(w) + 0.0005))
        for w in (forward_w, reflected_w)
    )
    assert low_w < float(row["forward_w_mean"]) < high_w
    if row["swr"]:
        true = swr(forward_w, reflected_w)
        read = {name: row[name] for name in ("forward_w_mean", "reflected_w_mean", "swr")}
        print(
            f"{forward_w:g} W ({low_w:.4g} to {high_w:.4g}), {reflected_w:g} W back ({low:.4g} to"
            f" {high:.4g}), SWR {true:.4f} ({swr(high_w, low):.4f} to {swr(low_w, high):.4f}):"
            f" {read}"
        )
        assert float(row["swr_low"]) < true < float(row["swr_high"])
        assert low < float(row["reflected_w_mean"]) < high
        assert swr(high_w, low) < float(row["swr"]) < swr(low_w, high)


def exported(config: Path) -> io.StringIO:
    return io.StringIO(mismatchd("export", "transmissions", "-c", config).stdout)
