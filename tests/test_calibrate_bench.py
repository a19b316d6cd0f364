"""The guided bench session: the pure part by itself, and the whole through pseudo-terminals.

The bridge is a thread that prints converter counts of an invented coupler. Its detectors are those
of `tests.station`, which solve the published equation by themselves.
"""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import os
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from logger.calibration import bench_points
from logger.calibration.bench_points import COLUMNS, BenchPoint
from logger.calibration.bench_session import (
    LOWEST_W,
    BenchSession,
    BenchStep,
    doubt_of_power,
    doubts,
    match_points,
    propose_powers_w,
    steps,
)
from logger.calibration.file import load
from logger.calibration.points_file import PointsText
from logger.calibration.steady import Quiet, SteadyReading, Trouble, Watch, unsteady
from logger.cli import main
from logger.errors import BenchPointError
from tests.deadlines import Deadline, scale
from tests.station import pty, volts, write_config

FULL_COUNTS, REFERENCE_V = 4095, 3.3
STEP_V = REFERENCE_V / FULL_COUNTS
ZERO_V = 0.004
NOISE_V = 0.0006
LEAK = 10**-2.6  # of the power, either way
ENTER = "\n"
QUIET = Quiet((ZERO_V, ZERO_V), (NOISE_V, NOISE_V), STEP_V)


def counts(rng: np.random.Generator, condition: str, watts: float, n: int) -> np.ndarray:
    """(2, n): what the converter gives for both ports."""
    hears = {"matched": (1, LEAK), "reversed": (LEAK, 1), "open": (1, 0.95), "short": (1, 0.95)}
    levels = np.array([[volts(watts * part) + ZERO_V] for part in hears[condition]])
    read = np.rint((levels + rng.normal(0, NOISE_V, (2, n))) / STEP_V)
    return np.clip(read, 0, FULL_COUNTS)


# the pure part


def block(values: np.ndarray, *, begin_s: float = 0.0, rate_hz: float = 200.0) -> SampleBlock:
    """Pairs (2, n) as a driver would give them."""
    time_ns = (
        np.rint(1e6 * (begin_s + np.arange(values.shape[1]) / rate_hz)).astype(np.int64) * 1000
    )
    return SampleBlock(
        time_ns, values[0], values[1], step_v=(STEP_V, STEP_V), full_scale_v=REFERENCE_V
    )


def pairs(*stretches: tuple[float, float], condition: str = "matched", seed: int = 1) -> np.ndarray:
    """Volts (2, n) at 200 pairs/s of stretches of (seconds, watts)."""
    rng = np.random.default_rng(seed)
    return STEP_V * np.concatenate(
        [counts(rng, condition, watts, round(200 * seconds)) for seconds, watts in stretches],
        axis=1,
    )


def watched(values: np.ndarray, watch: Watch | None = None) -> SteadyReading | Trouble | None:
    return (watch or Watch(QUIET, 1.0, 5.0)).update(block(values))


def test_a_steady_key_down_is_averaged() -> None:
    reading = watched(pairs((0.73, 0), (3, 1.0)))
    assert isinstance(reading, SteadyReading)
    assert reading.forward.mean_v == pytest.approx(volts(1.0) + ZERO_V, abs=3e-4)
    assert reading.reflected.mean_v == pytest.approx(volts(LEAK) + ZERO_V, abs=3e-4)
    assert reading.forward.sd_v == pytest.approx(NOISE_V, rel=0.3)
    assert reading.readings == 200
    assert reading.seconds == pytest.approx(1.0)
    point = reading.point("matched", 0.97)
    assert (point.power_w, point.readings, point.full_scale_v) == (0.97, 200, REFERENCE_V)


def test_unkeyed_is_averaged_at_once() -> None:
    reading = Watch(None, 2.0, 20.0).update(block(pairs((2.5, 0))))
    assert isinstance(reading, SteadyReading)
    assert reading.forward.mean_v == pytest.approx(ZERO_V, abs=2e-4)
    assert doubts(BenchStep("matched", 0), reading, None) == []


