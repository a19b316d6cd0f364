"""The daemon with a driver from elsewhere whose times are not what the contract asks for."""

from __future__ import annotations

import itertools
import threading
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from drivers.contract import EndOfInput, SampleBlock
from drivers.timeline import Clocks, read_clocks
from logger.calibration.coupler import Coupler
from logger.calibration.file import load as load_calibration
from logger.config.load import load
from logger.daemon import Daemon
from logger.live.feed import Tap
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, ClockChange, Shift
from logger.service import capture_loop
from logger.service.capture_loop import CaptureLoop
from logger.service.dating import Dating
from logger.service.handover import Handover
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.journal import JournalNotes
from logger.store.reader import Store
from logger.store.tables import TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.deadlines import in_time
from tests.station import volts, write_config
from tests.test_store import ALWAYS

NOW_NS = 1_800_000_000_000_000_000
MS = 1_000_000
S = 1000 * MS


class Foreign:
    """Gives blocks of pairs 5 ms apart by a clock that is set now and then; the key is down for
    one second in every three."""

    class Options(msgspec.Struct):
        pass

    finite = True

    def __init__(self, steps: dict[int, int]) -> None:
        self.counters: dict[str, int] = {}
        self._steps, self._at_ns, self._number = steps, NOW_NS, 0

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass

    def notices(self) -> list[str]:
        return []

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        del timeout_s, linger_s
        times, forward = [], []
        for _ in range(7):
            if self._number == 3000:
                break
            self._at_ns += 5 * MS + self._steps.get(self._number, 0)
            times.append(self._at_ns)
            forward.append(KEYED_V if self._number % 600 >= 400 else 0.0)
            self._number += 1
        if not times:
            raise EndOfInput("that is all")
        return SampleBlock(np.array(times), np.array(forward), np.array(forward) / 50)


KEYED_V = volts(4.0)


@pytest.mark.realtime
@pytest.mark.parametrize(
    "steps",
    [
        {},
        {1100: -3600 * S},  # in mid transmission
        {650: -3600 * S, 1900: 3600 * S},
        {500: -5 * MS, 501: -6 * MS, 1100: -40 * MS},  # the same time twice, and a little back
    ],
)
def test_times_that_do_not_increase_are_mended(tmp_path: Path, steps: dict[int, int]) -> None:
    config = load(write_config(tmp_path, "none", transmission="{hang_ms: 300}"))
    coupler = Coupler(load_calibration(config.calibration.file), None)
    driver = Foreign(steps)
    daemon = Daemon(config, coupler, driver, lambda _: None)
    begun = time.monotonic()
    daemon.run()
    assert in_time(time.monotonic() - begun, 10)
    assert (daemon.status().clock.mended > 0) == bool(steps)
    with closing(Store.reader(config.store.path)) as store:
        rows = [record.columns for record in store.records(TRANSMISSIONS, *ALWAYS)]
    assert [row["id"] for row in rows] == [1, 2, 3, 4, 5]
    assert [row["samples"] for row in rows] == [200] * 5
    assert [row["duration_s"] for row in rows] == pytest.approx([0.995] * 5, abs=0.05)
    ends = [text for row in rows for text in (row["start_utc"], row["end_utc"])]
    assert ends == sorted(set(ends))
    stepped = any(abs(step) > S for step in steps.values())
    assert any("clock-step" in row["flags"] for row in rows) == stepped


class Stopped(Foreign):
    """The process is stopped for 2 s just after nothing was there to read, the bridge is not."""

    finite = False

    def __init__(self) -> None:
        super().__init__({})
        self.host_ns = 0

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        if self._number == 490 and not self.host_ns:  # in mid transmission
            self.host_ns = 2 * S
            return None
        return super().read(timeout_s, linger_s)


