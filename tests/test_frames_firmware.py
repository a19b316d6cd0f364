"""The bridge's firmware: its framing on this machine, all of it in an emulated board."""

from __future__ import annotations

import ctypes
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.frames import messages
from drivers.frames.framing import MOST, frame, unframe
from drivers.frames.messages import Type
from tests import avr
from tests.boards import Board, Reader
from tests.deadlines import scale
from tests.servers import needed
from tests.test_frames_framing import rows

pytestmark = pytest.mark.realtime

CODE_V = 5 / 1023  # one code of a single conversion


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("avr")


@pytest.fixture(scope="module")
def framing(folder: Path) -> Path:
    library = folder / "frame.so"
    compile_ = [needed("gcc"), "-O1", "-Wall", "-Werror", "-fPIC", "-shared", "-o", library]
    subprocess.run([*compile_, avr.FIRMWARE / "frame.c"], check=True)
    return library


@pytest.fixture(scope="module")
def emulator(folder: Path) -> Path:
    return avr.build_board(folder)


@pytest.fixture(scope="module")
def firmware(folder: Path) -> Path:
    return avr.build(folder / "default")


@pytest.fixture
def board(emulator: Path, firmware: Path) -> Iterator[Board]:
    with avr.running(emulator, firmware) as board:
        yield board


@pytest.fixture
def reader(board: Board) -> Iterator[Reader]:
    reader = Reader(board)
    yield reader
    reader.driver.close()


class _Frame(ctypes.Structure):
    _fields_ = [
        ("bytes", ctypes.c_void_p),
        ("size", ctypes.c_uint16),
        ("code_at", ctypes.c_uint16),
        ("code", ctypes.c_uint8),
        ("crc", ctypes.c_uint16),
    ]


def framed(library: ctypes.CDLL, payload: bytes) -> bytes:
    room = ctypes.create_string_buffer(MOST + 2)
    state = _Frame()
    library.frame_begin(ctypes.byref(state), room)
    for byte in payload:
        library.frame_put(ctypes.byref(state), byte)
    library.frame_end(ctypes.byref(state))
    return room.raw[: state.size]


def opened(library: ctypes.CDLL, stuffed: bytes) -> bytes:
    room = ctypes.create_string_buffer(stuffed, 256)
    size = library.frame_open(room, len(stuffed)) & 255
    return room.raw[:size]


def test_the_firmware_frames_as_the_driver_does(framing: Path) -> None:
    library = ctypes.CDLL(str(framing))
    (row,) = [r for r in rows("crc_check_values.csv") if r["name"] == "CRC-16/IBM-3740"]
    crc = 0xFFFF
    for byte in b"123456789":
        crc = library.crc16(crc, byte) & 0xFFFF
    assert crc == int(row["check"], 16)

    @settings(max_examples=100)
    @given(st.binary(min_size=1, max_size=MOST - 2), st.sampled_from([0, 1]))
    def there_and_back(data: bytes, filler: int) -> None:
        payload = bytes(byte or filler for byte in data)
        assert framed(library, payload) == frame(payload)
        if len(payload) <= 200:
            assert opened(library, frame(payload)[:-1]) == payload

    @settings(max_examples=100)
    @given(st.binary(min_size=1, max_size=24).map(lambda b: b.replace(b"\0", b"\1")))
    def arbitrary(stuffed: bytes) -> None:
        assert opened(library, stuffed) == (unframe(stuffed) or b"")

    there_and_back()
    arbitrary()
    full = bytes(range(1, 253))
    assert framed(library, full) == frame(full)


def test_volts_at_the_pins_come_out_of_the_driver(board: Board, reader: Reader) -> None:
    steps = [(0, 0), (2500, 1000), (4999, 3), (120, 4800), (1, 1)]
    for forward_mv, reflected_mv in steps:
        board.say(f"volts {forward_mv} {reflected_mv}")
        reader.until_volts(forward_mv / 1000, reflected_mv / 1000, CODE_V)
        first = len(reader.parts)
        reader.more(8)
        for name, mv in (("forward_v", forward_mv), ("reflected_v", reflected_mv)):
            off = np.abs(reader.joined(name, first) - mv / 1000)
            assert off.max() <= CODE_V, (name, mv)
    counters = reader.driver.counters
    assert counters["lost"] == counters["corrupt"] == counters["unidentified"] == 0
    assert counters["blocks"] * 16 == sum(map(len, reader.parts))
    # A busy host delays the emulator, so the dates of some pairs: not those of most.
    assert np.median(np.diff(reader.joined("time_ns"))) == 1_000_000
    assert reader.parts[0].full_scale_v == 5.0