@pytest.mark.parametrize("rate_hz", [10.0, 5000.0])
def test_slow_and_quick_bridges(rate_hz: float) -> None:
    rng = np.random.default_rng(3)
    values = STEP_V * counts(rng, "matched", 1.0, round(4 * rate_hz))
    reading = Watch(QUIET, 0.5, 5.0).update(block(values, rate_hz=rate_hz))
    assert isinstance(reading, SteadyReading)
    assert reading.readings == max(8, round(0.5 * rate_hz))


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, 999), max_size=12, unique=True), seed=st.integers(0, 5))
def test_how_the_stream_is_cut_does_not_matter(cuts: list[int], seed: int) -> None:
    values = pairs((0.6, 0), (0.1, 0.5), (0.5, 0), (3.8, 1.0), seed=seed)
    whole = watched(values)
    watch = Watch(QUIET, 1.0, 5.0)
    outcome: SteadyReading | Trouble | None = None
    edges = [0, *sorted(cuts), values.shape[1]]
    for begin, end in itertools.pairwise(edges):
        outcome = outcome or watch.update(block(values[:, begin:end], begin_s=begin / 200))
    assert isinstance(whole, SteadyReading)
    assert outcome == whole


def test_a_carrier_that_settles_is_awaited() -> None:
    values = pairs((0.3, 0), (5, 1.0))
    values[:, 60:] *= 1 + 0.1 * np.exp(-np.arange(values.shape[1] - 60) / 100)
    watch = Watch(QUIET, 1.0, 20.0)
    reading = watched(values, watch)
    assert isinstance(reading, SteadyReading)
    assert reading.forward.mean_v == pytest.approx(volts(1.0) + ZERO_V, rel=0.01)
    assert watch.keyed_s is not None
    assert watch.keyed_s > 2


def test_one_that_goes_on_drifting_is_given_up() -> None:
    values = pairs((0.3, 0), (7, 1.0))
    values[0, 60:] *= np.linspace(1, 1.3, values.shape[1] - 60)
    watch = Watch(QUIET, 1.0, 5.0)
    assert watched(values, watch) is Trouble.TOO_LONG
    reading = watch.reading()
    assert reading is not None
    assert "forward drifts" in (unsteady(reading, QUIET) or "")
    assert watch.keyed_s == pytest.approx(5.0, abs=0.2)


def test_a_modulated_carrier_is_given_up() -> None:
    values = pairs((0.3, 0), (7, 1.0))
    values[:, 60:] *= 1 + 0.2 * np.sin(np.arange(values.shape[1] - 60))
    watch = Watch(QUIET, 1.0, 5.0)
    assert watched(values, watch) is Trouble.TOO_LONG
    reading = watch.reading()
    assert reading is not None
    assert "modulated" in (unsteady(reading, QUIET) or "")


def test_a_key_down_that_is_too_short() -> None:
    assert watched(pairs((0.3, 0), (0.8, 1.0), (0.5, 0))) is Trouble.RELEASED
    assert watched(pairs((0.3, 0), (0.2, 1.0), (0.5, 0))) is None


def test_clipping_is_told_at_once() -> None:
    watch = Watch(QUIET, 1.0, 5.0)
    assert watched(pairs((0.3, 0), (0.25, 60.0)), watch) is Trouble.CLIPPED
    assert watch.keyed_s is not None
    assert watch.keyed_s < 0.2


def test_pairs_that_stop_coming() -> None:
    watch = Watch(QUIET, 1.0, 5.0)
    assert watch.update(block(pairs((0.3, 0), (0.7, 1.0)))) is None
    assert watch.update(block(pairs((1.0, 1.0)), begin_s=9.0)) is Trouble.GAP


