"""From frames to sample blocks: what is lost, late, torn or of a bridge that started anew."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from drivers.frames import messages
from drivers.frames.framing import frame
from drivers.frames.messages import Identity, Settings, Type
from drivers.frames.stream import FrameStream
from drivers.recording import Chunk
from tests import frames_encoder

T0 = 1_000_000_000_000
US = 1000
SETTINGS = Settings(3, 1000, 8, 4, 12, 0, 4092, 5000, 0)
HELLO = frames_encoder.pack_identity(Identity(SETTINGS, 1, 0, "harbour bridge"))


def pairs_of(number: int, count: int) -> np.ndarray:
    """Pairs whose codes tell their number."""
    numbers = number + np.arange(count)
    return np.stack((numbers % 4093, (7 * numbers) % 4093), axis=1).astype(np.uint16)


def block(number: int, settings: Settings = SETTINGS, count: int = 8) -> bytes:
    clock = number * settings.period_us
    return frames_encoder.pack_block(settings, number, clock, pairs_of(number, count))


class Line:
    """Feeds frames a millisecond apart and keeps what comes out."""

    def __init__(self) -> None:
        self.stream = FrameStream(10**9)
        self.now_ns = T0
        self.parts: list[SampleBlock] = []

    def feed(self, *frames: bytes, after_ns: int = 8000 * US) -> list[SampleBlock]:
        parts = []
        for one in frames:
            self.now_ns += after_ns
            parts += self.stream.feed_parts([Chunk(self.now_ns, one)])
        self.parts += parts
        return parts

    @property
    def numbers(self) -> list[int]:
        """The numbers of the pairs that came, as their codes tell."""
        codes = [np.rint(part.forward_v / SETTINGS.volts).astype(int) for part in self.parts]
        return np.concatenate(codes).tolist() if codes else []

    @property
    def gaps(self) -> list[bool]:
        return [part.gap for part in self.parts]


@pytest.fixture
def line() -> Line:
    line = Line()
    line.feed(HELLO, after_ns=0)
    return line


def test_volts_scale_and_times(line: Line) -> None:
    parts = line.feed(*map(block, range(0, 80, 8)))
    assert line.numbers == list(range(80))
    assert parts[0].step_v == (5 / 4092, 5 / 4092)
    assert parts[0].full_scale_v == 5.0
    expected = pairs_of(0, 80)[:, 1] * 5 / 4092
    assert np.concatenate([part.reflected_v for part in parts]) == pytest.approx(expected)
    times = np.concatenate([part.time_ns for part in parts])
    assert np.abs(np.diff(times) - 1000 * US).max() <= 2 * US
    assert times[-1] == line.now_ns


def test_many_blocks_at_once_are_read_as_one_by_one(line: Line) -> None:
    frames = [block(n) for n in range(0, 800, 8)]
    (whole,) = line.stream.feed_parts([Chunk(T0 + 800_000 * US, b"".join(frames))])
    assert np.rint(whole.forward_v / SETTINGS.volts).tolist() == list(range(800))
    assert not whole.gap
    assert line.stream.counters["blocks"] == 100


@pytest.mark.parametrize("bits", [12, 16])
def test_pairs_go_there_and_back(bits: int) -> None:
    rng = np.random.default_rng(2)
    codes = rng.integers(0, 1 << bits, (60, 2), dtype=np.uint16)
    packed = np.frombuffer(frames_encoder.pack_pairs(codes, bits), np.uint8).reshape(2, -1)
    forward, reflected = messages.unpack_pairs(packed, bits)
    assert (np.stack((forward.ravel(), reflected.ravel()), axis=1) == codes).all()
    assert packed.size == 60 * messages.PAIR_BYTES[bits]


def test_nothing_is_read_without_the_settings(line: Line) -> None:
    stream = FrameStream(115200)
    assert stream.feed([Chunk(T0, block(0))]) is None
    assert stream.asking
    assert stream.counters["unidentified"] == 1
    # By other settings the same codes would be other volts.
    other = SETTINGS._replace(oversampling=1, full_scale=1023)
    assert line.feed(block(0, other), block(8, other)) == []
    assert line.stream.counters["unidentified"] == 2
    changed = frames_encoder.pack_identity(Identity(other, 1, 0, "harbour bridge"))
    (part,) = line.feed(changed, block(16, other))
    assert part.full_scale_v == 5.0
    assert part.step_v == (5 / 1023, 5 / 1023)


def test_lost_blocks_are_counted_in_pairs_and_leave_a_gap(line: Line) -> None:
    line.feed(block(0), block(8), block(8 + 1800 * 8), block(8 + 1801 * 8))
    assert line.gaps == [False, False, True, False]
    assert line.stream.counters["lost"] == 1799 * 8
    spans = np.diff(line.parts[2].time_ns)
    assert (spans > 900 * US).all()


def test_a_loss_within_what_came_at_once_is_where_it_was(line: Line) -> None:
    frames = [block(n) for n in range(0, 400, 8) if n != 200]
    parts = line.stream.feed_parts([Chunk(T0 + 400_000 * US, b"".join(frames))])
    assert [len(part) for part in parts] == [200, 192]
    assert [part.gap for part in parts] == [False, True]
    assert parts[1].time_ns[0] - parts[0].time_ns[-1] == 9000 * US
    stream = FrameStream(10**9)
    whole = stream.feed([Chunk(T0, HELLO + b"".join(frames))])
    assert whole is not None
    assert whole.gap


def test_a_block_twice_or_late_is_dropped(line: Line) -> None:
    line.feed(block(0), block(8), block(8), block(24), block(16), block(32))
    assert line.numbers == [*range(16), *range(24, 40)]
    assert line.stream.counters["reordered"] == 2
    assert line.stream.counters["lost"] == 8
    assert line.stream.counters["restarted"] == 0
    times = np.concatenate([part.time_ns for part in line.parts])
    assert (np.diff(times) > 0).all()


def test_the_numbers_and_the_clock_may_wrap(line: Line) -> None:
    last = 2**32 - 16
    line.feed(block(last), block(last + 8), block(2**32), block(2**32 + 8))
    assert line.stream.counters["lost"] == 0
    assert line.stream.counters["restarted"] == 0
    times = np.concatenate([part.time_ns for part in line.parts])
    assert np.abs(np.diff(times) - 1000 * US).max() <= 2 * US


def test_a_bridge_that_started_anew(line: Line) -> None:
    line.feed(*map(block, range(80_000, 80_080, 8)))
    line.stream.notices.clear()
    anew = SETTINGS._replace(boot=4)
    hello = frames_encoder.pack_identity(Identity(anew, 4, 0, "harbour bridge"))
    parts = line.feed(hello, block(0, anew), block(8, anew))
    assert line.stream.counters["restarted"] == 1
    assert line.stream.counters["lost"] == 0
    assert [part.gap for part in parts] == [True, False]
    assert [part.clock_step for part in parts] == [True, False]
    assert parts[0].time_ns[0] > line.parts[-3].time_ns[-1]
    assert "watchdog" in line.stream.notices[-1]


def test_a_leap_of_the_clock_is_flagged(line: Line) -> None:
    line.feed(*map(block, range(0, 8000, 8)))
    frames = [
        frames_encoder.pack_block(SETTINGS, n, n * 1000 - 3_000_000, pairs_of(n, 8))
        for n in range(8000, 8800, 8)
    ]
    parts = line.feed(*frames)
    assert [part.clock_step for part in parts] == [True] + [False] * 99
    assert line.stream.counters["bridge_clock"] == 1
    assert line.stream.notices[-1].startswith("the bridge's clock jumped")


def test_a_bridge_without_memory_that_started_anew(line: Line) -> None:
    line.feed(block(80_000), block(0), block(8))
    assert line.stream.counters["restarted"] == 1
    assert line.gaps == [False, True, False]


def test_another_version_is_told_once_and_never_read(line: Line) -> None:
    line.stream.notices.clear()
    payload = bytes([messages.kind(Type.BLOCK, version=2)]) + bytes(40)
    line.feed(*[frame(payload)] * 50)
    assert line.parts == []
    assert line.stream.counters["other_version"] == 50
    (said,) = line.stream.notices
    assert "version 2" in said
    assert "update this program" in said


@pytest.mark.parametrize(
    "payload",
    [
        b"\x11short",
        b"\x11" + bytes(16) + b"\1\0name",  # full scale 0
        b"\x12short",
        b"\x12" + SETTINGS.tag.to_bytes(2, "little") + bytes(8) + b"\x09" + bytes(24),  # n is 8
        b"\x13" + bytes(6),
    ],
)
def test_what_fits_no_layout_is_counted(line: Line, payload: bytes) -> None:
    line.feed(frame(payload), block(0))
    assert line.stream.counters["malformed"] == 1
    assert line.numbers == list(range(8))


def test_auxiliary_readings_hold_for_five_seconds(line: Line) -> None:
    (before,) = line.feed(block(0))
    readings = frames_encoder.pack_readings(10_000, {1: 4987, 2: 2150, 3: 27_185_000, 4: 1, 99: 5})
    (after,) = line.feed(readings, block(8))
    (late,) = line.feed(block(8000), after_ns=8_000_000 * US)
    assert dict(before.aux) == dict(late.aux) == {}
    assert {name: column[0] for name, column in after.aux.items()} == pytest.approx(
        {"supply_v": 4.987, "chip_temperature_c": 21.5, "frequency_khz": 27185.0, "ptt": 1.0}
    )


def test_skew_moves_pairs_to_the_middle() -> None:
    times = []
    for skew_us in (0, 104):
        line = Line()
        settings = SETTINGS._replace(skew_us=skew_us)
        line.feed(frames_encoder.pack_identity(Identity(settings, 1, 0, "")), after_ns=0)
        line.feed(block(0, settings))
        times.append(line.parts[0].time_ns)
    assert (times[1] - times[0] == 52 * US).all()


def test_a_pattern_is_checked_and_gives_no_pairs(line: Line) -> None:
    pattern = SETTINGS._replace(pattern=1)
    numbers = 4090 + np.arange(8)
    codes = np.stack((numbers & 4095, ~numbers & 4095), axis=1).astype(np.uint16)
    line.feed(frames_encoder.pack_identity(Identity(pattern, 1, 0, "")))
    line.feed(frames_encoder.pack_block(pattern, 4090, 0, codes))
    assert line.stream.counters["pattern_wrong"] == 0
    codes[3, 1] ^= 1
    line.feed(frames_encoder.pack_block(pattern, 4098, 0, codes))
    assert line.stream.counters["pattern_wrong"] == 8
    assert line.parts == []
    line.feed(HELLO, block(4106))
    assert line.gaps == [True]


@given(
    st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 255), st.integers(0, 12)), max_size=8),
    st.lists(st.integers(0, 5000), max_size=10),
)
def test_damage_makes_gaps_and_never_wrong_values(
    damage: list[tuple[int, int, int]], places: list[int]
) -> None:
    data = HELLO + b"".join(block(n) for n in range(0, 400, 8)) + HELLO
    for at, byte, gone in damage:
        at = max(len(HELLO), at % len(data))
        data = data[:at] + bytes([byte]) + data[at + gone :]
    stream = FrameStream(10**9)
    parts: list[SampleBlock] = []
    ends = sorted(place % (len(data) + 1) for place in places)
    for k, (a, b) in enumerate(pairwise([0, *ends, len(data)])):
        parts += stream.feed_parts([Chunk(T0 + 10**6 * k, data[a:b])])
    if not parts:
        return
    numbers = np.concatenate([np.rint(part.forward_v / SETTINGS.volts) for part in parts])
    reflected = np.concatenate([np.rint(part.reflected_v / SETTINGS.volts) for part in parts])
    assert (reflected == 7 * numbers % 4093).all()
    assert (np.diff(numbers) > 0).all()
    jumps = np.diff(numbers)
    assert stream.counters["lost"] == int((jumps - 1).sum())
    starts = np.cumsum([len(part) for part in parts])[:-1]
    after_gap = {int(s) for s, part in zip(starts, parts[1:], strict=True) if part.gap}
    assert after_gap == set((np.flatnonzero(jumps > 1) + 1).tolist())
    assert (np.diff(np.concatenate([part.time_ns for part in parts])) > 0).all()


@given(st.lists(st.binary(max_size=60), max_size=40))
def test_intact_frames_of_any_content_are_survived(payloads: list[bytes]) -> None:
    stream = FrameStream(115200)
    stream.feed([Chunk(T0, HELLO)])
    for k, payload in enumerate(payloads):
        for first in (0x11, 0x12, 0x13, 0x14, 0x1F, 0x22):
            stream.feed([Chunk(T0 + k, frame(bytes([first]) + payload))])
    assert all(count >= 0 for count in stream.counters.values())


def test_what_is_said_and_kept_stays_small() -> None:
    stream = FrameStream(115200)
    for k in range(2000):
        other = SETTINGS._replace(boot=k % 2)
        stream.feed([Chunk(T0 + k, frames_encoder.pack_identity(Identity(other, 1, 0, "")))])
    assert len(stream.notices) <= 100


def test_commands_in_words() -> None:
    assert messages.command("inhibit 1500") == b"\0" + frame(b"\x1a\x01\xdc\x05")
    assert messages.command(" permit 0\n") == b"\0" + frame(b"\x1a\x00\x00\x00")
    assert messages.command("identify") == b"\0" + frame(b"\x18")
    assert messages.command("set 500 16 1") == b"\0" + frame(b"\x19\xf4\x01\0\0\x10\x01")
    assert messages.command("pattern on") == b"\0" + frame(b"\x1b\x01")
    for words in ("", "inhibit", "inhibit soon", "inhibit 70000", "set 1 2", "jump"):
        with pytest.raises(ValueError, match="known commands: identify"):
            messages.command(words)