def test_a_process_that_was_stopped_ends_no_transmission(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = load(write_config(tmp_path, "none", transmission="{hang_ms: 300}"))
    driver = Stopped()
    monkeypatch.setattr(capture_loop, "host_ns", lambda: driver.host_ns)
    coupler = Coupler(load_calibration(config.calibration.file), None)
    Daemon(config, coupler, driver, lambda _: None).run()
    with closing(Store.reader(config.store.path)) as store:
        rows = [record.columns for record in store.records(TRANSMISSIONS, *ALWAYS)]
    assert [row["samples"] for row in rows] == [200] * 5


class ShiftedDating(Dating):
    """The wall clock turns out to be wrong at each check."""

    def check(self, now: Clocks) -> ClockChange:
        return ClockChange(self.boot, Shift(0, 1, 1000), leap=True)


def test_repairs_are_known_after_a_correction_of_the_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[tuple[int, ...]] = []
    monkeypatch.setattr(Pipeline, "know_work", lambda self, times_ns: calls.append(times_ns))
    config = load(write_config(tmp_path, "none"))
    handover = Handover()
    keeper = Keeper(
        lambda damaged: StoreWriter.open(config.store.path), Reporter(print), Retention(1 << 60)
    )
    coupler = Coupler(load_calibration(config.calibration.file), None)
    loop = CaptureLoop(config, coupler, Foreign({}), keeper, handover, Tap(), threading.Event())
    handover.notes = JournalNotes((NOW_NS,))
    loop._pass_notes()
    loop._pass_notes()
    assert calls == [(NOW_NS,)]
    loop.dating = ShiftedDating(read_clocks(), None, "this", None)
    assert loop._follow_clock()
    loop._pass_notes()
    assert calls == [(NOW_NS,)] * 2
    keeper.close()


BAD_V = volts(4.0 * 0.8**2)  # SWR 9, which is raised within some 10 ms


class Opened(Foreign):
    """Pairs 0.25 ms apart, which are bad from the middle of a transmission on."""

    finite = False

    def __init__(self) -> None:
        super().__init__(dict.fromkeys(range(3000), -19 * MS // 4))
        self.lingers_s: list[tuple[int, float]] = []  # pairs with bad readings before, seconds
        self._bad = 0

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        self.lingers_s.append((self._bad, linger_s))
        block = super().read(timeout_s, linger_s)
        is_bad = self._number > 500
        self._bad += 7 * is_bad
        return replace(block, reflected_v=np.where(block.forward_v > 0, BAD_V * is_bad, 0.0))


def test_pairs_are_collected_up_to_the_one_that_completes_a_hold_time_and_just_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Others need the interpreter then to report it. The processing of a block takes 1 ms."""
    config = load(write_config(tmp_path, "none", transmission="{hang_ms: 300}"))
    driver = Opened()
    monkeypatch.setattr(CaptureLoop, "_utc_ns", lambda self, at_ns: self.last_ns)
    clock = itertools.count()
    monkeypatch.setattr(capture_loop.time, "monotonic", lambda: 1e-3 * next(clock))
    coupler = Coupler(load_calibration(config.calibration.file), None)
    keeper = Keeper(
        lambda damaged: StoreWriter.open(config.store.path), Reporter(print), Retention(1 << 60)
    )
    handed = Handover()
    CaptureLoop(config, coupler, driver, keeper, handed, Tap(), threading.Event()).run()
    keeper.close()
    rows, _ = handed.take(0.0)
    assert any(isinstance(row, AlarmChange) for row in rows)
    lingers_s = [linger_s for bad, linger_s in driver.lingers_s if bad]
    due = next(place for place, linger_s in enumerate(lingers_s) if abs(linger_s - 0.001) > 1e-9)
    assert due > 0
    assert lingers_s[due] < 0.002  # two turns
    after = lingers_s.index(pytest.approx(0.004))
    assert after - due <= 2  # the pair that completes the hold time may be read by itself
    assert lingers_s[after + 1] == pytest.approx(0.001)