@pytest.mark.parametrize("wanted", [(400, 16, 1), (600, 8, 2), (2000, 4, 4), (300, 80, 1)])
def test_rate_and_block_size_are_set(board: Board, wanted: tuple[int, int, int]) -> None:
    period_us, block, oversampling = wanted
    reader = Reader(board, period_us=period_us, block=block, oversampling=oversampling)
    board.say("volts 2500 1000")

    def made() -> bool:
        identity = reader.driver.identity
        return identity is not None and identity.settings.period_us == period_us

    reader.until(made)
    reader.more(round(0.3e6 / (period_us * block)))
    first, lost = len(reader.parts), reader.driver.counters["lost"]
    reader.more(round(1e6 / (period_us * block)))
    reader.driver.close()
    times = reader.joined("time_ns", first)
    assert abs(np.median(np.diff(times)) / 1000 - period_us) < scale(0.01) * period_us
    assert len(times) * period_us > 800_000
    assert reader.driver.counters["lost"] == lost
    assert reader.driver.counters["corrupt"] == 0
    assert np.abs(reader.joined("forward_v", first) - 2.5).max() <= CODE_V
    assert np.abs(reader.joined("reflected_v", first) - 1.0).max() <= CODE_V
    identity = reader.driver.identity
    assert identity is not None
    assert (identity.settings.skew_us > 0) == (oversampling == 1)


def test_what_cannot_be_is_refused(reader: Reader) -> None:
    reader.until(lambda: reader.driver.identity is not None)
    for words in ("set 200 16 1", "set 280 1 1", "set 40000 16 1", "set 1000 81 1", "set 1000 8 3"):
        reader.driver._stream.refused.clear()
        reader.driver.send(words.encode())
        reader.until(lambda: Type.SET in reader.driver._stream.refused)
    assert reader.notices[-1] == "the bridge refused command 9: not possible"
    assert reader.driver.identity is not None
    assert reader.driver.identity.settings.period_us == 1000


def test_the_pattern_comes_over_whole(reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts))
    reader.driver.send(b"pattern on")
    reader.until(lambda: any("test pattern" in notice for notice in reader.notices))
    given_ = len(reader.parts)
    before = reader.driver.counters["blocks"]
    reader.until(lambda: reader.driver.counters["blocks"] >= before + 20)
    assert len(reader.parts) == given_
    assert reader.driver.counters["pattern_wrong"] == 0
    reader.driver.send(b"pattern off")
    reader.until(lambda: len(reader.parts) > given_)
    assert reader.parts[given_].gap


def test_the_inhibit_output_falls_to_its_safe_state(board: Board, reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts))
    hold_ms = round(scale(300))
    for _ in range(4):
        reader.driver.send(f"inhibit {hold_ms}".encode())
        reader.more(9)  # 144 ms of the board's time
    board.wait("inhibit", lambda told: len(told) == 3)
    # The last of the refreshing commands holds for its time.
    safe, on, off = board.events("inhibit")
    assert (safe.value, on.value, off.value) == ("0", "1", "0")
    assert safe.us < 70_000
    assert 400_000 < off.us - on.us - 1000 * hold_ms < scale(900_000)
    reader.driver.send(b"inhibit 60000")
    board.wait("inhibit", lambda told: len(told) == 4)
    reader.driver.send(b"permit 0")
    board.wait("inhibit", lambda told: len(told) == 5)
    assert [told.value for told in board.events("inhibit")[3:]] == ["1", "0"]


def test_one_command_holds_for_its_limit_in_the_time_of_the_board(
    board: Board, reader: Reader
) -> None:
    reader.until(lambda: bool(reader.parts))
    reader.driver.send(b"inhibit 250")
    board.wait("inhibit", lambda told: len(told) == 3)
    _, on, off = board.events("inhibit")
    assert 249_000 <= off.us - on.us <= 251_000


