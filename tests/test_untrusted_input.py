"""Programs, files, texts and numbers that are not as they should be."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import msgspec
import pytest

from logger.config.load import load
from logger.config.notifiers import CommandOptions
from logger.errors import ConfigError
from logger.notify.channel import ChannelContext, NotDelivered
from logger.notify.command import Command
from logger.store.database import Database
from logger.store.export import write_records
from logger.store.journal import Journal
from logger.store.reader import Store
from logger.store.tables import JOURNAL
from logger.store.writer import StoreWriter
from tests.deadlines import in_time, scale, wait_until
from tests.page_server import serving
from tests.station import mismatchd, write_config
from tests.test_notify_channels import ALARM
from tests.test_store import SECOND, T0, transmission

pytestmark = pytest.mark.realtime

LEAVER = """
import os, sys, time
if os.fork() == 0:
    os.setsid()
    if os.fork() == 0:
        open(sys.argv[1], "w").write(str(os.getpid()))
        time.sleep(60)
    os._exit(0)
time.sleep(60)
"""


def test_a_program_inherits_no_secrets(tmp_path: Path) -> None:
    target = tmp_path / "environ"
    program = f"import json, os; json.dump(dict(os.environ), open({str(target)!r}, 'w'))"
    environ = {"PATH": os.environ["PATH"], "HOME": "/nowhere", "INFLUX_TOKEN": "a-secret"}
    options = CommandOptions(command=[sys.executable, "-c", program])
    Command(options, ChannelContext("here", tmp_path, environ)).deliver(ALARM)
    inherited = json.loads(target.read_text())
    assert inherited.items() >= {"PATH": os.environ["PATH"], "HOME": "/nowhere"}.items()
    assert "a-secret" not in inherited.values()


def test_what_a_program_started_ends_with_it(tmp_path: Path) -> None:
    target = tmp_path / "pid"
    options = CommandOptions(
        command=[sys.executable, "-c", LEAVER, str(target)], timeout_s=min(scale(1.0), 10)
    )
    begun_s = time.monotonic()
    with pytest.raises(NotDelivered, match="was killed"):
        Command(options, ChannelContext("here", tmp_path, os.environ)).deliver(ALARM)
    assert in_time(time.monotonic() - begun_s, 3.0)
    pid = int(target.read_text())
    status = Path(f"/proc/{pid}/stat")
    assert wait_until(lambda: not status.exists() or status.read_text().split()[2] == "Z")


@pytest.mark.parametrize("path", ["/dev/zero", "/dev/urandom"])
def test_an_endless_configuration_is_refused(path: str) -> None:
    with pytest.raises(ConfigError, match="longer than 1 MB"):
        load(Path(path))


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ('=HYPERLINK("http://x")', '\'=HYPERLINK("http://x")'),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\x1b[31mred\x07", " [31mred "),
        ("\t=1", " =1"),
        ("plug soldered, 5 µm", "plug soldered, 5 µm"),
    ],
)
def test_text_is_harmless_in_tables_and_terminals(tmp_path: Path, text: str, cell: str) -> None:
    config = write_config(tmp_path, "none")
    path = tmp_path / "data/station.sqlite"
    with StoreWriter.open(path) as store:
        Journal(store.database).insert(T0, "remark", text)
        out = io.StringIO()
        records = store.records(JOURNAL, 0, 1 << 62)
        write_records(JOURNAL, records, "csv", "here", "", out)
        (row,) = csv.DictReader(io.StringIO(out.getvalue()))
        assert row["text"] == cell
        out = io.StringIO()
        write_records(JOURNAL, store.records(JOURNAL, 0, 1 << 62), "jsonl", "here", "", out)
        assert msgspec.json.decode(out.getvalue())["text"] == text
    if not text.isprintable():
        listed = mismatchd("journal", "list", "-c", config).stdout
        assert listed.strip("\n").isprintable()


def test_a_new_entry_of_the_journal_is_one_printable_line(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    path = tmp_path / "data/station.sqlite"
    StoreWriter.open(path).close()
    mismatchd("journal", "add", "plug\x07 \x1b[31m\nsoldered", "-c", config)
    with Store.reader(path) as store:
        assert [record.columns["text"] for record in store.records(JOURNAL, 0, 1 << 62)] == [
            "plug [31m soldered"
        ]


def test_numbers_beyond_64_bits_match_nothing(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    StoreWriter.open(path).close()
    with Database.reader(path) as database:
        for number in (10**23, -(10**23)):
            assert database.query_value("SELECT ? > 0", (number,)) == (number > 0)
            assert database.query("SELECT 1 FROM alarms WHERE id = :id", {"id": number}) == []


def test_a_row_at_the_end_of_time_is_reported(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    last_ns = (1 << 63) - 1 - 20 * SECOND
    with StoreWriter.open(tmp_path / "data/station.sqlite") as store:
        store.write([transmission(), transmission(last_ns)])
    assert "Traceback" not in mismatchd("report", "-c", config).stderr
    assert "2262-04-11" in mismatchd("export", "days", "-c", config).stdout


def test_a_page_of_no_row_is_not_found(tmp_path: Path) -> None:
    config = write_config(tmp_path, "none")
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    with serving(config) as page:
        for path in ("alarms", "faults", "transmissions", "captures"):
            with pytest.raises(urllib.error.HTTPError) as caught:
                urllib.request.urlopen(f"{page.url}/{path}/{10**23}")
            with caught.value:
                assert caught.value.code == 404
