"""What a person meets at the command line."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import click
import pytest

from logger.cli import COMMANDS
from logger.cli import command as root
from logger.config.load import load
from logger.handbook.reference import reference
from logger.isolate.hints import newest
from logger.store.reader import Store
from logger.store.writer import StoreWriter
from tests.station import mismatchd, write_config

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_stands_in_the_reference(name: str) -> None:
    shown = mismatchd(name, "--help").stdout
    assert "--help" in shown
    assert len(shown.splitlines()) > 3
    assert re.search(rf"^\| `mismatchd {name}\b", reference(root), re.MULTILINE)


def test_commands_are_listed_with_their_own_help_but_not_imported() -> None:
    context = click.Context(root)
    for name, summary in COMMANDS.items():
        assert root.get_command(context, name).get_short_help_str(200) == summary
    assert "numpy" not in _imports("--help")
    assert [item.value for item in root.shell_complete(context, "ca")] == ["calibrate"]


@pytest.mark.parametrize("name", ["status", "faults", "alarms", "journal"])
def test_what_is_asked_often_imports_nothing_slow(name: str, tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    arguments = ["list"] if name == "journal" else []
    imports = _imports(name, *arguments, "-c", config)
    assert "logger.config.load" in imports
    assert not imports & {"numpy", "scipy", "matplotlib", "rich", "serial", "logging", "zoneinfo"}


def _imports(*arguments: object) -> set[str]:
    """Return the modules that a command imports."""
    command = [sys.executable, "-X", "importtime", "-m", "logger.cli", *map(str, arguments)]
    lines = subprocess.run(command, capture_output=True, text=True, check=False).stderr.splitlines()
    return {line.rpartition("|")[2].strip() for line in lines if line.startswith("import time:")}


def test_the_example_configuration_is_sound() -> None:
    load(ROOT / "config.example.yaml")
    assert "valid" in mismatchd("check", "-c", ROOT / "config.example.yaml").stdout


def test_the_simulated_station_shows_the_failing_plug(tmp_path: Path) -> None:
    text = (ROOT / "config.example.yaml").read_text().replace("pace: realtime", "pace: fast")
    config = tmp_path / "config.yaml"
    config.write_text(text)
    done = mismatchd("run", "--events", "-c", config)
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert sum(event["event"] == "transmission" for event in events) == 9
    assert any(event.get("kind") == "high-swr" for event in events)
    assert "ended; stored 9 transmissions, 1 fault, 16 alarms in " in done.stderr
    rows = csv.DictReader(io.StringIO(mismatchd("export", "transmissions", "-c", config).stdout))
    for row in list(rows)[:5]:
        assert float(row["swr_low"]) < 1.17 < float(row["swr_high"])  # the model says 1.13 to 1.17
    shown = mismatchd("alarms", "-c", config).stdout
    assert "OPEN" in shown
    with closing(Store.reader(tmp_path / "data/station.sqlite")) as store:
        hint = newest(store)  # what `isolate` makes of it
    assert hint is not None
    assert {"open", "short"} <= set(hint.weights)
    checks = " ".join(mismatchd("report", "-c", config).stdout.split())
    assert "Fault 1 is open. The reflection jumps" in checks
    assert "1. Swap the short lead" in checks
    status = mismatchd("status", "-c", config, check=False)
    assert status.returncode == 1
    assert "not running" in status.stdout
    assert re.search(
        r"^store .* 9 transmissions, \d+ seconds, 1 fault, 16 alarms$", status.stdout, re.M
    )
    fault, alarm = (status.stdout.index(f"\n{name} ") for name in ("fault", "open alarm"))
    assert fault < alarm
    assert re.search(r"^fault +1 open, since 2026-03-01T19:01:48Z: Feedline", status.stdout, re.M)
    answer = json.loads(mismatchd("status", "--json", "-c", config, check=False).stdout)
    assert answer["faults"] == 1
    assert [(row["id"], row["state"]) for row in answer["open_faults"]] == [(1, "open")]


def test_calibrate_example_writes_a_file_that_check_accepts(tmp_path: Path) -> None:
    mismatchd("calibrate", "example", "-o", tmp_path / "mine.yaml")
    config = write_config(tmp_path, "/dev/null", calibration="mine.yaml")
    assert "directivity 30.0 dB" in mismatchd("check", "-c", config).stdout


BAD = [
    ("watchdog: {high_swr: {limt: 3}}", "watchdog.high_swr.limt"),
    ("transmission: {min_forward_w: lots}", "transmission.min_forward_w"),
    ("watchdog: {high_swr: {limit: 0.5}}", "watchdog.high_swr.limit"),
    (
        "station: {frequency_mhz: 27205}",
        "27205 MHz looks like a value in kHz; did you mean 27.205?",
    ),
    ("\tstore: x", ":1:"),
]


@pytest.mark.parametrize("command", ["run", "check", "export transmissions", "status", "alarms"])
@pytest.mark.parametrize(("text", "named"), BAD)
def test_bad_configuration_is_one_line_and_exit_2(
    tmp_path: Path, text: str, named: str, command: str
) -> None:
    config = tmp_path / "config.yaml"
    config.write_text(text + "\ndriver: {kind: simulated}\n")
    done = mismatchd(*command.split(), "-c", config, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert f"{config}:1:" in line
    assert named in line


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["run", "-c", "nowhere.yaml"], "no such configuration file"),
        (["frobnicate"], "No such command"),
        (["export", "volts"], "volts"),
    ],
)
def test_wrong_usage_is_exit_2(arguments: list[str], said: str) -> None:
    done = mismatchd(*arguments, check=False)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_check_says_where_push_would_copy_to(tmp_path: Path) -> None:
    remote = (
        "{url: s3://club/archive, endpoint: http://hub.example:8333, access_key: pier,"
        " secret_key_file: secret}"
    )
    config = write_config(tmp_path, "/dev/null", store=f"{{remote: {remote}}}")
    where = "`push` copies it to s3://club/archive at http://hub.example:8333 with key pier"
    missing = mismatchd("check", "-c", config).stdout
    assert where in missing
    assert "`push` cannot: store.remote.secret_key_file:" in missing
    (tmp_path / "secret").write_text("hidden\n")
    found = mismatchd("check", "-c", config).stdout
    assert where in found
    assert "cannot" not in found
    assert "hidden" not in found


def test_a_missing_calibration_is_named(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null", calibration="none.yaml")
    done = mismatchd("check", "-c", config, check=False)
    assert done.returncode == 2
    assert "no such calibration file" in done.stderr


def test_a_missing_port_lists_what_there_is(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/ttyNOWHERE9")
    done = mismatchd("run", "-c", config, check=False)
    assert done.returncode == 1
    (line,) = [text for text in done.stderr.splitlines() if text.startswith("mismatchd: ")]
    assert "/dev/ttyNOWHERE9" in line


def test_an_empty_store(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    for command in ("export transmissions", "alarms"):
        done = mismatchd(*command.split(), "-c", config, check=False)
        assert done.returncode == 1
        assert "no store at" in done.stderr
    status = json.loads(mismatchd("status", "--json", "-c", config, check=False).stdout)
    assert status["alive"] is False


@pytest.mark.parametrize(
    "arguments", [("alarms",), ("faults",), ("journal", "list"), ("alarms", "ack", "1")]
)
def test_lists_are_quick_without_numpy(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    config = write_config(tmp_path, "/dev/null")
    with closing(StoreWriter.open(load(config).store.path)):
        pass
    script = (
        "import sys; from logger.cli import main\n"
        f"try: main({[*arguments, '-c', str(config)]})\n"
        "finally: assert 'numpy' not in sys.modules, 'numpy imported'"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert "numpy" not in ran.stderr
    assert ran.stderr.count("\n") == 1  # "no open faults"


def test_a_csv_without_the_header_is_refused(tmp_path: Path) -> None:
    (tmp_path / "pairs.csv").write_text("1.0,2.0\n1.1,2.1\n")
    config = write_config(tmp_path, "", driver="{kind: replay, path: pairs.csv}")
    done = mismatchd("run", "-c", config, check=False)
    assert done.returncode == 1
    assert "pairs.csv: line 1: the header must name" in done.stderr
