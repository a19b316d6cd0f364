"""YAML as plain data with the line number of every key, for error messages.

Only the subset that a configuration needs is supported: mappings, lists, text, numbers, yes/no,
null. Keys are always text. Anchors and tags are refused, so that no small file can expand into a
huge or endless one; dates and base-60 numbers stay text, so that `12:30` is not 750.
"""

from __future__ import annotations

import math
import re
from typing import Any

import yaml

Where = tuple[str | int, ...]  # keys and list indices from the top

SCALARS = {f"tag:yaml.org,2002:{name}" for name in ("str", "int", "float", "bool", "null")}


class YamlError(Exception):
    """Invalid YAML: the line (from 1), the key if known, and the reason."""

    def __init__(self, line: int, where: Where, reason: str) -> None:
        super().__init__(reason)
        self.line = line
        self.where = where
        self.reason = reason


class Document:
    """The data, and the line of each key or list item in it."""

    def __init__(self) -> None:
        self.data: Any = None
        self.lines: dict[Where, int] = {}

    def line(self, where: Where) -> int:
        """Return the line of a key, or of the nearest parent key that is written in the file."""
        while where not in self.lines and where:
            where = where[:-1]
        return self.lines.get(where, 1)


class _Loader(yaml.SafeLoader):
    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012

    def compose_node(self, parent: Any, index: Any) -> Any:
        event: Any = self.peek_event()  # type: ignore[no-untyped-call]
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise YamlError(
                event.start_mark.line + 1, (), "YAML anchors are not supported; write out the value"
            )
        return super().compose_node(parent, index)


for _name, _pattern in (
    ("bool", r"(?i:yes|no|true|false|on|off)"),
    ("int", r"[-+]?(0|[1-9][0-9_]*|0x[0-9a-fA-F]+)"),
    # Unlike YAML 1.1, accept 1e-3 as a number too, as users expect.
    ("float", r"[-+]?([0-9][0-9_]*\.[0-9_]*|\.[0-9]+|[0-9]+(?=[eE]))([eE][-+]?[0-9]+)?"),
    ("null", r"(~|(?i:null)|)"),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_name}", re.compile(rf"^{_pattern}$"), None)


def parse(text: str) -> Document:
    """Parse one YAML document. Raise YamlError."""
    loader: _Loader | None = None
    try:
        loader = _Loader(text)
        root = loader.get_single_node()
        document = Document()
        if root is not None:
            document.lines[()] = root.start_mark.line + 1
            document.data = _plain(loader, root, (), document)
        return document
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        reason = f"{error.problem or error.context}; correct the YAML here"
        raise YamlError(mark.line + 1 if mark else 1, (), reason) from None
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise YamlError(line, (), "contains a control character; remove it") from None
    except RecursionError:
        raise YamlError(1, (), "is nested too deeply; use fewer levels") from None
    except (ValueError, OverflowError):  # from escapes and directives that the parser trusts
        line = loader.line + 1 if loader else 1
        raise YamlError(line, (), "is not YAML; correct it here") from None
    finally:
        if loader is not None:
            loader.dispose()


def _plain(loader: _Loader, node: yaml.Node, where: Where, document: Document) -> Any:
    line = node.start_mark.line + 1
    if isinstance(node, yaml.MappingNode) and node.tag == loader.DEFAULT_MAPPING_TAG:
        return _mapping(loader, node, where, document)
    if isinstance(node, yaml.SequenceNode) and node.tag == loader.DEFAULT_SEQUENCE_TAG:
        items = []
        for index, item in enumerate(node.value):
            document.lines[(*where, index)] = item.start_mark.line + 1
            items.append(_plain(loader, item, (*where, index), document))
        return items
    if node.tag not in SCALARS or not isinstance(node, yaml.ScalarNode):
        raise YamlError(line, where, "YAML tags are not supported; remove the tag")
    _text(node, where)
    try:
        value: Any = loader.construct_object(node)
    except (ValueError, LookupError):
        raise YamlError(line, where, "cannot be read as a value; correct it") from None
    if isinstance(value, float) and not math.isfinite(value):
        raise YamlError(line, where, "is too large for a number; give a smaller one")
    return value


def _mapping(
    loader: _Loader, node: yaml.MappingNode, where: Where, document: Document
) -> dict[str, Any]:
    mapping: dict[str, Any] = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            raise YamlError(line, where, "a key must be a single word; write it as key: value")
        key = _text(key_node, where)
        inner = (*where, key)
        if key in mapping:
            first = document.lines[inner]
            raise YamlError(line, inner, f"is given twice, first in line {first}; remove one")
        document.lines[inner] = line
        mapping[key] = _plain(loader, value_node, inner, document)
    return mapping


def _text(node: yaml.ScalarNode, where: Where) -> str:
    text = str(node.value)
    # Escapes can produce lone surrogates and NUL, which no file name and no database accepts.
    if "\0" in text or any("\ud800" <= char <= "\udfff" for char in text):
        line = node.start_mark.line + 1
        raise YamlError(line, where, "contains a character that is not text; remove the escape")
    return text
