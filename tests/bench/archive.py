"""Prints what the archive of raw pairs costs: bytes a pair in the file, and pairs a second to
encode, decode and derive again, beside numpy.save with zlib and Parquet with zstd on the same data.

    python -m tests.bench.archive [pairs]

Fails if a bar is missed.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from drivers.contract import EndOfInput, SampleBlock, join
from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.calibration.simulated import calibration
from logger.config.load import load
from logger.pipeline import Pipeline
from logger.recompute import recompute
from logger.rows import Samples
from logger.store.archive import same
from logger.store.archive_writer import MERGED_PAIRS
from logger.store.segments import decode, encode
from logger.store.writer import StoreWriter

STEP_V = 3.3 / 4096
RATE_HZ = 200
START_NS = 1_790_000_000_000_000_000
COMMIT_PAIRS = 400  # of 2 s
REPEATS = 7
IN_FILE = 0.70  # bytes a pair of a steady carrier
OF_ENTROPY = 1.3  # times the entropy of the differences, for speech
CODEC, RECOMPUTED = 20e6, 5e6  # pairs a second


def carrier(pairs: int) -> SampleBlock:
    """A 12-bit converter at a regular rate, one step rms of noise on each port."""
    noise = np.random.default_rng(5).normal(size=(2, pairs))
    forward, reflected = np.rint(np.array([[1500.3], [300.2]]) + noise) * STEP_V
    times = START_NS + np.arange(pairs) * (1_000_000_000 // RATE_HZ)
    return SampleBlock(times, forward, reflected, {}, (STEP_V, STEP_V), 4095 * STEP_V)


def station(pairs: int, mode: str, rate_hz: int = RATE_HZ) -> tuple[SampleBlock, SimulatedOptions]:
    """So many pairs of the simulated station, which talks a third of the time, with its channel
    and frequency; all of them, keyed or not."""
    options = msgspec.convert(
        {
            "seed": 3,
            "rate_hz": rate_hz,
            "duration_s": pairs / rate_hz,
            "pace": "fast",
            "start_utc": "2026-09-21T00:00:00Z",
            "block_s": 60,
            "operator": {
                "random": {
                    "transmissions_per_hour": 85,
                    "modes": [mode],
                    "channels": [19, 20, 21],
                }
            },
        },
        SimulatedOptions,
    )
    driver = SimulatedDriver(options)
    driver.open()
    blocks = []
    try:
        while True:
            blocks.append(driver.read(0.0, 0.0))
    except EndOfInput:
        return join(blocks), options


def archived(whole: SampleBlock, options: SimulatedOptions, config: Any) -> SampleBlock:
    """What of it is archived."""
    pipeline = Pipeline(config, Coupler(calibration(options.coupler, options.adc)))
    rows = [*pipeline.process(whole), *pipeline.finish()]
    return join([row.block for row in rows if isinstance(row, Samples)])


def entropy(block: SampleBlock, *, differences: bool) -> float:
    """Bytes a pair: of the codes, or of their differences from pair to pair."""
    total = 0.0
    for volts in (block.forward_v, block.reflected_v):
        codes = np.rint(volts / block.step_v[0]).astype(np.int64)
        _, count = np.unique(np.diff(codes) if differences else codes, return_counts=True)
        share = count / count.sum()
        total -= float((share * np.log2(share)).sum())
    return total / 8


def best(work: Callable[[], Any]) -> tuple[float, Any]:
    """Least seconds on the processor, and the result."""
    least, result = np.inf, None
    for _ in range(REPEATS):
        begun = time.process_time()
        result = work()
        least = min(least, time.process_time() - begun)
    return least, result


def columns(block: SampleBlock) -> dict[str, np.ndarray]:
    return {
        "time_ns": block.time_ns,
        "forward_v": block.forward_v,
        "reflected_v": block.reflected_v,
        **block.aux,
    }


def codes(block: SampleBlock) -> dict[str, np.ndarray]:
    """The same with readings as the converter's codes."""
    return columns(block) | {
        name: np.rint(getattr(block, name) / block.step_v[0]).astype(np.int16)
        for name in ("forward_v", "reflected_v")
    }


def saved(block: SampleBlock) -> bytes:
    file = io.BytesIO()
    np.save(file, np.stack([column.view(np.float64) for column in columns(block).values()]))
    return zlib.compress(file.getvalue())


def loaded(data: bytes) -> np.ndarray:
    return np.load(io.BytesIO(zlib.decompress(data)))


def parquet(table: dict[str, np.ndarray], **how: Any) -> bytes:
    file = io.BytesIO()
    pq.write_table(pa.table(table), file, compression="zstd", **how)
    return file.getvalue()


def unpacked(data: bytes) -> Any:
    return pq.read_table(io.BytesIO(data), use_threads=False)


def whole_codec(block: SampleBlock) -> list[bytes]:
    return [encode(block[at : at + MERGED_PAIRS]) for at in range(0, len(block), MERGED_PAIRS)]


