"""The handbook: its topics, and the reference generated from the code."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

import click
import pytest

from logger.cli import command as root
from logger.handbook.descriptions import (
    ALARM_CHANGES,
    ALARM_KINDS,
    COLUMNS,
    FAULT_CHANGES,
    FAULT_STATES,
    FLAGS,
    POINT_FIELDS,
    SAMPLES,
    SEVERITIES,
    describe,
)
from logger.handbook.reference import configuration, metrics, point_fields, reference, unit_of, walk
from logger.handbook.topics import (
    FOLDER,
    NAMES,
    REFERENCE,
    TOPICS,
    locate_images,
    name_topics,
    read,
    title,
)
from logger.rows import (
    AlarmKind,
    ChangeKind,
    FaultChangeKind,
    FaultState,
    Flag,
    Severity,
)
from logger.store.tables import FORWARDED, TABLES
from tests.page_server import serving
from tests.station import mismatchd

FENCE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)
README = (FOLDER.parent.parent / "README.md").read_text(encoding="utf-8")
TEXTS = {topic: read(topic) for topic in TOPICS} | {"README": README}
TITLES = {name: title(name) for name in NAMES}
COMMANDS = {context.command_path: command for context, command in walk(root, "mismatchd")}


def options() -> Iterator[tuple[str, click.Option]]:
    for path, command in COMMANDS.items():
        yield from ((path, param) for param in command.params if isinstance(param, click.Option))


def test_the_command_lists_and_prints_the_topics() -> None:
    listed = mismatchd("handbook").stdout.splitlines()
    assert [line.split(maxsplit=1) for line in listed] == [[n, t] for n, t in TITLES.items()]
    printed = mismatchd("handbook", "safety").stdout
    assert printed.rstrip("\n") == locate_images(read("safety")).rstrip("\n")
    done = mismatchd("handbook", "cooking", check=False)
    assert done.returncode == 2
    assert "troubleshooting" in done.stderr


def test_every_file_is_a_topic() -> None:
    assert {path.stem for path in FOLDER.glob("*.md")} == set(TOPICS)


@pytest.mark.parametrize("topic", TOPICS)
def test_links_and_images_lead_somewhere(topic: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", FENCE.sub("", read(topic))):
        name, _, anchor = target.partition("#")
        assert not anchor
        assert name == f"{REFERENCE}.md" or (FOLDER / name).exists(), target


@pytest.mark.parametrize("topic", TEXTS)
def test_commands_and_options_exist(topic: str) -> None:
    """Each `mismatchd ...` in the text names a command, and options that this command has."""
    for line in re.findall(r"(?<!/etc/)\bmismatchd ([a-z][^`\n|]*)", TEXTS[topic]):
        words = line.split()
        command: click.Command = root
        while isinstance(command, click.Group) and words and not words[0].startswith("-"):
            inner = command.get_command(click.Context(command), words[0])
            if inner is None:
                break
            command = inner
            words.pop(0)
        assert command is not root, line
        known = {name for param in command.params for name in param.opts} | {"--help"}
        for word in words:
            if re.fullmatch(r"-[a-z]|--[a-z][a-z-]*", word):
                assert word in known, line


def test_the_readme_is_short_and_leads_to_every_topic() -> None:
    assert README.count("\n") <= 130
    targets = re.findall(r"\]\(([^)]+)\)", FENCE.sub("", README))
    assert [target for target in targets if not (FOLDER.parent.parent / target).exists()] == []
    assert {Path(target).stem for target in targets} >= set(TOPICS)
    pictures = [FOLDER.parent.parent / target for target in targets if target.endswith(".png")]
    assert sum(picture.stat().st_size for picture in pictures) < 300_000


def test_images_are_located_for_a_terminal() -> None:
    located = locate_images("![A coupler](coupler.svg)")
    assert located == f"A coupler: `{FOLDER / 'coupler.svg'}`"


def test_links_name_the_command_on_a_terminal() -> None:
    assert name_topics("See [Safety](safety.md).") == "See Safety (`mismatchd handbook safety`)."


def test_every_option_has_help() -> None:
    assert [(path, option.name) for path, option in options() if not option.help] == []


def test_every_key_has_a_description() -> None:
    keys = {
        (heading, key.name): key.description
        for heading, section in configuration().items()
        for key in section
    }
    assert len(keys) > 100
    assert [name for name, description in keys.items() if not description] == []


def test_every_column_has_a_description_and_no_description_is_left_over() -> None:
    columns = {(name, column.name) for name, table in TABLES.items() for column in table.columns}
    columns |= {("samples", name) for name in SAMPLES}
    assert all(describe(*column) for column in columns)
    known = {name for _, name in columns} | {".".join(column) for column in columns}
    assert set(COLUMNS) <= known


def test_every_further_field_of_a_point_has_a_description() -> None:
    assert {name for table in FORWARDED for name in point_fields(table)} == set(POINT_FIELDS)


@pytest.mark.parametrize(
    ("texts", "members"),
    [
        (FLAGS, Flag),
        (ALARM_KINDS, AlarmKind),
        (ALARM_CHANGES, ChangeKind),
        (FAULT_STATES, FaultState),
        (FAULT_CHANGES, FaultChangeKind),
        (SEVERITIES, Severity),
    ],
    ids=lambda argument: getattr(argument, "__name__", ""),
)
def test_every_word_has_a_description(texts: dict[object, str], members: type) -> None:
    assert set(texts) == set(members)  # type: ignore[call-overload]
    assert all(texts.values())


def test_every_metric_has_a_description() -> None:
    assert all(family.help and family.samples for family in metrics())


def test_the_reference_has_all_of_them() -> None:
    text = reference(root)
    for path, option in options():
        section = text.partition(f"### {path}\n")[2].partition("\n### ")[0]
        assert all(name in section for name in option.opts)
    for heading, section in configuration().items():
        assert f"### {heading}\n" in text
        assert all(f"| `{key.name}` |" in text for key in section)
    for name, table in TABLES.items():
        section_text = text.partition(f"\n### {name}\n\n| column")[2].partition("\n### ")[0]
        assert all(f"| `{column.name}` |" in section_text for column in table.columns)
    for family in metrics():
        assert f"mismatchd_{family.name}" in text


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("forward_w_mean", "W"),
        ("commit_ms_max", "ms"),
        ("wind_m_s", "m/s"),
        ("pairs_per_s", "1/s"),
        ("start_utc", "UTC, ISO 8601"),
        ("samples", ""),
        ("swr_max", ""),
    ],
)
def test_units_follow_from_names(name: str, unit: str) -> None:
    assert unit_of(name) == unit


def test_the_drawings_are_svg() -> None:
    drawings = list(Path(FOLDER).glob("*.svg"))
    assert drawings
    for drawing in drawings:
        assert drawing.read_text(encoding="utf-8").startswith("<svg ")


def literals() -> Iterator[str]:
    """Text constants of the product; those of formatted strings end at a value."""
    for folder in ("logger", "drivers"):
        for path in (FOLDER.parent.parent / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    yield node.value


def test_troubleshooting_quotes_messages_of_the_code() -> None:
    """A message in a first column, with an ellipsis for values, is a literal of the product."""
    texts = "\n".join([*literals(), *(flag.words() for flag in Flag)])
    rows = re.findall(r"^\| (.+?) \| .+? \| .+? \|$", read("troubleshooting"), re.MULTILINE)
    assert len(rows) >= 30
    messages = [quoted for row in rows for quoted in re.findall(r"`([^`]+)`", row)]
    parts = [part.strip() for message in messages for part in re.split("…", message)]
    assert [part for part in parts if part and part not in texts] == []


def test_the_page_shows_the_topics(tmp_path: Path) -> None:
    config = tmp_path / "config.yaml"
    config.write_text("driver: {kind: simulated}\n")
    with serving(config) as page:

        def ask(path: str) -> str:
            with urlopen(f"{page.url}{path}") as answer:
                return str(answer.read().decode())

        listed = ask("/help")
        assert all(f'<a href="/help/{name}.md">' in listed for name in NAMES)
        assert "<h1>Safety</h1>" in ask("/help/safety.md")
        assert '<img src="detector.svg"' in ask("/help/build.md")
        assert ask("/help/detector.svg") == (FOLDER / "detector.svg").read_text(encoding="utf-8")
        assert "<code>forward_w_mean</code>" in ask("/help/reference.md")
        for path in (
            "/help/cooking.md",
            "/help/cooking.svg",
            "/help/..%2Fpage%2Fstatic%2Ficon.svg",
        ):
            with pytest.raises(HTTPError, match="404"):
                ask(path)
