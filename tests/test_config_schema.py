"""The JSON Schema of the configuration: valid, complete, and in agreement with the program."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import jsonschema
import msgspec
import pytest

from logger.config.load import load
from logger.config.yaml_lines import parse
from logger.errors import ConfigError
from logger.handbook.reference import Key, configuration
from logger.handbook.schema import Schema, schema
from tests.station import mismatchd

EXAMPLE = (Path(__file__).parent.parent / "config.example.yaml").read_text()
SCHEMA: Schema = json.loads(json.dumps(schema()))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
FROZEN = frozenset({"driver, kind: replay", "driver, kind: simulated"})


def examples() -> Iterator[str]:
    """Each commented section of the example, as YAML."""
    for block in re.findall(r"^# ([a-z]+:(?: .*)?\n(?:#  .*\n)*)", EXAMPLE, re.MULTILINE):
        yield re.sub(r"^#( |$)", "", block, flags=re.MULTILINE)


def complete(text: str) -> str:
    return text if text.startswith("driver:") else "driver: {kind: frames, port: p}\n" + text


def accepts(text: str) -> bool:
    return bool(VALIDATOR.is_valid(parse(text).data))


def loads(folder: Path, text: str) -> bool:
    path = folder / "config.yaml"
    path.write_text(text)
    try:
        load(path)
    except ConfigError:
        return False
    return True


def mappings(keys: Schema) -> Iterator[Schema]:
    """The alternatives of a key that are mappings or lists of mappings."""
    if "properties" in keys:
        yield keys
    items = [keys["items"]] if "items" in keys else []
    for option in [*keys.get("anyOf", []), *keys.get("oneOf", []), *items]:
        yield from mappings(option)


def sections(heading: str) -> list[Schema]:
    if heading == "top level":
        return [SCHEMA]
    name, _, kind = heading.partition(", kind: ")
    kinds = {"const": kind} if kind else None
    found = mappings(SCHEMA["properties"][name])
    return [option for option in found if option["properties"].get("kind") == kinds]


def schema_of(heading: str, key: Key) -> list[Schema]:
    """All that the schema says of a key, which may be in several alternatives."""
    *outer, last = key.name.replace("[]", "").split(".")
    found = sections(heading)
    for name in outer:
        found = [inner for option in found for inner in mappings(option["properties"][name])]
    return [option["properties"][last] for option in found]


def test_the_command_prints_a_valid_schema() -> None:
    assert json.loads(mismatchd("check", "--schema").stdout) == SCHEMA
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_every_key_of_the_reference_has_its_description_unit_and_default() -> None:
    keys = [(heading, key) for heading, keys in configuration().items() for key in keys]
    assert len(keys) > 100
    for heading, key in keys:
        options = schema_of(heading, key)
        assert options, (heading, key.name)
        for option in options:
            assert option["description"].startswith(key.description)
            assert not key.unit or option["description"].endswith(f" Unit: {key.unit}.")
            if key.default in ("", "required"):
                assert "default" not in option
            else:
                default = option["default"]
                is_text = isinstance(default, str)
                text = default if is_text else msgspec.json.encode(default).decode()
                assert key.default == f"`{text}`"


def test_the_example_and_its_commented_sections_conform(tmp_path: Path) -> None:
    assert accepts(EXAMPLE)
    found = [complete(text) for text in examples()]
    assert len(found) >= 8
    for text in found:
        assert accepts(text), list(VALIDATOR.iter_errors(parse(text).data))
        assert loads(tmp_path, text)


def test_the_example_names_every_key_but_those_of_the_simulated_station() -> None:
    words = set(re.findall(r"[a-z][a-z0-9_]*", EXAMPLE))
    missing = [
        (heading, key.name)
        for heading, keys in configuration().items()
        for key in keys
        if heading not in FROZEN and key.name.rpartition(".")[2] not in words
    ]
    assert missing == []


@pytest.mark.parametrize(
    "text",
    [
        "driver: {kind: simulated, sed: 7}",
        "driver: {kind: simulatd}",
        "driver: {port: /dev/ttyUSB0}",
        "driver: {kind: text-lines}",
        "station: {name: pier}",
        "driver: {kind: simulated}\nstation: {chanel: 3}",
        "driver: {kind: simulated}\nstation: {channel: 0}",
        "driver: {kind: simulated}\nwatchdog: {high_swr: {limit: 1}}",
        "driver: {kind: simulated}\nstore: {path: 3}",
        "driver: {kind: simulated}\nnotify: [{kind: mail, host: h, to: [a@b]}]",
        "driver: {kind: simulated}\nnotify: [{kind: command, command: []}]",
        "driver: {kind: simulated}\nnotify: [{kind: command, command: [a], alarms: [swr]}]",
        "driver: {kind: simulated}\ninfluxdb: [{url: ftp://h, org: o, bucket: b}]",
    ],
)
def test_what_the_schema_refuses_the_program_refuses(tmp_path: Path, text: str) -> None:
    assert not accepts(text)
    assert not loads(tmp_path, text)
