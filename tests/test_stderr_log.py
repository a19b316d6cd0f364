"""Lines of the log: plain, with priorities for the journal, and as JSON."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from logger.cli.stderr_log import JournalFormatter, JsonFormatter, formatter, is_journal
from tests.deadlines import scale

CONFIG = """\
driver:
  kind: simulated
  pace: fast
  duration_s: 4
  operator: {transmissions: [{at_s: 1, duration_s: 2, mode: fm, channel: 20, power_w: 4}]}
  faults: [{kind: open, where: shack-plug, at_s: 2}]
notify: [{kind: command, command: [/bin/true], heartbeat: "08:00"}]
"""


def record(level: int, text: str) -> logging.LogRecord:
    made = logging.LogRecord("mismatchd", level, __file__, 1, text, None, None)
    made.created = 1_770_000_000.25
    return made


def test_every_line_for_the_journal_has_its_priority() -> None:
    form = JournalFormatter()
    assert form.format(record(logging.ERROR, "disk full\nsecond line")) == (
        "<3>disk full\n<3>second line"
    )
    levels = (logging.CRITICAL, logging.WARNING, logging.INFO, logging.DEBUG)
    assert [form.format(record(level, "x")) for level in levels] == ["<2>x", "<4>x", "<6>x", "<7>x"]


def test_a_json_line_has_all_fields_and_keeps_a_traceback_on_one_line() -> None:
    made = record(logging.ERROR, "thread failed")
    try:
        raise ValueError("größer\nals")
    except ValueError:
        made.exc_info = sys.exc_info()
    text = JsonFormatter().format(made)
    assert "\n" not in text
    line = json.loads(text)
    assert list(line) == ["time_utc", "priority", "level", "message"]
    assert line["time_utc"] == "2026-02-02T02:40:00.250000Z"
    assert (line["priority"], line["level"]) == (3, "error")
    assert line["message"].startswith("thread failed\nTraceback")
    assert line["message"].endswith("größer\nals")


def test_the_journal_is_recognised_by_device_and_inode(tmp_path: Path) -> None:
    with (tmp_path / "stream").open("wb") as stream, (tmp_path / "other").open("wb") as other:
        status = os.fstat(stream.fileno())
        environ = {"JOURNAL_STREAM": f"{status.st_dev}:{status.st_ino}"}
        assert is_journal(environ, stream.fileno())
        assert not is_journal(environ, other.fileno())  # redirected since
        assert not is_journal({}, stream.fileno())
    assert isinstance(formatter("json", environ), JsonFormatter)


@pytest.mark.realtime
@pytest.mark.parametrize("form", ["text", "json"])
def test_a_run_under_the_service_manager_logs_with_priorities(tmp_path: Path, form: str) -> None:
    """systemd gives stderr as a socket and names it; a pipe has device and inode as well."""
    (tmp_path / "config.yaml").write_text(CONFIG)

    def run(config: str) -> tuple[int, list[str]]:
        reading, writing = os.pipe()
        status = os.fstat(writing)
        stream = f"{status.st_dev}:{status.st_ino}"
        process = subprocess.Popen(
            [sys.executable, "-m", "logger.cli", "run", "-c", config, "--log-format", form],
            cwd=tmp_path,
            stderr=writing,
            env={**os.environ, "JOURNAL_STREAM": stream},
        )
        os.close(writing)
        with os.fdopen(reading) as lines:
            text = lines.read()
        return process.wait(scale(30)), text.splitlines()

    code, lines = run("config.yaml")
    assert code == 0
    failed, last = run("absent.yaml")
    assert failed == 2
    if form == "json":
        parsed = [json.loads(line) for line in [*lines, *last]]
        priorities = [line["priority"] for line in parsed]
        messages = [line["message"] for line in parsed]
        time = datetime.fromisoformat(parsed[0]["time_utc"])
        assert abs(datetime.now(UTC) - time) < timedelta(minutes=scale(1))
    else:
        priorities = [int(line[1]) for line in [*lines, *last]]
        messages = [line.removeprefix(f"<{line[1]}>") for line in [*lines, *last]]
    found = dict(zip(messages, priorities, strict=True))
    levels = {message.split()[0]: level for message, level in found.items()}
    assert levels["warning:"] == 4  # the deprecated key
    assert levels["watching"] == 6
    assert levels["ALARM"] == 4
    assert levels["transmission"] == 6
    assert priorities[-1] == 2
    assert messages[-1].startswith("absent.yaml: no such configuration file")