def test_what_should_be_looked_at() -> None:
    right = watched(pairs((0.3, 0), (3, 1.0)))
    assert isinstance(right, SteadyReading)
    assert doubts(BenchStep("matched", 1), right, QUIET) == []
    assert "reversed" in doubts(BenchStep("reversed", 1), right, QUIET)[0]
    assert "really open" in doubts(BenchStep("open", 1), right, QUIET)[0]
    wrong = watched(pairs((0.3, 0), (3, 1.0), condition="reversed"))
    assert isinstance(wrong, SteadyReading)
    assert "right way round" in doubts(BenchStep("matched", 1), wrong, QUIET)[0]
    keyed = Watch(None, 2.0, 20.0).update(block(pairs((3, 1.0))))
    assert isinstance(keyed, SteadyReading)
    assert "is the key up" in doubts(BenchStep("matched", 0), keyed, None)[0]


@pytest.mark.parametrize("scale", [1.0, 10.0])
def test_a_figure_with_its_point_in_the_wrong_place_is_doubted(scale: float) -> None:
    def point(watts: float, shown: float) -> BenchPoint:
        return BenchPoint(
            condition="matched",
            power_w=shown,
            forward_v=volts(watts) + ZERO_V,
            reflected_v=ZERO_V,
        )

    others = [point(0.3 * scale, 0.3 * scale), point(0.1 * scale, 0.1 * scale)]
    assert doubt_of_power(point(scale, scale), others, QUIET) is None
    assert doubt_of_power(point(scale, 10 * scale), others, QUIET) is not None
    assert doubt_of_power(point(scale, 0.1 * scale), others[:1], QUIET) is not None


def test_steps_and_moves() -> None:
    asked = steps(["matched", "open"], [3, 0.3])
    assert asked == [
        BenchStep("matched", 0.0),
        BenchStep("matched", 0.3),
        BenchStep("matched", 3),
        BenchStep("open", 0.3),
    ]
    assert asked[3].limit_s < asked[2].limit_s
    session = BenchSession(asked, {})
    assert not session.skip()
    assert not session.back()
    assert not session.repeat()
    session.take(0)
    session.take(1)
    assert session.skip()
    assert session.current == 3
    assert session.back()
    assert session.current == 2
    session.take(2)
    assert session.repeat()
    assert session.current == 2
    assert session.back()
    assert session.current == 1
    session.take(1)
    assert session.current == 3
    assert session.done == {0: 0, 1: 1, 2: 2}


@pytest.mark.parametrize("highest_w", [0.5, 1.0, 3.0, 4.0, 12.0, 100.0])
def test_powers_are_proposed_up_to_the_highest(highest_w: float) -> None:
    powers = propose_powers_w(highest_w)
    assert powers[-1] == highest_w
    assert 4 <= len(powers) <= 7
    assert powers[0] <= LOWEST_W
    assert np.all(np.diff(np.log10(powers)) > 0.3)
    assert np.all(np.diff(np.log10(powers)) < 0.55)


def test_steps_found_in_a_file() -> None:
    asked = steps(["matched"], [0.1, 0.3, 1, 3])

    def row(power: float, sd: float | None = None) -> BenchPoint:
        return BenchPoint(
            condition="matched",
            power_w=power,
            forward_v=0.0,
            reflected_v=0.0,
            forward_sd_v=sd,
            reflected_sd_v=sd,
        )

    points = [row(0), row(0, 1e-3), row(0.27), row(10), row(1.3)]
    assert match_points(asked, points) == {0: 1, 2: 2, 3: 4}


def test_the_file_keeps_what_it_has() -> None:
    text = "# the old coupler\ncondition,power_w,forward_v,reflected_v\nmatched,1,0.5,0.01\n"
    file = PointsText(text, "points.csv")
    point = BenchPoint(condition="matched", power_w=2.0, forward_v=0.75, reflected_v=0.02)
    assert file.append(point) == "matched,2,0.75,0.02\n"
    file.replace(0, point)
    assert file.text == text.replace("matched,1,0.5,0.01", "matched,2,0.75,0.02") + (
        "matched,2,0.75,0.02\n"
    )


