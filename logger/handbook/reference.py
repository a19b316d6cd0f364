"""Reference of commands, configuration, columns, events and metrics, generated from the code.

Input: the root command of the command line, the option structs of the configuration and of the
installed drivers, and the definitions of tables and metrics. Output: Markdown.
"""

from __future__ import annotations

import importlib.resources
import re
import types
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import (
    Annotated,
    Any,
    Literal,
    NamedTuple,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

import click
import msgspec
from msgspec import NODEFAULT, Meta
from msgspec.structs import FieldInfo, fields

from logger.config.load import Sections
from logger.config.notifiers import KINDS
from logger.handbook.descriptions import (
    ALARM_CHANGES,
    ALARM_KINDS,
    FAULT_CHANGES,
    FAULT_STATES,
    FLAGS,
    POINT_FIELDS,
    SAMPLES,
    SEVERITIES,
    describe,
)
from logger.live.status import ClockStatus, ForwarderStatus, Status
from logger.rows import AlarmKind
from logger.service.metrics import PREFIX, families
from logger.service.openmetrics import Family
from logger.store.tables import FORWARDED, TABLES, Table

HELP_WIDTH = 88
LONGEST = 1000  # characters of the first sentence of a command
FILE_FORMAT = (
    "A YAML file. Relative paths start at its folder. Unknown keys are errors. `driver` is a"
    " mapping with a `kind`; `notify` is a list of such mappings, `influxdb` a mapping or a list of"
    " mappings."
)
# Units by the suffix of a key or column.
UNITS = {
    "_days": "days",
    "_db": "dB",
    "_db_100m": "dB per 100 m",
    "_deg": "degrees",
    "_hz": "Hz",
    "_j": "J",
    "_khz": "kHz",
    "_m": "m",
    "_m_s": "m/s",
    "_mb": "MB",
    "_mhz": "MHz",
    "_mm": "mm",
    "_ms": "ms",
    "_ohm": "ohm",
    "_per_s": "1/s",
    "_per_year": "1/year",
    "_s": "s",
    "_temperature_c": "°C",
    "_us": "µs",
    "_utc": "UTC, ISO 8601",
    "_v": "V",
    "_w": "W",
}
_SUFFIXES = sorted(UNITS, key=len, reverse=True)
TYPES: dict[Any, str] = {
    bool: "true or false",
    int: "whole number",
    float: "number",
    str: "text",
    Path: "path",
    AlarmKind: "alarm kind",
    datetime: "time",
}


class Key(NamedTuple):
    """One key of the configuration; `name` is dotted, and [] follows the name of a list."""

    name: str
    type: str
    default: str
    unit: str
    description: str


def reference(root: click.Command) -> str:
    """Return the whole reference as Markdown; `root` is the command `mismatchd`."""
    return "\n".join(
        (
            "# Reference",
            "",
            "Generated from the program that prints it.",
            "",
            *_commands(root),
            *_configuration(),
            *_columns(),
            *_events(),
            *_influx(),
            *_metrics(),
            *_protocol(),
        )
    )


def unit_of(name: str) -> str:
    """Return the unit that the name of a key or column ends in, or an empty text."""
    # A mean, a limit or a bound has the unit of the quantity itself.
    quantity = re.sub(r"_(mean|max|min)$", "", name)
    return next((UNITS[end] for end in _SUFFIXES if f"_{quantity}".endswith(end)), "")


def walk(command: click.Command, name: str) -> Iterator[tuple[click.Context, click.Command]]:
    """Yield every command that is not a group, with a context that has its full name."""
    settings = {"info_name": name, "terminal_width": HELP_WIDTH, **command.context_settings}
    yield from _walk(command, click.Context(command, **settings))


def _walk(
    command: click.Command, context: click.Context
) -> Iterator[tuple[click.Context, click.Command]]:
    if not isinstance(command, click.Group) or command.invoke_without_command:
        yield context, command
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            below = click.Context(inner, parent=context, info_name=name, terminal_width=HELP_WIDTH)
            yield from _walk(inner, below)


def _commands(root: click.Command) -> Iterator[str]:
    yield from (
        "## Commands",
        "",
        "Exit codes: 0 success, 1 failure while running, 2 wrong usage or configuration."
        " Messages go to stderr, data to stdout.",
        "",
    )
    commands = list(walk(root, "mismatchd"))
    yield from _table(
        ("command", "does"),
        (
            (f"`{context.command_path}`", command.get_short_help_str(LONGEST))
            for context, command in commands
        ),
    )
    for context, command in commands:
        yield from (f"### {context.command_path}", "", "```text")
        yield from (command.get_help(context), "```", "")


def configuration() -> dict[str, list[Key]]:
    """Return the keys of each section of the configuration, by heading."""
    from drivers.found import find, installed_kinds

    sections: dict[str, list[Key]] = {"top level": []}
    hints = get_type_hints(Sections, include_extras=True)
    for field in fields(Sections):
        struct = struct_of(hints[field.name])
        if struct is not None:
            sections[field.name] = list(_keys(struct))
        elif field.name not in ("driver", "notify"):
            sections["top level"].append(_key("", field, hints[field.name]))
    for kind in installed_kinds():
        sections[f"driver, kind: {kind}"] = list(_keys(find(kind).Options))
    for kind, options in KINDS.items():
        sections[f"notify, kind: {kind}"] = list(_keys(options))
    return sections


def _configuration() -> Iterator[str]:
    yield from (
        "## Configuration",
        "",
        FILE_FORMAT,
        "",
    )
    for heading, keys in configuration().items():
        yield from (f"### {heading}", "")
        yield from _table(
            ("key", "value", "default", "description"),
            (
                (f"`{key.name}`", _joined(key.type, key.unit), key.default, key.description)
                for key in keys
            ),
        )


def _keys(struct: type[msgspec.Struct], prefix: str = "") -> Iterator[Key]:
    hints = get_type_hints(struct, include_extras=True)
    for field in fields(struct):
        hint = hints[field.name]
        inner = struct_of(hint)
        if inner is None:
            yield _key(prefix, field, hint)
        else:
            is_list = any(get_origin(part) in (list, tuple) for part in parts(hint))
            yield from _keys(inner, f"{prefix}{field.encode_name}{'[]' if is_list else ''}.")


def _key(prefix: str, field: FieldInfo, hint: Any) -> Key:
    metas = getattr(hint, "__metadata__", ())
    description = next((meta.description for meta in metas if meta.description), "")
    return Key(
        prefix + field.encode_name,
        _type_text(hint),
        _default_text(field),
        "" if str in parts(hint) else unit_of(field.encode_name),
        description,
    )


def parts(hint: Any) -> tuple[Any, ...]:
    """Return the alternatives of a type without annotations and None."""
    if get_origin(hint) is Annotated:
        return parts(get_args(hint)[0])
    if get_origin(hint) in (Union, types.UnionType):
        return tuple(part for option in get_args(hint) for part in parts(option))
    return () if hint is types.NoneType else (hint,)


def struct_of(hint: Any) -> type[msgspec.Struct] | None:
    for part in parts(hint):
        items = get_args(part) if get_origin(part) in (list, tuple) else (part,)
        for item in items:
            if isinstance(item, type) and issubclass(item, msgspec.Struct):
                return item
    return None


def _type_text(hint: Any) -> str:
    if get_origin(hint) is Annotated:
        inner, *metas = get_args(hint)
        return _joined(_type_text(inner), *(_limits(meta) for meta in metas), joint=" ")
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return " or ".join(_type_text(part) for part in arguments if part is not types.NoneType)
    if origin is Literal:
        return ", ".join(map(str, arguments))
    if origin in (list, tuple):
        item = _type_text(arguments[0])
        is_pair = origin is tuple and arguments[-1] is not Ellipsis
        return f"[{item}, {item}]" if is_pair else f"list of {item}"
    if origin is dict:
        return f"mapping to {_type_text(arguments[1])}"
    return TYPES.get(hint) or ", ".join(hint)  # the words of an enumeration


def _limits(meta: Meta) -> str:
    if meta.ge is not None and meta.le is not None:
        return f"{meta.ge:,g} to {meta.le:,.10g}"
    signs = {">": meta.gt, "≥": meta.ge, "<": meta.lt, "≤": meta.le}
    return ", ".join(f"{sign} {limit:,.10g}" for sign, limit in signs.items() if limit is not None)


def _default_text(field: FieldInfo) -> str:
    if field.required:
        return "required"
    value = field.default_factory() if field.default is NODEFAULT else field.default
    if value is None:
        return ""
    if isinstance(value, str | Path):
        return f"`{value}`"
    return f"`{msgspec.json.encode(value).decode()}`"


def _columns() -> Iterator[str]:
    yield from (
        "## Columns",
        "",
        "Columns of `mismatchd export TABLE`, in this order. Times are UTC, ISO 8601 with `Z` and"
        " microseconds. A value that is unknown is empty, or null in JSON lines.",
        "",
    )
    columns = {name: [column.name for column in table.columns] for name, table in TABLES.items()}
    for table, names in (columns | {"samples": list(SAMPLES)}).items():
        yield from (f"### {table}", "")
        rows = ((f"`{name}`", unit_of(name), describe(table, name)) for name in names)
        yield from _table(("column", "unit", "description"), rows)
    yield from ("Further columns of `samples` are those of the bridge.", "", "### Flags", "")
    yield from _list({flag.words(): text for flag, text in FLAGS.items()})


def _events() -> Iterator[str]:
    yield from (
        "## Events",
        "",
        "`mismatchd run --events` prints one JSON object a line. `event` is `transmission`,"
        " `alarm` or `fault`; `change` is one of the changes below; the other keys are the columns"
        " of the table. Notifiers send the same changes.",
        "",
    )
    for heading, texts in (
        ("Kinds of alarm", ALARM_KINDS),
        ("Changes of an alarm", ALARM_CHANGES),
        ("States of a fault", FAULT_STATES),
        ("Changes of a fault", FAULT_CHANGES),
        ("Severities", SEVERITIES),
    ):
        yield from (f"### {heading}", "")
        yield from _list(texts)


def _influx() -> Iterator[str]:
    yield from (
        "## Points in InfluxDB",
        "",
        "The fields are the columns of the table. Tags: `station`; `channel`, `antenna` if known.",
        "",
    )
    rows = (
        (
            f"`{table.measurement}`",
            f"`{table.tag[0]}`" if table.tag else "",
            " ".join(f"`{name}`" for name in point_fields(table)),
        )
        for table in FORWARDED
    )
    yield from _table(("measurement", "further tag", "further fields"), rows)
    yield from _list(POINT_FIELDS)


def point_fields(table: Table) -> list[str]:
    """Return the fields of the points of a forwarded table that are no columns of the table."""
    exported = TABLES[table.name.replace("_changes", "s")]
    columns = {column.name for column in exported.columns}
    return [column.name for column in table.columns if column.name not in columns]


def metrics() -> list[Family]:
    """Return all families of metrics, with samples of an invented status."""
    forwarder = ForwarderStatus(
        name="home",
        sent=0,
        backlog=0,
        last_success_utc=None,
        refused=0,
        refused_rows=(),
        failing=False,
    )
    status = Status(
        pid=1,
        station="harbour-workshop",
        running_s=0,
        pairs=0,
        pairs_per_s=0,
        last_pair_ns=0,
        keyed=False,
        gaps=0,
        clock=ClockStatus(times=""),
        counters={"lines": 0},
        queue=0,
        rows_dropped=0,
        store_error=None,
        commits=0,
        commit_s=0,
        commits_failed=0,
        clock_synchronised=True,
        forwarders=[forwarder],
        notifiers=(),
    )
    return families(status)


def _metrics() -> Iterator[str]:
    yield from (
        "## Metrics",
        "",
        "Served at `/metrics` in the OpenMetrics format with `metrics: {listen: 127.0.0.1:27206}`.",
        "",
    )
    rows = (
        (
            ", ".join(f"`{PREFIX}{family.name}{end}`" for end in _suffixes(family)),
            family.type,
            _joined(family.help, _labels(family), joint=" "),
        )
        for family in metrics()
    )
    yield from _table(("metric", "type", "description"), rows)


def _suffixes(family: Family) -> Iterable[str]:
    return dict.fromkeys(sample.suffix for sample in family.samples)


def _labels(family: Family) -> str:
    names = dict.fromkeys(name for sample in family.samples for name in sample.labels or ())
    return f"Labels: {', '.join(f'`{name}`' for name in names)}." if names else ""


def _protocol() -> Iterator[str]:
    path = importlib.resources.files("drivers.frames") / "PROTOCOL.md"
    yield from (
        "## Wire protocol",
        "",
        f"The protocol of the reference bridge (`kind: frames`) is described in `{path}`.",
    )


def _joined(*parts: str, joint: str = ", ") -> str:
    return joint.join(part for part in parts if part)


def _list(texts: Mapping[Any, str]) -> Iterator[str]:
    yield from (f"- `{name}`: {text}" for name, text in texts.items())
    yield ""


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    yield _row(heads)
    yield _row(["---"] * len(heads))
    yield from map(_row, rows)
    yield ""


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |"