def test_a_safe_state_that_inhibits(folder: Path, emulator: Path) -> None:
    elf = avr.build(folder / "safe", SAFE_INHIBITS=1, BAUD=250000)
    with avr.running(emulator, elf) as board:
        reader = Reader(board, baud=250000)
        reader.until(lambda: reader.driver.identity is not None)
        assert reader.driver.identity is not None
        assert reader.driver.identity.inhibit == 3
        reader.driver.send(b"permit 200")
        board.wait("inhibit", lambda told: len(told) == 3)
        reader.driver.close()
        assert [told.value for told in board.events("inhibit")] == ["1", "0", "1"]


def test_lost_frames_are_counted_and_leave_a_gap(board: Board, reader: Reader) -> None:
    reader.until(lambda: len(reader.parts) > 5)
    board.say("sever")
    reader.read(0.4)
    first = len(reader.parts)
    board.say("join")
    reader.until(lambda: len(reader.parts) > first + 5)
    times = reader.joined("time_ns")
    lost = reader.driver.counters["lost"]
    assert lost > 100
    assert lost % 16 == 0
    assert [part.gap for part in reader.parts].count(True) == 1
    assert abs(np.diff(times).max() / 1e6 - (lost + 1)) < scale(2)


def test_a_host_that_starts_in_the_middle_of_a_frame(board: Board, reader: Reader) -> None:
    reader.until(lambda: len(reader.parts) > 5)
    reader.driver.close()
    for _ in range(3):
        time.sleep(0.013)
        later = Reader(board)
        later.until(lambda later=later: len(later.parts) > 5)
        later.driver.close()
        counters = later.driver.counters
        assert counters["corrupt"] == counters["restarted"] == counters["pattern_wrong"] == 0
        assert counters["partial"] <= 1


def test_a_stalled_bridge_is_started_anew_by_its_watchdog(board: Board, reader: Reader) -> None:
    board.say("volts 2500 1000")
    reader.until(lambda: len(reader.parts) > 5)
    reader.driver.send(b"inhibit 60000")
    board.wait("inhibit", lambda told: told[-1].value == "1")
    before = len(reader.parts)
    board.say("stall")
    reader.until(lambda: reader.driver.counters["restarted"] == 1)
    reader.more(20)
    assert any(notice.endswith("reason: watchdog") for notice in reader.notices)
    first = before + [part.gap for part in reader.parts[before:]].index(True)
    assert (np.diff(reader.joined("time_ns")) > 0).all()
    assert board.events("inhibit")[-1].value == "0"
    assert np.abs(reader.joined("forward_v", first) - 2.5).max() <= CODE_V


def test_garbage_on_the_line_to_the_bridge_does_no_harm(board: Board, reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts))
    rng = np.random.default_rng(5)
    for size in (1, 23, 24, 25, 200):
        reader.driver._link.write(rng.bytes(size))
        reader.driver._link.write(frame(bytes([messages.kind(Type.INHIBIT, 2), 1, 255, 255])))
        reader.read(0.1)
    reader.driver.send(b"inhibit 100")
    board.wait("inhibit", lambda told: len(told) == 3)
    assert reader.driver.counters["lost"] == reader.driver.counters["restarted"] == 0


def test_push_to_talk_comes_as_a_reading(board: Board, reader: Reader) -> None:
    reader.until(lambda: bool(reader.parts) and "ptt" in reader.parts[-1].aux)
    assert reader.parts[-1].aux["ptt"][-1] == 0
    board.say("ptt 1")
    reader.until(lambda: reader.parts[-1].aux["ptt"][-1] == 1, 0.5)


def test_the_stream_starts_with_the_identity(board: Board) -> None:
    data = b""
    with open(board.port, "rb", buffering=0) as line:
        while b"\0" not in data:
            data += line.read(4096)
    stuffed, *_ = data.split(b"\0")
    payload = unframe(stuffed)
    assert payload is not None
    identity = messages.unpack_identity(payload)
    assert identity is not None
    assert identity.name == "avr bridge 1"
    assert identity.why_started == "power"
    assert identity.settings.boot == 0


def test_the_prebuilt_file_is_what_the_compiler_makes(tmp_path: Path) -> None:
    version = subprocess.run([needed("avr-gcc"), "-dumpversion"], capture_output=True, check=True)
    if version.stdout.strip() != b"5.4.0":
        pytest.skip("the prebuilt file was made by avr-gcc 5.4.0, that of Debian 12")
    avr.build(tmp_path)
    built = (tmp_path / "bridge.hex").read_bytes()
    assert built == (avr.FIRMWARE / "bridge.hex").read_bytes(), "run `make prebuilt`"