def test_the_highest_power_is_stated_once() -> None:
    file = PointsText("condition,power_w,forward_v,reflected_v\nmatched,1,0.5,0.01\n", "p.csv")
    assert file.highest_w is None
    for watts in (3.0, 12.5):
        file.state_highest_w(watts)
        assert file.highest_w == PointsText(file.text, "p.csv").highest_w == watts
    assert file.text.count("#") == 1
    file.replace(0, BenchPoint(condition="matched", power_w=2.0, forward_v=0.75, reflected_v=0.02))
    assert file.text.endswith("\nmatched,2,0.75,0.02\n")
    assert file.text.count("\n") == 3


def test_a_last_line_cut_short_is_dropped() -> None:
    file = PointsText("", "points.csv")
    full = bench_points.row(
        BenchPoint(
            condition="matched",
            power_w=1.0,
            forward_v=0.5,
            reflected_v=0.01,
            full_scale_v=3.3,
        )
    )
    kept = f"{file.text}{full}\n"
    for cut in range(1, len(full)):
        again = PointsText(kept + full[:cut], "points.csv")
        assert again.dropped == full[:cut]
        assert again.text == kept
    assert PointsText(kept + full, "points.csv").dropped is None
    header_alone = PointsText(",".join(COLUMNS) + "\n" + full[:9], "points.csv")
    assert header_alone.text == ",".join(COLUMNS) + "\n"
    for wrong in ("a letter", "a\nletter\n", "condition,power_w\nmatched,1\n"):
        with pytest.raises(BenchPointError):
            PointsText(wrong, "points.csv")


# the whole


class Bridge:
    """Prints pairs at 200 a second; `condition` and `watts` are what the person makes of it."""

    def __init__(self, master: int) -> None:
        self.condition, self.watts = "matched", 0.0
        self._master = master
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        rng = np.random.default_rng(5)
        os.set_blocking(self._master, False)
        while not self._stop.wait(0.02):
            read = counts(rng, self.condition, self.watts, 4)
            text = "".join(f"{f:.0f},{r:.0f}\n" for f, r in read.T)
            with contextlib.suppress(BlockingIOError):  # nobody reads
                os.write(self._master, text.encode())

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()


class Person:
    """Somebody before the terminal of a session."""

    def __init__(self, config: Path, *options: str, columns: int = 80) -> None:
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.folder = config.parent
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "logger.cli", "calibrate", "bench", "-c", str(config)),
                *(str(self.folder / "points.csv"), "-o", str(self.folder / "fitted.yaml")),
                *("--seconds", "0.5", *options),
            ],
            stdin=slave,
            stdout=slave,
            stderr=slave,
        )
        os.close(slave)
        self.screen = ""
        self._seen = 0

    def sees(self, text: str, timeout_s: float = 10.0) -> None:
        """Wait for `text`, however it is folded."""
        pattern = re.compile(r"\s+".join(map(re.escape, text.split())))
        deadline = Deadline(timeout_s)
        while not (found := pattern.search(self.screen, self._seen)):
            assert not deadline.has_passed(), f"no {text!r} in:\n{self.screen[self._seen :]}"
            self._read(0.1)
        self._seen = found.end()

    def _read(self, timeout_s: float) -> bool:
        if not select.select([self._master], [], [], timeout_s)[0]:
            return True
        try:
            data = os.read(self._master, 65536)
        except OSError:
            return False
        self.screen += data.decode().replace("\r\n", "\n")
        return bool(data)

    def types(self, text: str) -> None:
        os.write(self._master, text.encode())

    def takes(self, bridge: Bridge, condition: str, watts: float, shown: str = ENTER) -> None:
        """One step from its first question to its last answer."""
        self.sees("Enter when ready:")
        self.types(ENTER)
        self.sees("Key the transmitter")
        bridge.condition, bridge.watts = condition, watts
        self.sees("Release the key")
        bridge.watts = 0.0
        self.sees("The reference showed")
        self.types(shown)

    def ends(self) -> int:
        code = self.process.wait(scale(20))
        while self._read(0.0) and select.select([self._master], [], [], 0)[0]:
            pass
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._master)


