"""Driver `iio`: pairs a second out of scans, and what reading a converter takes of a core.

python -m tests.bench.iio

The converter is a tree of files and a pipe; real ones take longer to answer.
"""

from __future__ import annotations

import struct
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.contract_suite import make_driver
from drivers.iio.scan import Scan, parse_type
from drivers.timeline import host_ns
from tests.iio_bench import Converter


def decode(scans: int = 200_000) -> tuple[float, float]:
    """Million pairs a second at once, and with a loop over the scans."""
    code = parse_type("le:s12/16>>4")
    scan = Scan(
        {"voltage0": (0, code), "voltage1": (1, code), "timestamp": (2, parse_type("le:s64/64>>0"))}
    )
    data = struct.pack("<hh4xq", 1000 << 4, -5 << 4, 123_456_789) * scans
    names = ("voltage0", "voltage1", "timestamp")
    begun_s = time.perf_counter()
    at_once = [scan.counts(data, name) for name in names]
    bulk_s = time.perf_counter() - begun_s
    begun_s = time.perf_counter()
    one_by_one = [(a >> 4, b >> 4, t) for a, b, t in struct.iter_unpack("<hh4xq", data)]
    loop_s = time.perf_counter() - begun_s
    assert tuple(int(column[-1]) for column in at_once) == one_by_one[-1]
    return scans / bulk_s / 1e6, scans / loop_s / 1e6


def share(
    converter: Converter, rate_hz: float, speak: Callable[[], None], **more: Any
) -> tuple[float, float]:
    """Pairs a second that are read, and the part of a core that reading takes."""
    options = {
        "device": "harbour-adc",
        "forward": "voltage0",
        "reflected": "voltage1",
        "sysfs": str(converter.sysfs),
        "dev": str(converter.dev),
        "rate_hz": rate_hz,
    }
    driver = make_driver("iio", {**options, **more})
    driver.open()
    ended = threading.Event()

    def go_on() -> None:
        while not ended.wait(0.05):
            speak()

    speaker = threading.Thread(target=go_on)
    speaker.start()
    begun_s, cpu_s, pairs = time.perf_counter(), time.thread_time(), 0
    while time.perf_counter() - begun_s < 4:
        block = driver.read(0.25, 0.02)
        pairs += 0 if block is None else len(block)
    taken_s, took_s = time.thread_time() - cpu_s, time.perf_counter() - begun_s
    ended.set()
    speaker.join()
    driver.close()
    return pairs / took_s, taken_s / took_s


def main() -> None:
    """Print the figures."""
    print("scans decoded: {:.1f} million pairs/s; one by one: {:.1f}".format(*decode()))
    for rate_hz in (100.0, 1000.0):
        with tempfile.TemporaryDirectory() as folder:
            converter = Converter(Path(folder), buffer=False)
            converter.plug()
            rate, part = share(converter, rate_hz, lambda: None)
            converter.unplug()
        print(f"files polled: {rate:.0f} pairs/s of {rate_hz:.0f}, {100 * part:.1f} % of a core")
    for rate_hz in (1000.0, 20_000.0):
        with tempfile.TemporaryDirectory() as folder:
            converter = Converter(Path(folder), buffer=True)
            converter.plug()
            scans = round(rate_hz / 20)

            def speak(converter: Converter = converter, scans: int = scans) -> None:
                now_ns, step_ns = host_ns(), 50_000_000 // scans
                converter.give(
                    b"".join(
                        struct.pack(">Hh4xq", 500, 8000, now_ns - (scans - k) * step_ns)
                        for k in range(scans)
                    )
                )

            rate, part = share(converter, rate_hz, speak, read="buffer")
            converter.unplug()
        print(f"buffer: {rate:.0f} pairs/s of {rate_hz:.0f}, {100 * part:.1f} % of a core")


if __name__ == "__main__":
    main()
