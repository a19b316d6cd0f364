"""A plain installation, without matplotlib and scipy: the daemon and each command."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest

from logger.cli import command
from tests import coupler_model
from tests.page_server import serving

ROOT = Path(__file__).parent.parent
BLOCK = """
import sys

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("matplotlib", "scipy"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Blocked())
"""
# Each command with the extra that it needs, if any, and arguments.
COMMANDS = (
    ("", "run -c config.yaml"),
    ("", "check -c config.yaml"),
    ("", "setup -c config.yaml"),
    ("", "ports"),
    ("", "handbook reference"),
    ("", "status -c config.yaml"),
    ("", "alarms show 1 -c config.yaml"),
    ("", "alarms acknowledge 1 -c config.yaml"),
    ("", "alarms shelve 2 --for 1h -c config.yaml"),
    ("", "alarms unshelve 2 -c config.yaml"),
    ("", "faults show 1 -c config.yaml"),
    ("", "faults acknowledge 1 -c config.yaml"),
    ("", "journal add --kind remark plug -c config.yaml"),
    ("", "journal edit 1 --text joint -c config.yaml"),
    ("", "journal list -c config.yaml"),
    ("", "journal remove 1 -c config.yaml"),
    ("", "journal weather weather.csv -c config.yaml"),
    ("", "notify test -c config.yaml"),
    ("", "export seconds -c config.yaml"),
    ("", "backup copy.sqlite -c config.yaml"),
    ("", "restore copy.sqlite -c config.yaml"),
    ("", "recompute -c config.yaml"),
    ("", "record -o bytes -c config.yaml"),
    ("", "dashboard grafana --datasource influxdb2 -c config.yaml"),
    ("", "live -c config.yaml"),
    ("", "tune -c config.yaml"),
    ("", "wiggle plug -c config.yaml"),
    ("", "isolate -c config.yaml"),
    ("", "verify -c config.yaml"),
    ("", "feedline --frequency 27 -c config.yaml"),
    ("charts", "feedline --frequency 27 -o chart.svg -c config.yaml"),
    ("", "feedline measure -c config.yaml"),
    ("", "push -c config.yaml"),
    ("", "fleet query . SELECT"),
    ("", "fleet recompute . -o new"),
    ("trend", "fleet report ."),
    ("trend", "fleet learn . -o priors.yaml"),
    ("", "calibrate example -o coupler.yaml"),
    ("", "calibrate report --calibration coupler.yaml"),
    ("", "calibrate temperature -c config.yaml"),
    ("", "calibrate plan --turns 20 --power 4"),
    ("trend", "calibrate fit points.csv -o fitted.yaml"),
    ("charts", "calibrate fit points.csv -o fitted.yaml --plot chart.svg"),
    ("trend", "calibrate bench new.csv -o fitted.yaml -c config.yaml"),
    ("trend", "report -c config.yaml"),
    ("trend", "report --html report.html -c config.yaml"),
    ("charts", "chart calibration -o chart.svg --calibration coupler.yaml"),
    ("charts", "chart capture 1 -o chart.svg -c config.yaml"),
    ("charts", "chart drift -o chart.svg -c config.yaml"),
    ("charts", "chart fault 1 -o chart.svg -c config.yaml"),
    ("charts", "chart transmission 1 -o chart.svg -c config.yaml"),
    ("charts", "chart tuning -o chart.svg -c config.yaml"),
    ("charts", "chart verifications -o chart.svg -c config.yaml"),
)
ENDED = "the input ended"
FAIL = {  # for other reasons, named on stderr
    "status": "",
    "setup": ENDED,
    "record": "simulated",
    "tune": ENDED,
    "wiggle": ENDED,
    "isolate": ENDED,
    "verify": ENDED,
    "feedline measure": ENDED,
    "push": "store.remote is not configured",
    "fleet query": "has no station",
    "fleet recompute": "has no station",
    "calibrate temperature": "no transmission",
}
RUN = """
import contextlib, json, os, signal, tempfile, threading
from pathlib import Path
from logger.cli import main
from logger.diagnosis.__main__ import main as diagnose