@contextlib.contextmanager
def bench(folder: Path) -> Iterator[tuple[Bridge, Path]]:
    """A bridge, and the configuration that reads it; no calibration is there yet."""
    with pty() as (master, name):
        keys = (
            f"{{kind: text-lines, port: {name}, columns: [forward_counts, reflected_counts],"
            f" counts_full_scale: {FULL_COUNTS}, reference_v: {REFERENCE_V}}}"
        )
        config = write_config(folder, name, driver=keys, calibration="not-there-yet.yaml")
        (folder / "coupler.yaml").unlink()
        bridge = Bridge(master)
        try:
            yield bridge, config
        finally:
            bridge.stop()


@pytest.mark.realtime
def test_a_session_on_a_narrow_terminal_ends_in_a_calibration(tmp_path: Path) -> None:
    powers = [0.1, 0.5, 5.0]
    with bench(tmp_path) as (bridge, config):
        options = ("--conditions", "matched,reversed", "--powers", "0.1,0.5,5")
        options += ("--load-return-loss", "60")  # this bench's load is perfect
        person = Person(config, *options, columns=40)
        try:
            person.sees("rated for the power")
            person.sees("RF burns")
            person.sees("licence conditions")
            person.sees("Leave the key alone")
            person.sees("Enter when ready:")
            person.types(ENTER)
            person.takes(bridge, "matched", 0.13)  # meant to be 0.1 W, and noticed too late
            person.sees("Step 3 of 7")
            person.sees("Enter when ready:")
            person.types("r\n")
            person.sees("Step 2 of 7")
            person.takes(bridge, "matched", 0.1)
            person.takes(bridge, "matched", 0.52, "0,52\n")
            for watts in powers[2:]:
                person.takes(bridge, "matched", watts)
            person.sees("Reverse the coupler")
            for watts in powers:
                person.takes(bridge, "reversed", watts)
            code = person.ends()
        finally:
            person.close()
    assert code == 0, person.screen
    points = bench_points.load(tmp_path / "points.csv").points
    assert [p.condition for p in points] == ["matched"] * 4 + ["reversed"] * 3
    assert [p.power_w for p in points] == [0, 0.1, 0.52, 5, *powers]
    for point in points[1:4]:
        assert point.forward_v == pytest.approx(volts(point.power_w) + ZERO_V, abs=5e-4)
        assert point.reflected_sd_v == pytest.approx(NOISE_V, rel=0.4)
        assert point.step_v == pytest.approx(STEP_V, rel=1e-4)
    session, _, _ = person.screen.partition("all points taken")
    lines = re.split(r"[\r\n]", session.replace("\a", ""))
    assert max(map(len, lines)) < 40
    assert any("noise" in line and "drift" in line for line in lines)
    fitted = load(tmp_path / "fitted.yaml")
    assert fitted.forward.coupling_db == pytest.approx(25.0, abs=0.3)
    assert fitted.directivity is not None
    assert fitted.directivity.reflected_db == pytest.approx(26.0, abs=1.5)


