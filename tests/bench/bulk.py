"""Prints pairs a second of each stage and of the whole, from bytes to stored rows, on one core,
beside a plain readline-split-float-and-compute loop in the same run.

    python -m tests.bench.bulk [pairs]
"""

from __future__ import annotations

import bisect
import math
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from drivers.contract import EndOfInput, SampleBlock
from drivers.recording import Chunk, Header, Writer
from drivers.replay import ReplayDriver, ReplayOptions
from drivers.text_lines.parser import LineParser
from logger.calibration.coupler import Coupler
from logger.calibration.detector import DetectorLaw
from logger.calibration.file import parse
from logger.config.load import load
from logger.daemon import Daemon
from logger.pipeline import Pipeline
from logger.rows import Row
from logger.store.writer import StoreWriter
from tests.station import CALIBRATION, PORT, volts, write_config

RATE = 200
CYCLE_S, KEYED_S = 60, 20
START_NS = 1_770_000_000_000_000_000


def readings(pairs: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times in ns and both readings: a third of the time a carrier of 4 W at SWR 1.3, noise of
    0.8 mV, four decimals."""
    generator = np.random.default_rng(5)
    index = np.arange(pairs)
    keyed = index // RATE % CYCLE_S < KEYED_S
    both = [
        np.round(np.where(keyed, volts(power), 0.01) + generator.normal(0, 8e-4, pairs), 4)
        for power in (4.0, 4.0 * (0.3 / 2.3) ** 2)
    ]
    return START_NS + index * (1_000_000_000 // RATE), both[0], both[1]


def write_files(folder: Path, pairs: int) -> tuple[Path, Path]:
    """The same pairs as CSV and as a recording of a port."""
    times, forward, reflected = readings(pairs)
    texts = [f"{f:.4f},{r:.4f}" for f, r in zip(forward.tolist(), reflected.tolist(), strict=True)]
    table, recording = folder / "pairs.csv", folder / "port.rec"
    with table.open("w") as file:
        file.write("time_s,forward_v,reflected_v\n")
        file.writelines(
            f"{ns // 10**9}.{ns % 10**9 // 1000:06d},{text}\n"
            for ns, text in zip(times.tolist(), texts, strict=True)
        )
    writer = Writer(
        recording,
        Header("text-lines", {"port": "none", "columns": ["forward_v", "reflected_v"]}),
    )
    writer.write(Chunk(START_NS - 1, b"\n"))
    each = 20  # lines that arrive together, as behind a USB adapter
    for begin in range(0, pairs, each):
        part = texts[begin : begin + each]
        writer.write(Chunk(int(times[begin + len(part) - 1]), ("\n".join(part) + "\n").encode()))
    writer.close()
    return table, recording


def timed(name: str, pairs: int, work: Callable[[], object]) -> float:
    """Print and return pairs a second."""
    begun = time.process_time(), time.perf_counter()
    work()
    spent = time.process_time() - begun[0], time.perf_counter() - begun[1]
    rate = pairs / max(spent)
    print(f"{name:34}{rate / 1e6:8.2f} million pairs/s")
    return rate


def plain_loop(table: Path, store: Path) -> None:
    """What a person would write first: a line at a time, per-second rows into SQLite."""
    # The same detector law, from a table as a person without numpy would read it.
    law = DetectorLaw(**PORT, top_v=3.0)
    table_v = [3.0 * (k / 500) ** 2 for k in range(501)]
    table_w = law.watts(np.array(table_v)).tolist()

    def watts(v: float) -> float:
        k = min(max(bisect.bisect_right(table_v, v) - 1, 0), 499)
        v0, w0 = table_v[k], table_w[k]
        return w0 + (v - v0) * (table_w[k + 1] - w0) / (table_v[k + 1] - v0)

    connection = sqlite3.connect(store)
    connection.execute("CREATE TABLE seconds (time, forward, reflected, swr)")
    second, count, held, sum_f, sum_r = 0, 0, 0, 0.0, 0.0
    with table.open() as file:
        file.readline()
        for text in iter(file.readline, ""):
            t, f, r = text.split(",")
            forward_w, reflected_w = watts(float(f)), watts(float(r))
            now = int(float(t))
            if now != second and count:
                rho = min(math.sqrt(sum_r / sum_f), 0.99) if sum_f else 0.0
                swr = (1 + rho) / (1 - rho)
                connection.execute(
                    "INSERT INTO seconds VALUES (?, ?, ?, ?)",
                    (second, sum_f / count, sum_r / count, swr),
                )
                count, sum_f, sum_r = 0, 0.0, 0.0
            second = now
            if forward_w > 0.2:
                count += 1
                sum_f += forward_w
                sum_r += reflected_w
                rho = min(math.sqrt(max(reflected_w, 0.0) / forward_w), 0.99)
                held = held + 1 if (1 + rho) / (1 - rho) > 3.0 else 0
                if held == 10:
                    print("high SWR at", t)
    connection.commit()
    connection.close()


def whole(config: Path) -> None:
    """The daemon as `run` builds it."""
    loaded = load(config)
    driver = loaded.make_driver()
    coupler = Coupler(parse(CALIBRATION, "bench"))
    print(f"{'':34}{Daemon(loaded, coupler, driver, lambda _: None).run()}")


def main(pairs: int) -> None:
    """Print all figures."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        table, _ = write_files(folder, pairs)
        text = table.read_bytes()

        def parse_all() -> None:
            parser = LineParser(whole_file=True)
            for begin in range(0, len(text), 1 << 18):
                parser.feed(text[begin : begin + (1 << 18)])

        timed("parse (time_s,f,r)", pairs, parse_all)
        driver = ReplayDriver(ReplayOptions(path=table))
        driver.open()
        blocks: list[SampleBlock] = []
        try:
            while block := driver.read(1.0, 0.0):
                blocks.append(block)
        except EndOfInput:
            driver.close()
        coupler = Coupler(parse(CALIBRATION, "bench"))
        timed("calibrate", pairs, lambda: [coupler.power(block) for block in blocks])
        config = load(write_config(folder, "", driver="{kind: replay, path: pairs.csv}"))
        rows: list[Row] = []
        pipeline = Pipeline(config, coupler)

        def watch_all() -> None:
            for block in blocks:
                rows.extend(pipeline.process(block))
            rows.extend(pipeline.finish())

        timed("calibrate, segment and watch", pairs, watch_all)
        store = StoreWriter.open(folder / "rows.sqlite")
        store.insert_calibration(coupler.id, "")
        timed("store", pairs, lambda: store.write(rows))
        store.close()
        csv_rate = timed(
            "whole, CSV to stored rows",
            pairs,
            lambda: whole(
                write_config(
                    folder,
                    "",
                    driver="{kind: replay, path: pairs.csv}",
                    store="{path: a.sqlite}",
                )
            ),
        )
        timed(
            "whole, recorded bytes to rows",
            pairs,
            lambda: whole(
                write_config(
                    folder,
                    "",
                    driver="{kind: replay, path: port.rec}",
                    store="{path: b.sqlite}",
                )
            ),
        )
        loop_rate = timed(
            "plain loop, CSV to rows", pairs, lambda: plain_loop(table, folder / "loop.sqlite")
        )
        print(f"whole over plain loop: {csv_rate / loop_rate:.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3_000_000)