results = []
for words in json.loads(sys.argv[1]):
    out, err = tempfile.TemporaryFile("w+"), tempfile.TemporaryFile("w+")
    if words[0] == "live":
        threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGINT)).start()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(words)
        except SystemExit as end:
            code = end.code
        except BaseException as error:
            code = repr(error)
    err.seek(0)
    results.append((code, err.read()))
print(json.dumps(results))
diagnose(Path("data/station.sqlite"), 1)
"""


def list_commands(group: click.Group, words: str = "") -> list[str]:
    """Return all commands that are no groups, with the words that name them."""
    context, names = click.Context(group), []
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        path = f"{words} {name}".strip()
        names += list_commands(found, path) if isinstance(found, click.Group) else [path]
    return names


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A station without a store, bench points and weather."""
    path = tmp_path / "plain"
    path.mkdir()
    example = (ROOT / "config.example.yaml").read_text()
    (path / "config.yaml").write_text(example.replace("pace: realtime", "pace: fast"))
    (path / "weather.csv").write_text("date,rain_mm\n2026-01-01,1\n")
    rng = np.random.default_rng(3)
    rows = coupler_model.bench_rows(coupler_model.random_coupler(rng), rng)
    (path / "points.csv").write_text(coupler_model.csv_text(rows))
    (path / "sitecustomize.py").write_text(BLOCK)
    return path


@pytest.mark.realtime
def test_each_command_works_or_names_the_extra(folder: Path) -> None:
    named = [words for _, words in COMMANDS]
    left_out = [
        name for name in list_commands(command) if not any(w.startswith(name) for w in named)
    ]
    assert left_out == ["page"]  # see below
    words = json.dumps([arguments.split() for arguments in named])
    done = subprocess.run(
        [sys.executable, "-c", BLOCK + RUN, words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    for (extra, arguments), (code, text) in zip(COMMANDS, json.loads(done.stdout), strict=True):
        package = {"charts": "matplotlib", "trend": "scipy"}.get(extra)
        name = max(
            (n for n in list_commands(command) if arguments.startswith(n)), default="feedline"
        )
        reason = FAIL.get(name)
        if package is not None:
            expected = f"mismatchd: `mismatchd {name}` needs {package}, which is not installed:"
            assert (code, text) == (1, f"{expected} pip install 'mismatchd[{extra}]'\n"), arguments
        elif reason is not None:
            assert code in (1, 2), (arguments, text)
            assert reason in text, arguments
        else:
            assert code == 0, (arguments, text)
    assert done.returncode == 0, done.stderr  # the diagnosis as well


@pytest.mark.realtime
def test_the_page_names_the_extra_where_a_chart_would_be(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", f"{folder}{os.pathsep}{ROOT}")
    words = [sys.executable, "-m", "logger.cli", "run", "-c", "config.yaml"]
    subprocess.run(words, cwd=folder, check=True, capture_output=True)
    trend = "This part of the page needs scipy, which is not installed:"
    charts = trend.replace("scipy", "matplotlib")

    def ask(path: str) -> tuple[int, str]:
        try:
            with urllib.request.urlopen(f"{page.url}{path}") as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as answer:
            return answer.code, answer.read().decode()

    with serving(folder / "config.yaml") as page:
        for path in ("/", "/faults/1", "/alarms/1", "/transmissions/1", "/captures/1", "/health"):
            assert ask(path)[0] == 200, path
        answers = {path: ask(path) for path in ("/overview", "/report", "/charts/fault/1")}
    for path, words in (("/overview", trend), ("/report", charts), ("/charts/fault/1", charts)):
        status, text = answers[path]
        assert status == (200 if path == "/overview" else 503), path
        assert words in text, (path, text)


def test_nothing_in_the_daemon_imports_what_may_be_missing() -> None:
    seen: set[str] = set()
    waiting = ["logger.daemon"]
    while waiting:
        module = waiting.pop()
        path = ROOT.joinpath(*module.split("."))
        files = [file for file in (path.with_suffix(".py"), path / "__init__.py") if file.exists()]
        if module in seen or not files:
            continue
        seen.add(module)
        names = list(_imported(files[0]))
        assert not {name.partition(".")[0] for name in names} & {"matplotlib", "scipy"}, module
        waiting += names
    assert len(seen) > 100


def _imported(path: Path) -> Iterator[str]:
    """Names that a module imports, also within functions; some are no modules."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
