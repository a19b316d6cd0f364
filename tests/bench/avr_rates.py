"""Prints what the emulated bridge sends at several settings, and what is lost on the way."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests import avr
from tests.test_frames_firmware import Reader

SETTLE_S, MEASURE_S = 0.8, 2.5
SETTINGS = (
    (1000, 16, 4),
    (936, 16, 4),
    (488, 16, 2),
    (400, 16, 1),
    (300, 80, 1),
    (285, 80, 1),
    (264, 80, 1),
    (264, 16, 1),
)


def main() -> None:
    folder = Path(tempfile.mkdtemp())
    emulator = avr.build_board(folder)
    for baud in (115200, 250000, 500000):
        elf = avr.build(folder / str(baud), BAUD=baud)
        for period_us, block, oversampling in SETTINGS:
            with avr.running(emulator, elf) as board:
                options = {"period_us": period_us, "block": block, "oversampling": oversampling}
                reader = Reader(board, baud=baud, **options)
                reader.read(SETTLE_S)
                identity = reader.driver.identity
                head = f"{baud:6} baud, {period_us:4} µs, blocks of {block:2}, {oversampling} each:"
                if identity is None or identity.settings.period_us != period_us:
                    print(f"{head} refused")
                    reader.driver.close()
                    continue
                lost, first = reader.driver.counters["lost"], len(reader.parts)
                reader.read(MEASURE_S)
                reader.driver.close()
                times = reader.joined("time_ns", first)
                rate = 1e9 * len(times) / (times[-1] - times[0])
                counters = reader.driver.counters
                print(
                    f"{head} {rate:5.0f} pairs/s, {counters['lost'] - lost} lost,"
                    f" {counters['corrupt']} corrupt"
                )


if __name__ == "__main__":
    main()
