"""Every driver of the package passes the contract suite."""

from __future__ import annotations

import contextlib
import os
import tty
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

from drivers.contract import ENTRY_POINTS
from drivers.contract_suite import Bench, DriverContract, make_driver
from drivers.recording import Chunk, Header, Writer
from tests.iio_bench import BufferedBench, PolledBench

T0_NS = 1_772_000_000_000_000_000


class TextLinesBench(Bench):
    """A bridge at a pseudo-terminal behind a name that stays."""

    kind = "text-lines"
    sends = True
    reconnects = True

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._name = folder / "by-id-of-a-board"
        self.restore()

    def options(self) -> dict[str, Any]:
        return {"port": str(self._name), "columns": ["forward_mv", "reflected_mv"]}

    def absent(self) -> dict[str, Any]:
        return {"port": str(self.folder / "no-such-port")}

    def say(self, number: int, forward_v: float, reflected_v: float) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody listens
            os.write(self._master, f"{1000 * forward_v:.1f},{1000 * reflected_v:.1f}\n".encode())

    def lose(self) -> None:
        os.close(self._master)
        self._name.unlink()

    def restore(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._name.symlink_to(os.ttyname(slave))
        os.close(slave)

    def received(self) -> bytes:
        try:
            return os.read(self._master, 4096)
        except OSError:
            return b""

    def close(self) -> None:
        os.close(self._master)


class ReplayBench(Bench):
    """A CSV file of 2 s."""

    kind = "replay"
    finite = True
    host_clock = False
    speaks = False
    pace = "fast"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._file = folder / "pairs.csv"
        rows = [
            f"{1_772_000_000 + k / self.rate_hz:.6f},{forward_v},{reflected_v}"
            for k in range(200)
            for forward_v, reflected_v in [self.pairs[k % len(self.pairs)]]
        ]
        self._file.write_text("\n".join(["time_s,forward_v,reflected_v", *rows, ""]))

    def options(self) -> dict[str, Any]:
        return {"path": str(self._file), "pace": self.pace}

    def absent(self) -> dict[str, Any]:
        return {"path": str(self.folder / "no-such-file.csv")}


class SlowReplayBench(ReplayBench):
    """The same at its own pace."""

    pace = "realtime"


class RecordingBench(ReplayBench):
    """A recording of a port."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._file = folder / "port.rec"
        writer = Writer(
            self._file, Header("text-lines", {"port": "x", "columns": ["forward_v", "reflected_v"]})
        )
        for k in range(200):
            forward_v, reflected_v = self.pairs[k % len(self.pairs)]
            writer.write(Chunk(T0_NS + k * 10_000_000, f"{forward_v},{reflected_v}\n".encode()))
        writer.close()


class SimulatedBench(Bench):
    """The simulated station as time goes by, which no script tells what to do."""

    kind = "simulated"
    host_clock = False
    speaks = False
    pace: dict[str, Any] = {"pace": "realtime"}  # noqa: RUF012

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        truth = make_driver(self.kind, self.options()).truth().chunk(0)  # type: ignore[attr-defined]
        self.pairs = tuple(zip(truth.forward_v, truth.reflected_v, strict=True))

    def options(self) -> dict[str, Any]:
        operator = {"transmissions": [{"at_s": 0.1, "duration_s": 5, "mode": "am", "power_w": 4}]}
        return {"rate_hz": 200, "operator": operator, **self.pace}


class FastSimulatedBench(SimulatedBench):
    """Ten simulated seconds at once."""

    finite = True
    pace = {"pace": "fast", "duration_s": 10}  # noqa: RUF012


class TestTextLines(DriverContract):
    bench_class = TextLinesBench


class TestReplay(DriverContract):
    bench_class = ReplayBench


class TestSlowReplay(DriverContract):
    bench_class = SlowReplayBench


class TestReplayOfARecording(DriverContract):
    bench_class = RecordingBench


class TestSimulated(DriverContract):
    bench_class = SimulatedBench


class TestFastSimulated(DriverContract):
    bench_class = FastSimulatedBench


class TestIioByItsFiles(DriverContract):
    bench_class = PolledBench


class TestIioByItsBuffer(DriverContract):
    bench_class = BufferedBench


def test_no_driver_of_the_package_escapes() -> None:
    installed = distribution("mismatchd").entry_points.select(group=ENTRY_POINTS)
    tested = {case.bench_class.kind for case in DriverContract.__subclasses__()}
    assert {entry.name for entry in installed} == tested
