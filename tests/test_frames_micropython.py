"""The bridge's main.py for RP2040-class boards, run by the real MicroPython interpreter."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest

from drivers.frames import messages
from drivers.frames.framing import MOST, frame, unframe
from drivers.frames.messages import Type
from tests import micropython
from tests.boards import Board, Reader
from tests.deadlines import in_time, scale, wait_until
from tests.serial_faults import ser2net
from tests.station import Running, pty, volts, write_config
from tests.test_frames_daemon import INHIBIT, alarms
from tests.test_frames_framing import rows

pytestmark = pytest.mark.realtime

CODE_V = 3.3 / 4095  # one code of a single conversion

FRAMING = """
import main, sys
from binascii import hexlify, unhexlify
print(main.crc16(b"123456789", 9))
out = bytearray(258)
for line in sys.stdin:
    data = bytearray(unhexlify(line.strip()))
    size = len(data) - 2
    crc = main.crc16(data, size)
    data[size], data[size + 1] = crc >> 8, crc & 255
    made = out[: main.stuff(data, size + 2, out)]
    print(hexlify(made).decode(), main.opened(made[:-1]) == bytes(data[:size]))
    made[len(made) // 2] ^= 4
    print(main.opened(made[:-1]))
"""


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    with micropython.running(tmp_path) as board:
        yield board


@pytest.fixture
def reader(board: Board) -> Iterator[Reader]:
    reader = Reader(board)
    yield reader
    reader.driver.close()


def codes(reader: Reader, first: int) -> tuple[set[int], set[int]]:
    """The codes that came, as sums over the conversions."""
    assert reader.driver.identity is not None
    step_v = reader.driver.identity.settings.volts
    forward, reflected = (
        np.rint(reader.joined(name, first) / step_v).astype(int)
        for name in ("forward_v", "reflected_v")
    )
    return set(forward.tolist()), set(reflected.tolist())


def test_it_frames_as_the_driver_does(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    payloads = [rng.bytes(int(size)) for size in rng.integers(1, MOST - 1, 150)]
    payloads += [payload.replace(b"\0", b"\1") for payload in payloads[:50]]
    payloads += [bytes(range(1, 253)), bytes(252), b"\0", b"\1\0"]
    (tmp_path / "framing.py").write_text(FRAMING)
    (tmp_path / "main.py").write_text((micropython.FIRMWARE / "main.py").read_text())
    done = subprocess.run(
        [micropython.interpreter(), tmp_path / "framing.py"],
        input="".join(payload.hex() + "0000\n" for payload in payloads),
        env=micropython.environment(tmp_path, 1, 2, BOARD_SERVICE="0"),
        capture_output=True,
        text=True,
        check=True,
    )
    crc, *answers = done.stdout.splitlines()
    (row,) = [r for r in rows("crc_check_values.csv") if r["name"] == "CRC-16/IBM-3740"]
    assert int(crc) == int(row["check"], 16)
    assert answers[::2] == [f"{frame(payload).hex()} True" for payload in payloads]
    assert set(answers[1::2]) == {"None"}


def test_pairs_are_right_to_the_code(board: Board, reader: Reader) -> None:
    for forward_mv, reflected_mv in [(0, 0), (2500, 1000), (3299, 3), (120, 3300), (1, 1)]:
        board.say(f"volts {forward_mv} {reflected_mv}")
        reader.until_volts(forward_mv / 1000, reflected_mv / 1000, CODE_V)
        first = len(reader.parts)
        reader.more(6)
        wanted = [{4 * (mv * 4095 // 3300)} for mv in (forward_mv, reflected_mv)]
        assert list(codes(reader, first)) == wanted
    counters = reader.driver.counters
    assert counters["lost"] == counters["corrupt"] == counters["unidentified"] == 0
    assert counters["bridge_clock"] == 0  # though the board's counter has wrapped
    assert counters["blocks"] * 16 == sum(map(len, reader.parts))
    assert np.median(np.diff(reader.joined("time_ns"))) == 1_000_000
    assert reader.parts[0].full_scale_v == 3.3


def test_rate_block_size_and_oversampling_are_set(board: Board, reader: Reader) -> None:
    board.say("volts 2500 1000")
    for period_us, block, oversampling in [(300, 80, 1), (500, 8, 2), (2000, 30, 8)]:
        reader.driver.send(f"set {period_us} {block} {oversampling}".encode())

        def made(period_us: int = period_us) -> bool:
            identity = reader.driver.identity
            return identity is not None and identity.settings.period_us == period_us

        reader.until(made)
        first = len(reader.parts) + 1
        reader.until(lambda first=first: len(reader.parts) > first + 5)
        settings = reader.driver.identity.settings  # type: ignore[union-attr]
        assert (settings.block, settings.oversampling) == (block, oversampling)
        assert (settings.bits, settings.full_scale) == (
            12 if oversampling == 1 else 16,
            4095 * oversampling,
        )
        assert (settings.skew_us > 0) == (oversampling == 1)
        assert codes(reader, first) == ({oversampling * 3102}, {oversampling * 1240})
        assert np.median(np.diff(reader.joined("time_ns", first))) == 1000 * period_us
    assert reader.driver.counters["corrupt"] == reader.driver.counters["unidentified"] == 0


def test_what_cannot_be_is_refused(reader: Reader) -> None:
    reader.until(lambda: reader.driver.identity is not None)
    for words in ("set 200 16 1", "set 40000 16 1", "set 1000 61 2", "set 1000 8 3"):
        reader.driver._stream.refused.clear()
        reader.driver.send(words.encode())
        reader.until(lambda: Type.SET in reader.driver._stream.refused)
    assert reader.notices[-1] == "the bridge refused command 9: not possible"
    reader.driver._link.write(frame(bytes([messages.kind(Type.ANSWER)])))
    reader.until(lambda: Type.ANSWER in reader.driver._stream.refused)
    assert reader.driver.identity is not None
    assert reader.driver.identity.settings.period_us == 1000


def test_the_pattern_comes_over_whole(reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts))

    def made() -> bool:
        identity = reader.driver.identity
        return identity is not None and identity.settings.period_us == 500

    reader.driver.send(b"pattern on")
    reader.until(lambda: any("test pattern" in notice for notice in reader.notices))
    given = len(reader.parts)
    before = reader.driver.counters["blocks"]
    reader.until(lambda: reader.driver.counters["blocks"] >= before + 10)  # in 16 bits
    reader.driver.send(b"set 500 16 1")
    reader.until(made)
    after = reader.driver.counters["blocks"]
    reader.until(lambda: reader.driver.counters["blocks"] >= after + 10)  # in 12 bits
    assert len(reader.parts) == given
    assert reader.driver.counters["pattern_wrong"] == 0
    reader.driver.send(b"pattern off")
    reader.until(lambda: len(reader.parts) > given)


def test_the_inhibit_output_falls_to_its_safe_state(board: Board, reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts))
    hold_ms = round(scale(250))
    for _ in range(4):
        reader.driver.send(f"inhibit {hold_ms}".encode())
        reader.more(8)  # 128 ms of the board's time
    board.wait("inhibit", lambda told: len(told) == 3)
    safe, on, off = board.events("inhibit")
    assert (safe.value, on.value, off.value) == ("0", "1", "0")
    assert safe.us == 0
    assert 300_000 < off.us - on.us - 1000 * hold_ms < scale(750_000)
    reader.driver.send(b"inhibit 100")
    board.wait("inhibit", lambda told: len(told) == 5)
    on, off = board.events("inhibit")[3:]
    assert 99_000 <= off.us - on.us <= 101_000
    reader.driver.send(b"inhibit 65535")
    board.wait("inhibit", lambda told: len(told) == 6)
    reader.driver.send(b"permit 0")
    board.wait("inhibit", lambda told: len(told) == 7)


def test_what_is_chosen_on_the_board(tmp_path: Path) -> None:
    (tmp_path / "bridge_settings.py").write_text(
        "SAFE_INHIBITS = 1\nNAME = 'mast bridge'\nREFERENCE_MV = 3000\nSUPPLY_PIN = 29\n"
    )
    with micropython.running(tmp_path, BOARD_OLD="1") as board:
        board.say("supply 1650")
        board.say("chip 620")
        board.say("volts 3300 0")
        board.say("ptt 1")
        reader = Reader(board)
        reader.until(lambda: bool(reader.parts) and reader.parts[-1].forward_v[-1] == 3.0)
        identity = reader.driver.identity
        assert identity is not None
        assert (identity.name, identity.inhibit, identity.settings.boot) == ("mast bridge", 3, 0)
        reader.driver.send(b"permit 100")
        board.wait("inhibit", lambda told: len(told) == 3)
        assert [told.value for told in board.events("inhibit")] == ["1", "0", "1"]
        reader.until(lambda: reader.parts[-1].aux.get("supply_v", [0])[-1] > 4)
        aux = reader.parts[-1].aux
        assert aux["ptt"][-1] == 1
        assert abs(aux["supply_v"][-1] - 3 * 1.5) < 3 * CODE_V
        sensor_mv = 620 * 3000 / 3300  # as read by a reference of 3 V
        assert abs(aux["chip_temperature_c"][-1] - (27 - (sensor_mv - 706) / 1.721)) < 0.6
        reader.driver.close()


def test_garbage_and_half_frames_do_no_harm(board: Board, reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts))
    rng = np.random.default_rng(5)
    whole = frame(bytes([messages.kind(Type.INHIBIT), 1, 255, 255]))
    for size in (1, 23, 24, 25, 400):
        reader.driver._link.write(rng.bytes(size) + b"\x03\x04")
        reader.driver._link.write(b"\0" + whole[: 1 + size % 5])
        reader.driver._link.write(b"\0" + frame(bytes([messages.kind(Type.INHIBIT, 2), 1, 9, 9])))
        reader.driver._link.write(frame(bytes([messages.kind(Type.INHIBIT), 1])))
        reader.read(0.05)
    reader.driver.send(b"inhibit 100")
    board.wait("inhibit", lambda told: len(told) == 3)
    counters = reader.driver.counters
    assert counters["lost"] == counters["restarted"] == counters["corrupt"] == 0


def test_a_line_that_nobody_reads(board: Board, reader: Reader) -> None:
    reader.driver.send(b"set 300 2 1")
    reader.more(20)
    time.sleep(scale(1.0))  # more than the line holds: a frame is torn, blocks are lost
    first = len(reader.parts)
    reader.until(lambda: reader.driver.counters["lost"] > 100)
    reader.until(lambda: len(reader.parts) > first + 5)
    counters = reader.driver.counters
    assert counters["corrupt"] <= 1
    assert [part.gap for part in reader.parts].count(True) <= 3
    reader.driver.send(b"inhibit 100")
    board.wait("inhibit", lambda told: len(told) == 3)


def test_a_stalled_bridge_is_started_anew_by_its_watchdog(tmp_path: Path) -> None:
    with pty() as line:
        with micropython.running(tmp_path, line) as board:
            board.say("volts 2500 1000")
            reader = Reader(board)
            reader.until(lambda: len(reader.parts) > 5)
            board.say("stall")
            board.wait("watchdog", bool)
        with micropython.running(tmp_path, line, BOARD_RESET="3") as board:
            board.say("volts 2500 1000")
            first = len(reader.parts)
            reader.until(lambda: reader.driver.counters["restarted"] == 1)
            reader.until(lambda: len(reader.parts) > first + 20)
            assert any(notice.endswith("reason: watchdog") for notice in reader.notices)
            assert board.events("inhibit")[0].value == "0"
            assert (np.diff(reader.joined("time_ns")) > 0).all()
            assert any(part.gap for part in reader.parts[first:])
            reader.driver.close()


def test_the_service_pin_leaves_the_board_to_its_owner(tmp_path: Path) -> None:
    with (
        pty() as (master, port),
        micropython.running(tmp_path, (master, port), BOARD_SERVICE="0") as board,
    ):
        assert board.process.wait(scale(5)) == 0
        assert [told.value for told in board.events("inhibit")] == ["0"]


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
@pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning", "ignore:setName")
def test_behind_a_serial_port_server(tmp_path: Path, board: Board, scheme: str) -> None:
    board.say("volts 2500 1000")
    with ser2net(tmp_path, Path(board.port), scheme) as (url, start, kill):
        start()
        reader = Reader(board, url)
        reader.until(lambda: len(reader.parts) > 20)
        assert codes(reader, 0) == ({4 * 3102}, {4 * 1240})
        reader.driver.send(b"inhibit 255")  # a byte that telnet doubles
        board.wait("inhibit", lambda told: len(told) == 3)
        on, off = board.events("inhibit")[1:]
        assert 254_000 <= off.us - on.us <= 256_000
        # All values of a byte, in numbers and codes alike.
        reader.driver.send(b"pattern on")
        before = reader.driver.counters["blocks"]
        reader.until(lambda: reader.driver.counters["blocks"] > before + 60)
        given = len(reader.parts)
        reader.driver.send(b"pattern off")
        reader.until(lambda: len(reader.parts) > given)
        counters = reader.driver.counters
        assert counters["corrupt"] == counters["lost"] == counters["pattern_wrong"] == 0
        kill()
        reader.until(lambda: reader.driver.away is not None)
        start()
        back = len(reader.parts)
        reader.until(lambda: len(reader.parts) > back + 5)
        reader.driver.close()
    # What the line holds meanwhile is not lost; what is lost is known.
    counters = reader.driver.counters
    assert codes(reader, back) == ({4 * 3102}, {4 * 1240})
    assert counters["restarted"] == counters["pattern_wrong"] == 0
    assert counters["corrupt"] <= 1
    assert not counters["lost"] or any(part.gap for part in reader.parts[back:])


def test_from_volts_to_the_alarm_and_the_inhibit_output(tmp_path: Path) -> None:
    def key(forward_w: float, reflected_w: float) -> None:
        board.say(f"volts {round(1000 * volts(forward_w))} {round(1000 * volts(reflected_w))}")

    (tmp_path / "board").mkdir()
    with micropython.running(tmp_path / "board") as board:
        config = write_config(
            tmp_path,
            board.port,
            driver=f"{{kind: frames, port: {board.port}, period_us: 500, block: 5}}",
            notify=msgspec.json.encode([INHIBIT]).decode(),
        )
        running = Running(config)
        try:
            running.wait_reading(config)
            key(4.0, 0.3)
            running.wait_status(config, lambda status: status.keyed)
            running.wait_reading(config, 1400)
            assert alarms(running) == []
            key(4.0, 4.0)
            board.wait("inhibit", lambda told: told[-1].value == "1")
            key(0, 0)
            assert wait_until(lambda: bool(alarms(running)))
            assert running.stop()[0] == 0
        finally:
            running.kill()
        opened, inhibited = board.events("volts")[-2], board.events("inhibit")[1]
    took_ms = (inhibited.us - opened.us) / 1000
    print(f"open to inhibit: {took_ms:.1f} ms of the board's time")
    assert in_time(took_ms / 1000, 0.05)


def test_the_first_frame_is_the_identity(board: Board) -> None:
    data = b""
    with open(board.port, "rb", buffering=0) as line:
        while data.count(b"\0") < 2:
            data += line.read(4096)
    frames = data.split(b"\0")
    payload = unframe(next(filter(None, frames)))
    assert payload is not None
    identity = messages.unpack_identity(payload)
    assert identity is not None
    assert identity.why_started == "power"
