"""From chunks of bytes to sample blocks: times, auxiliary columns, reopening; recordings."""

from __future__ import annotations

import contextlib
import gzip
from pathlib import Path

import msgspec
import numpy as np
import pytest

from drivers.contract import EndOfInput, LinkError
from drivers.recording import Chunk, Header, Writer, open_plain_or_gzip, read_chunks, read_header
from drivers.replay import ReplayDriver, ReplayOptions
from drivers.text_lines.driver import TextLinesOptions, TextStream

T0 = 1_772_000_000_000_000_000
MS = 1_000_000
S = 1000 * MS


def stream(**options: object) -> TextStream:
    return TextStream(TextLinesOptions(port="none", **options))


def test_lines_of_a_chunk_are_a_transmission_time_apart() -> None:
    lines = stream(columns=["forward_v", "reflected_v"], baud=10_000)  # a byte takes 1 ms
    lines.feed([Chunk(T0 - MS, b"\n")])
    block = lines.feed([Chunk(T0, b"1.00,0.1\n"), Chunk(T0 + 50 * MS, b"2.00,0.2\n3.00,0.3\n")])
    assert block is not None
    assert ((block.time_ns - T0) // MS).tolist() == [0, 41, 50]
    assert block.forward_v.tolist() == [1.0, 2.0, 3.0]
    assert block.step_v == (0.01, 0.1)


def test_bytes_that_waited_came_evenly() -> None:
    lines = stream(columns=["forward_v", "reflected_v"])
    lines.feed([Chunk(T0 - MS, b"\n")])
    block = lines.feed([Chunk(T0, b"1.0,0.1\n"), Chunk(T0 + 40 * MS, b"1.0,0.1\n" * 8, 40 * MS)])
    assert block is not None
    assert ((block.time_ns - T0) // MS).tolist() == list(range(0, 41, 5))


def test_times_never_go_back() -> None:
    lines = stream(columns=["forward_v", "reflected_v"], baud=100)
    lines.feed([Chunk(T0 - MS, b"\n")])
    blocks = [lines.feed([Chunk(T0 + k * MS, b"1.0,0.1\n" * 5)]) for k in range(5)]
    times = np.concatenate([block.time_ns for block in blocks if block is not None])
    assert (np.diff(times) >= 1000).all()
    assert (times % 1000 == 0).all()


def test_the_bridge_clock_takes_batching_out_of_the_times() -> None:
    lines = stream()
    period_us, batch = 5000, 16  # sixteen lines arrive together, as behind a USB adapter
    blocks = []
    lines.feed([Chunk(T0 - MS, b"time_us,forward_mv,reflected_mv,temperature_c\n")])
    for first in range(0, 4000, batch):
        texts = [
            f"{(2**32 - 9_000_000 + k * period_us) % 2**32},{1000 + k},50,21.5"
            for k in range(first, first + batch)
        ]
        arrival_ns = T0 + (first + batch) * period_us * 1000
        blocks.append(lines.feed([Chunk(arrival_ns, ("\n".join(texts) + "\n").encode())]))
    times = np.concatenate([block.time_ns for block in blocks if block is not None])
    steps = np.diff(times[1000:])
    assert len(times) == 4000
    assert np.abs(steps - period_us * 1000).max() < 50_000
    assert blocks[0] is not None
    assert blocks[0].forward_v[0] == pytest.approx(1.0)
    assert blocks[0].aux["temperature_c"].tolist() == [21.5] * batch


def test_a_leap_of_the_bridge_clock_is_flagged() -> None:
    lines = stream(columns=["time_us", "forward_v", "reflected_v"])
    lines.feed([Chunk(T0 - MS, b"\n")])
    flagged, times = [], []
    for k in range(2000):
        leapt_us = 0 if k < 1000 else -3_000_000  # it was started anew
        text = f"{10_000_000 + leapt_us + 5000 * k},1.0,0.1\n"
        block = lines.feed([Chunk(T0 + 5 * k * MS, text.encode())])
        assert block is not None
        flagged.append(block.clock_step)
        times += block.time_ns.tolist()
    assert np.flatnonzero(flagged).tolist() == [1000]
    assert np.abs(np.array(times) - T0 - 5 * MS * np.arange(2000)).max() < MS
    assert lines.clock_restarts == 1


def test_more_pairs_than_microseconds_are_cut_down_to_the_newest() -> None:
    lines = stream(columns=["forward_v", "reflected_v"])
    lines.feed([Chunk(T0 - MS, b"\n0.0,0.0\n")])
    text = b"".join(b"%.5f,0.1\n" % (k / 1e5) for k in range(200_000))
    block = lines.feed([Chunk(T0, text)])
    assert block is not None
    assert block.gap
    assert lines.flooded == 200_000 - len(block) > 0
    assert block.forward_v[-1] == 1.99999
    assert block.time_ns[-1] <= T0 + 50 * MS
    after = lines.feed([Chunk(T0 + S, b"1.0,0.1\n")])
    assert after is not None
    assert not after.gap


def test_what_is_skipped_leaves_a_gap_and_no_torn_line() -> None:
    lines = stream(columns=["forward_v", "reflected_v"])
    lines.feed([Chunk(T0, b"\n1.0,0.1\n2.0,0.")])
    lines.skip([Chunk(T0 + MS, b"1\n3.0,0.1\n4.0,")])
    block = lines.feed([Chunk(T0 + 2 * MS, b"0.1\n5.0,0.1\n")])
    assert block is not None
    assert block.gap
    assert block.forward_v.tolist() == [5.0]
    assert lines.flooded == 2


def test_after_reopening_a_torn_line_is_dropped() -> None:
    lines = stream(columns=["forward_v", "reflected_v"])
    lines.feed([Chunk(T0, b"\n1.0,0.1\n2.0,0")])
    lines.reset()
    block = lines.feed([Chunk(T0 + MS, b".7\n3.0,0.3\n")])
    assert block is not None
    assert block.forward_v.tolist() == [3.0]


def test_counts_need_their_scale() -> None:
    lines = stream(
        columns=["forward_counts", "reflected_counts"], counts_full_scale=1023, reference_v=5.0
    )
    block = lines.feed([Chunk(T0, b"\n1023,511\n")])
    assert block is not None
    assert block.forward_v.tolist() == [5.0]
    assert block.full_scale_v == 5.0
    with pytest.raises(msgspec.ValidationError, match="counts_full_scale"):
        msgspec.convert(
            {"port": "x", "columns": ["forward_counts", "reflected_counts"]}, TextLinesOptions
        )


def drain(path: Path) -> tuple[list[int], list[float], ReplayDriver]:
    driver = ReplayDriver(ReplayOptions(path=path))
    driver.open()
    times: list[int] = []
    volts: list[float] = []
    with contextlib.suppress(EndOfInput):
        while block := driver.read(1.0, 0.0):
            times += block.time_ns.tolist()
            volts += block.forward_v.tolist()
    driver.close()
    return times, volts, driver


@pytest.mark.parametrize("name", ["port.rec", "port.rec.gz"])
def test_a_recording_comes_back_and_may_be_cut_short(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    header = Header("text-lines", {"port": "none", "columns": ["forward_v", "reflected_v"]})
    writer = Writer(path, header)
    chunks = [Chunk(T0 + k * 5 * MS, f"{k}.5,0.1\n".encode()) for k in range(20)]
    for chunk in chunks:
        writer.write(chunk)
    writer.close()
    with open_plain_or_gzip(path) as file:
        assert read_header(file, path) == header
        assert [chunk for some in read_chunks(file) for chunk in some] == chunks
    _, volts, _ = drain(path)
    assert volts == [k + 0.5 for k in range(1, 20)]  # the first line could be the tail of one
    if name == "port.rec":
        path.write_bytes(path.read_bytes()[:-5])
        assert drain(path)[1] == volts[:-1]


def test_csv_pairs_that_are_not_later_are_dropped_and_told(tmp_path: Path) -> None:
    path = tmp_path / "pairs.csv.gz"
    rows = [
        "1772000000.000001,1,0.1",
        "1772000000.000003,2,0.1",
        "1772000000.000002,3,0.1",
        "1772000000.000003,4,0.1",
        "nonsense",
        "1772000000.000004,5,0.1",
    ]
    path.write_bytes(gzip.compress(("time_s,forward_v,reflected_v\n" + "\n".join(rows)).encode()))
    times, volts, driver = drain(path)
    assert volts == [1.0, 2.0, 5.0]
    assert [time - T0 for time in times] == [1000, 3000, 4000]
    (told,) = driver.notices()
    assert "2 not_later" in told
    assert "1 malformed" in told or "1 wrong_count" in told


def test_what_is_no_file_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="No such file"):
        drain(tmp_path / "none.csv")
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    driver = ReplayDriver(ReplayOptions(path=empty))
    driver.open()
    with pytest.raises(LinkError, match=r"header|empty"):
        driver.read(1.0, 0.0)
    driver.close()