@pytest.mark.realtime
def test_a_session_that_is_killed_goes_on(tmp_path: Path) -> None:
    options = ("--conditions", "matched,open", "--powers", "0.5,2", "--seconds", "1")
    points = tmp_path / "points.csv"
    with bench(tmp_path) as (bridge, config):
        person = Person(config, *options)
        try:
            person.sees("Enter when ready:")
            person.types(ENTER)
            person.takes(bridge, "matched", 0.5)
            person.sees("Step 3 of 4")
            person.sees("Enter when ready:")
            person.types(ENTER)
            person.sees("Key the transmitter")
            bridge.watts = 2.0
            person.sees("s  forward")
            person.process.kill()
        finally:
            person.close()
        bridge.watts = 0.0
        kept = points.read_text()
        points.write_text(f"{kept}matched,2,0.7")
        person = Person(config, *options)
        try:
            person.sees("is incomplete")
            person.sees("2 of 4 steps are in")
            person.sees("Step 3 of 4")
            assert points.read_text() == kept
            person.sees("Enter when ready:")
            person.types(ENTER)
            bridge.watts = 60.0
            person.sees("Reduce the power")
            bridge.watts = 0.0
            person.takes(bridge, "matched", 2.0, "20\n")
            person.sees("check the figure you entered.")
            person.types("2\n")
            person.sees("nothing on the antenna port")
            person.sees("Enter when ready:")
            person.types(ENTER)
            bridge.condition, bridge.watts = "open", 0.5
            person.sees("s  forward")
            time.sleep(0.35)  # longer than a bounce
            bridge.watts = 0.0
            person.sees("Released too soon")
            person.sees("Enter when ready:")
            person.process.send_signal(signal.SIGINT)
            person.sees("3 of 4 steps are in")
            assert person.ends() == 130
        finally:
            person.close()
    rows = bench_points.load(points).points
    assert [(p.condition, p.power_w) for p in rows] == [
        ("matched", 0),
        ("matched", 0.5),
        ("matched", 2),
    ]
    assert points.read_text().startswith(kept)
    assert list(tmp_path.glob(".points*")) == []


@pytest.mark.realtime
def test_a_lost_link_begins_the_step_again(tmp_path: Path) -> None:
    link = tmp_path / "port"
    with pty() as (first, first_name), pty() as (second, second_name):
        link.symlink_to(first_name)
        keys = f"{{kind: text-lines, port: {link}, columns: [forward_mv, reflected_mv]}}"
        config = write_config(tmp_path, "", driver=keys)
        bridge, later = Bridge(first), Bridge(second)
        person = Person(config, "--conditions", "matched")
        try:
            person.sees("Highest transmit power")
            person.types("a lot\n")
            person.sees("not a valid answer")
            person.types("3 W\n")
            person.sees("0.095, 0.3, 0.95, 3 W")
            person.sees("Return loss of the dummy load, from its data sheet [unknown]:")
            person.types("good\n")
            person.sees("not a valid answer")
            person.types(ENTER)
            person.sees("Enter when ready:")
            person.types(ENTER)
            person.sees("Step 2")
            person.types(ENTER)
            person.sees("waiting")
            bridge.stop()
            link.unlink()
            os.dup2(os.open(os.devnull, os.O_RDONLY), first)  # the master goes away
            person.sees("begins again")
            link.symlink_to(second_name)
            person.sees("reconnected")
            person.takes(later, "matched", 0.1)
            person.sees("Step 3")
            person.types("\x04")  # the end of what is typed
            person.sees("the input ended before the session was complete: 2 of 5 steps")
            assert person.ends() == 1
        finally:
            bridge.stop()
            later.stop()
            person.close()


def replayed(folder: Path, *stretches: tuple[float, float, str]) -> Path:
    """A configuration that replays stretches of (seconds, watts, condition)."""
    rng = np.random.default_rng(9)
    parts = [counts(rng, c, watts, round(200 * s)) for s, watts, c in stretches]
    values = STEP_V * np.concatenate(parts, axis=1)
    rows = [f"{n / 200:.3f},{f:.6f},{r:.6f}" for n, (f, r) in enumerate(values.T)]
    (folder / "pairs.csv").write_text("\n".join(["time_s,forward_v,reflected_v", *rows, ""]))
    return write_config(folder, "", driver="{kind: replay, path: pairs.csv}")


def piped(config: Path, answers: str, *options: str) -> subprocess.CompletedProcess[str]:
    folder = config.parent
    return subprocess.run(
        [
            *(sys.executable, "-m", "logger.cli", "calibrate", "bench", "-c", str(config)),
            *(str(folder / "points.csv"), "-o", str(folder / "fitted.yaml"), "--seconds", "0.5"),
            *options,
        ],
        input=answers,
        capture_output=True,
        text=True,
        timeout=scale(60),
        check=False,
    )