CODECS: dict[str, tuple[Callable[[SampleBlock], Any], Callable[[Any], Any]]] = {
    "segments": (whole_codec, lambda parts: [decode(part) for part in parts]),
    "numpy.save, zlib": (saved, loaded),
    "Parquet zstd, as doubles": (lambda block: parquet(columns(block)), unpacked),
    "Parquet zstd, codes, delta times": (
        lambda block: parquet(
            codes(block),
            use_dictionary=False,
            column_encoding={"time_ns": "DELTA_BINARY_PACKED"},
        ),
        unpacked,
    ),
}


def compare(name: str, block: SampleBlock) -> tuple[float, float, float]:
    """Print all codecs on one block; bytes a pair, pairs a second to encode and decode."""
    plain, delta = (entropy(block, differences=each) for each in (False, True))
    print(f"{name}: {len(block)} pairs; entropy of codes {plain:.3f}, of differences {delta:.3f}")
    figures = []
    for codec, (pack, unpack) in CODECS.items():
        pack_s, packed = best(lambda pack=pack: pack(block))
        unpack_s, back = best(lambda unpack=unpack, packed=packed: unpack(packed))
        if codec == "segments":
            assert same(join(back), block)
        size = sum(map(len, packed)) if isinstance(packed, list) else len(packed)
        figures.append((size / len(block), len(block) / pack_s, len(block) / unpack_s))
        print(
            f"  {codec:34}{figures[-1][0]:8.3f} B/pair"
            f"{figures[-1][1] / 1e6:8.1f} M/s in{figures[-1][2] / 1e6:8.1f} M/s out"
        )
    return figures[0]


def file_bytes(store: StoreWriter) -> int:
    store.database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return store.path.stat().st_size


def in_file(name: str, block: SampleBlock, folder: Path) -> float:
    """Print bytes a pair in the store's file, before and after merging; those after."""
    sizes = []
    for merge in (False, True):
        store = StoreWriter.open(folder / f"{name}-{merge}.sqlite")
        empty = file_bytes(store)
        for at in range(0, len(block), COMMIT_PAIRS):
            store.write([Samples(block[at : at + COMMIT_PAIRS])])
            if merge:
                store.archive.merge()
        assert store.archive.pairs() == len(block)
        sizes.append((file_bytes(store) - empty) / len(block))
        store.close()
    print(
        f"  in the file: {sizes[0]:.3f} B/pair in segments of {COMMIT_PAIRS},"
        f" {sizes[1]:.3f} merged, with all that SQLite adds and what is not merged yet"
    )
    return sizes[1]


def derived(
    name: str, whole: SampleBlock, options: SimulatedOptions, config: Any, folder: Path
) -> float:
    """Print and return pairs a second of deriving a store again, by another calibration."""
    store = StoreWriter.open(folder / f"{name}.sqlite")
    content = calibration(options.coupler, options.adc)
    store.insert_calibration(Coupler(content).id, dump(content))
    pipeline = Pipeline(config, Coupler(content))
    for at in range(0, len(whole), COMMIT_PAIRS):
        store.write(pipeline.process(whole[at : at + COMMIT_PAIRS]))
        store.archive.merge()
    store.write(pipeline.finish())
    other = msgspec.structs.replace(
        content,
        forward=msgspec.structs.replace(
            content.forward, coupling_db=content.forward.coupling_db + 0.2
        ),
    )
    pairs = store.archive.pairs()
    rates = []
    for turn in range(4):
        begun = time.process_time()
        by_raw, _ = recompute(store, config, Coupler((other, content)[turn % 2]))
        rates.append(pairs / (time.process_time() - begun))
        assert by_raw.pairs == pairs
    store.close()
    print(
        f"  derived again: {max(rates) / 1e6:.1f} M pairs/s"
        f" ({pairs} of {len(whole)} archived, {by_raw.transmissions} transmissions,"
        f" {by_raw.seconds} seconds, all rewritten)"
    )
    return max(rates)


def main(pairs: int) -> int:
    """Print all figures; 1 if a bar is missed."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    missed = []

    def bar(what: str, value: float, least: float, most: float = np.inf) -> None:
        if not least <= value <= most:
            missed.append(f"{what}: {value:.3g}")

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "config.yaml").write_text("driver: {kind: simulated}\n")
        config = load(folder / "config.yaml")
        block = carrier(pairs)
        _, packed, unpacked_ = compare("carrier", block)
        bar("encode carrier", packed, CODEC)
        bar("decode carrier", unpacked_, CODEC)
        bar("carrier in the file", in_file("carrier", block, folder), 0, IN_FILE)
        for mode in ("fm", "am", "ssb"):  # fm is a carrier, too
            whole, options = station(3 * pairs, mode)
            block = archived(whole, options, config)
            size, packed, unpacked_ = compare(f"station, {mode}", block)
            bar(f"encode {mode}", packed, CODEC)
            bar(f"decode {mode}", unpacked_, CODEC)
            bar(mode, size, 0, OF_ENTROPY * entropy(block, differences=True))
            in_file(mode, block, folder)
            rate = derived(f"{mode}-rows", whole, options, config, folder)
            bar(f"derive {mode} again", rate, RECOMPUTED)
        print("station, am, 1000 pairs/s")
        rate = derived("fast", *station(3 * pairs, "am", 1000), config, folder)
        bar("derive 1000 pairs/s again", rate, RECOMPUTED)
    print("; ".join(["missed", *missed]) if missed else "all bars are met")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))
