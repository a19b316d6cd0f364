"""`mismatchd setup`: the parts, and the whole at a terminal with a bridge on a pseudo-terminal."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import termios
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
import yaml

from drivers.serial_ports import PROBABLY, SerialPort
from logger.calibration.steady import Level, Quiet, SteadyReading
from logger.cli.guides import setup_port
from logger.cli.guides.setup_port import PortGuide
from logger.cli.guides.terminal import Terminal
from logger.config.load import load
from logger.setup import unit
from logger.setup.answers import Answers, AnswersFile
from logger.setup.port_check import PortOrder, judge
from logger.setup.rendering import render
from tests.deadlines import scale
from tests.station import mismatchd, pty
from tests.terminal_view import View
from tests.test_calibrate_bench import FULL_COUNTS, REFERENCE_V, Bridge
from tests.test_identify import answering, bridge, newer, noise, silent

BY_NAME = Answers(kind="text-lines", port="socket://10.0.0.7:4000", name="attic")
IN_COUNTS = Answers(
    kind="text-lines",
    port="/dev/serial/by-id/usb-board",
    columns=["forward_counts", "reflected_counts", "channel"],
    full_scale=4095,
    reference_v=3.3,
    states_place=True,
    name="harbour: workshop # 1",
    lowest_w=1.0,
    highest_w=12.0,
)
FRAMES = Answers(kind="frames", port="/dev/ttyACM0", name="x", frequency_mhz=27.205, lowest_w=4.0)


@pytest.mark.parametrize("answers", [BY_NAME, IN_COUNTS, FRAMES], ids=["named", "counts", "frames"])
def test_the_program_reads_what_setup_writes(answers: Answers, tmp_path: Path) -> None:
    path = tmp_path / "config.yaml"
    path.write_text(render(answers))
    config = load(path)
    assert config.station.name == answers.name
    assert config.station.frequency_mhz == answers.frequency_mhz
    assert config.kind == answers.kind
    driver = yaml.safe_load(path.read_text())["driver"]
    assert driver["port"] == answers.port
    assert driver.get("columns") == answers.columns
    assert driver.get("counts_full_scale") == answers.full_scale
    assert config.calibration.file == tmp_path / "coupler.yaml"
    if answers is IN_COUNTS:
        assert config.transmission.min_forward_w == 0.1
        assert config.watchdog.high_reflected_power.limit_w == 6.0


def test_answers_survive_and_are_removed(tmp_path: Path) -> None:
    file = AnswersFile(tmp_path / "config.yaml")
    assert file.read() is None
    file.write(IN_COUNTS)
    assert file.read() == IN_COUNTS
    file.path.write_bytes(b"{")
    assert file.read() is None
    file.remove()
    file.remove()
    assert list(tmp_path.iterdir()) == []


def test_ports_are_exchanged_in_the_columns() -> None:
    answers = Answers(columns=["channel", "forward_mv", "reflected_mv"])
    assert answers.exchange()
    assert answers.columns == ["channel", "reflected_mv", "forward_mv"]
    assert not Answers(kind="frames").exchange()


@pytest.mark.parametrize(
    ("forward_v", "reflected_v", "order"),
    [
        (1.0, 0.1, PortOrder.RIGHT),
        (0.5, 0.29, PortOrder.RIGHT),
        (0.1, 1.0, PortOrder.EXCHANGED),
        (0.08, 0.9, PortOrder.EXCHANGED),
        (1.0, 0.95, PortOrder.ALIKE),
        (0.8, 1.0, PortOrder.ALIKE),
    ],
)
def test_one_key_down_tells_the_ports_apart(
    forward_v: float, reflected_v: float, order: PortOrder
) -> None:
    zero_v = (0.02, 0.05)
    forward, reflected = (
        Level(zero + volts, 0.001, 0.0, 0.0)
        for zero, volts in zip(zero_v, (forward_v, reflected_v), strict=True)
    )
    reading = SteadyReading(forward, reflected, 200, 1.0, None, None, 0.001, None)
    assert judge(Quiet(zero_v, (0.001, 0.001), 0.001), reading) is order


def test_the_unit_has_the_group_of_the_port() -> None:
    shipped = unit.SHIPPED.read_text()
    changed = unit.unit(shipped, "uucp")
    assert "\nSupplementaryGroups=uucp\n" in changed
    assert changed.replace("=uucp\n", "=dialout\n") == shipped
    assert unit.unit(shipped, None) == shipped
    commands = unit.install_commands(Path("/home/a/config.yaml"), Path("/home/a/coupler.yaml"))
    assert any("/etc/mismatchd /home/a/config.yaml /home/a/coupler.yaml" in c for c in commands)
    assert not any("-t /etc" in c for c in unit.install_commands(unit.FOLDER / "config.yaml"))


def test_a_folder_that_does_not_exist_is_named_at_once(tmp_path: Path) -> None:
    done = mismatchd("setup", "-c", tmp_path / "none" / "config.yaml", check=False)
    assert done.returncode == 1
    assert f"{tmp_path / 'none'}: cannot be written to" in done.stderr


# finding the port


def test_the_end_of_the_answers_is_a_failure(tmp_path: Path) -> None:
    command = (sys.executable, "-m", "logger.cli", "setup", "-c", str(tmp_path / "config.yaml"))
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1] == (
        "mismatchd: the input ended before the setup was complete; `mismatchd setup` continues from"
        " here"
    )


def port(device: str, *stable: str) -> SerialPort:
    return SerialPort(device, stable, "", "serial port")


class Script(Terminal):
    """A terminal whose answers are given; what was said is kept."""

    def __init__(self, *answers: str) -> None:
        super().__init__()
        self.interactive = True
        self.said: list[str] = []
        self._answers = list(answers)

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, text: str) -> None:
        self.said.append(text)

    def line(self, timeout_s: float | None) -> str | None:
        return self._answers.pop(0) if timeout_s is None else None


def chosen(script: Script, *stages: Sequence[SerialPort]) -> str:
    """The port that is chosen while the ports change; the last stage lasts."""
    states = itertools.chain(stages, itertools.repeat(stages[-1]))
    return PortGuide(script, Answers(), lambda: next(states))._choose()


ONE, TWO = port("/dev/ttyUSB0", "/dev/serial/by-id/usb-a"), port("/dev/ttyUSB1")


def test_the_port_is_chosen_by_number_name_or_cable() -> None:
    assert chosen(Script(""), [ONE]) == "/dev/serial/by-id/usb-a"
    assert chosen(Script("7", "2"), [ONE, TWO]) == "/dev/ttyUSB1"
    assert chosen(Script("/dev/x"), [ONE, TWO]) == "/dev/x"
    script = Script("")
    assert chosen(script, [ONE, TWO], [ONE, TWO], [TWO], [TWO], [ONE, TWO]) == ONE.stable[0]
    assert "/dev/ttyUSB0 has gone. Plug the bridge in again." in script.said
    assert chosen(Script(), [], [], [TWO]) == "/dev/ttyUSB1"
    built_in = SerialPort("/dev/ttyS0", (), "", PROBABLY["ttyS"])
    assert chosen(Script(), [built_in], [built_in, TWO]) == "/dev/ttyUSB1"
    assert chosen(Script(""), [built_in, TWO]) == "/dev/ttyUSB1"


# what it sends


@pytest.mark.realtime
@pytest.mark.parametrize(
    ("answer", "kind", "said"),
    [
        (bridge, "frames", "The reference bridge 'harbour bridge': a pair every 1000 µs"),
        (lambda _: b"1.234,0.056\r\n", "text-lines", "Got `1.234,0.056`, "),
        (silent, None, "Nothing arrives."),
        (noise, None, "has characters that are no text. Remedy: correct the baud rate"),
        (newer, None, "Update its firmware."),
        (lambda _: b"fwd=801 ref=3\n", None, "its values are named `fwd` and `ref`. Remedy: name"),
    ],
    ids=["bridge", "lines", "silent", "noise", "newer", "names"],
)
def test_what_arrives_is_answered(
    answer: Callable[[bytes], bytes], kind: str | None, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(setup_port, "LISTEN_S", scale(0.5))
    monkeypatch.setattr(setup_port, "TRY_S", 0.1)
    script, answers = Script(""), Answers()
    with answering(answer) as (name, _):
        instead = PortGuide(script, answers)._try(name)
    assert (answers.kind, answers.baud) == (kind, 115200)
    assert instead == (None if kind else "")
    assert any(said in text for text in script.said), script.said


@pytest.mark.realtime
def test_the_baud_rate_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup_port, "LISTEN_S", scale(0.5))
    monkeypatch.setattr(setup_port, "TRY_S", scale(0.5))
    script, answers = Script("", "", ""), Answers()
    opened: list[int] = []

    def at_57600(_: bytes) -> bytes:
        right = opened and termios.tcgetattr(opened[0])[4] == termios.B57600
        return b"387,101\n" if right else b"\xf0\x8f\n\xc3"

    with answering(at_57600) as (name, _):
        opened.append(os.open(name, os.O_RDONLY | os.O_NOCTTY))
        assert PortGuide(script, answers)._try(name) is None
        os.close(opened.pop())
    assert answers.baud == 57600
    assert answers.columns == ["forward_counts", "reflected_counts"]
    assert (answers.full_scale, answers.reference_v) == (1023, 5.0)


# the whole


@pytest.mark.nightly
@pytest.mark.realtime
def test_from_nothing_to_a_watch_that_runs(tmp_path: Path) -> None:
    config = tmp_path / "config.yaml"
    bits = FULL_COUNTS.bit_length()
    with pty() as (master, name):
        bridge = Bridge(master)

        def see(view: View, text: str, seconds: float = 15.0) -> None:
            folded = " ".join(text.split())
            view.until(lambda screen: folded in " ".join(screen.split()), seconds)

        def answer(view: View, question: str, text: str = "") -> None:
            see(view, question)
            view.press(f"{text}\n".encode())

        def key(view: View, condition: str, until: str) -> None:
            see(view, "Key the transmitter.")
            bridge.condition, bridge.watts = condition, 4.0
            see(view, until)
            bridge.watts = 0.0

        first = View("setup", "-c", str(config), columns=100, rows=90)
        try:
            answer(first, "name", "/dev/not-there")
            see(first, "no such port")
            answer(first, "or type its name:", name)
            answer(first, "Columns: forward_counts, reflected_counts.")
            answer(first, "in bits", str(bits))
            answer(first, "Reference voltage", f"{REFERENCE_V:g}")
            answer(first, "Name of the station", "harbour-workshop")
            answer(first, "Channel, or frequency", "27205")
            answer(first, "did you mean 27.205?", "27.205")
            answer(first, "Highest power", "q")
            assert first.ended() == 0
        finally:
            first.close()
        assert not config.exists()

        view = View("setup", "-c", str(config), columns=100, rows=110)
        try:
            answer(view, "Continue it?")
            answer(view, "Highest power", "4")
            answer(view, "Lowest power")
            see(view, "RF burns. Nobody")
            bridge.condition, bridge.watts = "reversed", 4.0
            answer(view, "Enter when the dummy load is connected")
            see(view, "high for an unkeyed transmitter; is the key up?")
            bridge.watts = 0.0
            answer(view, "Enter: try again")
            key(view, "reversed", "Release the key.")
            see(view, "The ports are exchanged")
            see(view, "Your choice")
            written = load(config)
            assert written.driver["columns"] == ["reflected_counts", "forward_counts"]
            assert written.station.frequency_mhz == 27.205
            view.press(b"1\n")
            answer(view, "That power", "4")
            answer(view, "Step 1 of 3: unkeyed, for zero and noise. Leave the key alone.")
            answer(view, "Step 2 of 3: matched, about 4 W. Enter when ready:")
            # The columns are exchanged, so the bridge's other port is the forward one.
            key(view, "reversed", "Steady. Release the key.")
            answer(view, "The reference showed [4 W]:")
            answer(view, "Step 3 of 3: reversed, about 4 W. Enter when ready:")
            see(view, "Enter when ready: Key the transmitter.")
            bridge.condition, bridge.watts = "matched", 4.0
            view.until(lambda screen: screen.count("Steady. Release the key.") == 2)
            bridge.watts = 0.0
            view.until(lambda screen: screen.count("The reference showed") == 2)
            view.press(b"\n")
            see(view, "systemctl enable --now mismatchd")
            assert (tmp_path / unit.NAME).read_text().startswith("# Watches one station.")
            answer(view, "Start the daemon here now?")
            see(view, "watching harbour-workshop")
            bridge.condition, bridge.watts = "reversed", 4.0
            view.look(2.0)
            bridge.watts = 0.0
            see(view, "transmission 1:")
            view.press(b"\x03")
            assert view.ended() == 0
        finally:
            view.close()
            bridge.stop()
    assert "open alarm    none" in mismatchd("status", "-c", config, check=False).stdout
