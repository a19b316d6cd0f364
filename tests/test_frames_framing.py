"""CRC and COBS by published values; frames out of whole, torn, mutated and arbitrary bytes."""

from __future__ import annotations

import csv
import tracemalloc
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.frames.framing import (
    LONGEST,
    MOST,
    Deframer,
    cobs_decode,
    cobs_encode,
    crc16,
    frame,
    unframe,
)

REFERENCES = Path(__file__).parent / "references"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCES / name).open(newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_the_crc_is_the_one_of_the_catalogue() -> None:
    (row,) = [r for r in rows("crc_check_values.csv") if r["name"] == "CRC-16/IBM-3740"]
    texts = {
        "check": b"123456789",
        "crc_empty": b"",
        "crc_00": b"\0",
        "crc_A": b"A",
        "crc_fox": b"The quick brown fox jumps over the lazy dog",
        "crc_00toFF": bytes(range(256)),
    }
    assert {name: crc16(text) for name, text in texts.items()} == {
        name: int(row[name], 16) for name in texts
    }


@pytest.mark.parametrize("row", rows("cobs_vectors.csv"), ids=lambda row: row["source"])
def test_cobs_agrees_with_the_published_examples(row: dict[str, str]) -> None:
    raw = bytes.fromhex(row["raw_hex"])
    encoded = bytes.fromhex(row["encoded_with_delim_hex"])
    assert cobs_encode(raw) + b"\0" == encoded
    assert cobs_decode(encoded[:-1]) == raw


@given(st.binary(max_size=800), st.sampled_from([0, 1, 255]))
def test_cobs_goes_there_and_back(data: bytes, filler: int) -> None:
    for raw in (data, bytes(b or filler for b in data)):
        encoded = cobs_encode(raw)
        assert 0 not in encoded
        assert cobs_decode(encoded) == raw
        assert len(encoded) <= max(1, len(raw) + -(-len(raw) // 254)) + (not raw)


def found(pieces: list[bytes]) -> tuple[list[bytes], Deframer]:
    deframer = Deframer()
    payloads = []
    for piece in pieces:
        frames = [
            (int(place), row.tobytes())
            for group in deframer.feed(piece)
            for place, row in zip(group.place, group.payload, strict=True)
        ]
        payloads += [payload for _, payload in sorted(frames)]
    return payloads, deframer


def by_hand(data: bytes) -> list[bytes]:
    """Frame by frame, as a plain loop would."""
    return [p for piece in data.split(b"\0")[:-1] if (p := unframe(piece)) is not None]


def cut(data: bytes, places: list[int]) -> list[bytes]:
    ends = sorted(place % (len(data) + 1) for place in places)
    return [data[a:b] for a, b in pairwise([0, *ends, len(data)])]


payloads = st.one_of(
    st.binary(min_size=1, max_size=MOST - 2),
    st.binary(min_size=20, max_size=20),  # many of a length are read in bulk
    st.lists(st.sampled_from([0, 0, 1, 255]), min_size=30, max_size=30).map(bytes),
)


@given(st.lists(payloads, max_size=60), st.lists(st.integers(0, 10_000), max_size=8))
def test_every_frame_is_found_however_the_bytes_are_cut(
    sent: list[bytes], places: list[int]
) -> None:
    got, deframer = found(cut(b"".join(map(frame, sent)), places))
    assert got == sent
    assert (deframer.corrupt, deframer.partial) == (0, 0)


@given(
    st.lists(st.binary(min_size=20, max_size=24), min_size=1, max_size=40),
    st.lists(
        st.tuples(st.integers(0, 10**6), st.binary(max_size=3), st.integers(0, 3)), max_size=6
    ),
    st.lists(st.integers(0, 10_000), max_size=8),
)
def test_what_is_intact_in_a_mutated_stream_is_found(
    sent: list[bytes], mutations: list[tuple[int, bytes, int]], places: list[int]
) -> None:
    data = b"".join(map(frame, sent))
    for at, new, gone in mutations:
        at %= len(data) + 1
        data = data[:at] + new + data[at + gone :]
    got, deframer = found(cut(data, places))
    assert got == by_hand(data)
    # One mutation spoils two frames at most, and a wrong CRC is taken for right once in 65,536.
    assert len(set(sent) - set(got)) <= 2 * len(mutations)
    assert deframer.corrupt <= 2 * len(mutations) + sum(new.count(0) for _, new, _ in mutations)


@given(st.lists(st.binary(max_size=600), max_size=12))
def test_arbitrary_bytes_give_only_frames_with_a_right_crc(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    got, deframer = found(pieces)
    assert got == by_hand(data)
    dropped = sum(1 for piece in data.split(b"\0")[:-1] if piece and unframe(piece) is None)
    assert deframer.corrupt + deframer.partial == dropped
    assert deframer.partial <= 1


def test_the_first_intact_frame_after_garbage_is_found() -> None:
    garbage = bytes(range(1, 256)) * 40
    for size in range(0, 700, 7):
        got, deframer = found([garbage[:size], frame(b"merged"), frame(b"whole")])
        assert got[-1] == b"whole"
        assert deframer.partial <= 1
        assert deframer.corrupt == 0


def test_one_flipped_bit_anywhere_is_noticed() -> None:
    whole = frame(bytes(range(40)))
    for i in range(8 * len(whole)):
        torn = bytearray(whole)
        torn[i // 8] ^= 1 << i % 8
        got, _ = found([frame(b"before") + bytes(torn) + frame(b"after") + frame(b"next")])
        assert got in ([b"before", b"after", b"next"], [b"before", b"next"])


def test_bytes_without_a_delimiter_do_not_fill_the_memory() -> None:
    deframer = Deframer()
    noise = b"\x55" * 65536
    tracemalloc.start()
    for _ in range(300):
        deframer.feed(noise)
        assert len(deframer._tail) <= LONGEST
    assert tracemalloc.get_traced_memory()[1] < 4 * len(noise)
    tracemalloc.stop()
    assert not deframer.feed(b"\x01\0")
    assert len(deframer.feed(frame(b"whole"))) == 1
    assert deframer.corrupt + deframer.partial == 1


def test_the_longest_frame_may_end_in_a_needless_code() -> None:
    longest = b"\x01" * (MOST - 2)
    stuffed = frame(longest)[:-1]
    assert unframe(stuffed) == longest
    if stuffed[0] == 255:  # no zero in the CRC
        assert unframe(stuffed + b"\x01") == longest
    assert unframe(frame(b"\x01" * (MOST - 1))[:-1]) is None