def test_a_recorded_session_answered_by_a_pipe(tmp_path: Path) -> None:
    powers = [0.1, 0.3, 0.6, 1.0, 2.0, 4.0]
    stretches = [(2.3, 0.0, "matched")]
    for condition in ("matched", "reversed"):
        for watts in powers:
            stretches += [(0.9, watts, condition), (0.3, 0.0, condition)]
    config = replayed(tmp_path, *stretches)
    # Volts across 50 ohm, and whatever is proposed is what is shown.
    instrument = ("--reference", "vp", "--reference-class", "3%")
    asked = ("--conditions", "matched,reversed", "--powers", ",".join(map(str, powers)))
    done = piped(config, "\n" * (1 + 2 * 12), *instrument, *asked)
    assert done.returncode == 0, done.stderr
    rows = bench_points.load(tmp_path / "points.csv").points
    assert rows[1].power_w == pytest.approx(0.1, rel=5e-3)  # watts, whatever was shown
    fitted = load(tmp_path / "fitted.yaml")
    assert fitted.forward.coupling_db == pytest.approx(25.0, abs=0.1)
    assert fitted.reflected.coupling_db == pytest.approx(25.0, abs=0.1)


def test_the_end_of_a_file_is_one_line(tmp_path: Path) -> None:
    config = replayed(tmp_path, (2.3, 0.0, "matched"), (0.9, 0.1, "matched"))
    for answers, count in (("12\n" + "\n" * 9, 2), ("\n" * 9, 3)):  # 12 W is remembered
        done = piped(config, answers)
        assert done.returncode == 1
        last = done.stderr.splitlines()[-1]
        said = f"mismatchd: the input ended before the session was complete: {count} of 19 steps"
        assert last.startswith(said)
        assert len(bench_points.load(tmp_path / "points.csv").points) == count


def test_points_that_cannot_be_fitted_are_kept(tmp_path: Path) -> None:
    stretches = (2.3, 0.0, "reversed"), (1, 1.0, "reversed"), (0.3, 0.0, "reversed")
    config = replayed(tmp_path, *stretches)
    options = ("--powers", "1", "--conditions", "reversed")
    for said in ("Step 2 of 2", "2 of 2 steps are in"):
        done = piped(config, "\n" * 3, *options)
        assert done.returncode == 1
        assert said in done.stderr
        assert "no calibration written" in done.stderr
        assert len(bench_points.load(tmp_path / "points.csv").points) == 2


def refused(capsys: pytest.CaptureFixture[str], folder: Path, *options: str) -> str:
    """What a wrong use is told, in one line."""
    config = write_config(folder, "/dev/null")
    arguments = ["calibrate", "bench", "-c", str(config), str(folder / "points.csv")]
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "-o", str(folder / "f.yaml"), *options])
    assert ended.value.code == 2
    return " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--powers", "1,-2"], "not a list of numbers above 0"),
        (["--conditions", "matched,opne"], "'opne' is not one of"),
        (["--reference-class", "good"], "not a percentage"),
        (["--powers", "4"], "open and short must not exceed"),
        (["-o", "nowhere/at/all.yaml"], "there is no folder nowhere/at"),
    ],
)
def test_wrong_usage(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, options: list[str], said: str
) -> None:
    assert said in refused(capsys, tmp_path, *options)
    assert not (tmp_path / "points.csv").exists()


def test_a_file_of_something_else_is_left_alone(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    other = tmp_path / "points.csv"
    other.write_text("time_utc,swr\n2026-03-01T00:00:00Z,1.2\n")
    assert "points.csv:1: column" in refused(capsys, tmp_path)
    assert other.read_text() == "time_utc,swr\n2026-03-01T00:00:00Z,1.2\n"
