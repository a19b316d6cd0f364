"""Reporting of configuration errors: one line with file, line, key, fault and advice."""

from __future__ import annotations

import re
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

import msgspec
from msgspec.structs import FieldInfo, fields

from logger.config.section import describe_pattern
from logger.config.yaml_lines import Document, Where
from logger.errors import ConfigError
from logger.wording import suggest

S = TypeVar("S", bound=msgspec.Struct)

WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "text",
    "bool": "yes or no",
    "object": "a mapping",
    "array": "a list",
    "null": "nothing",
}


class ConfigErrors:
    """Converts msgspec errors into one line with file, line, key and advice."""

    def __init__(self, path: Path, document: Document) -> None:
        self._path = path
        self._document = document
        self.warnings: list[str] = []

    def error(self, where: Where, what: str) -> ConfigError:
        """Return the error for the key at `where`."""
        return ConfigError(located(self._path, self._document.line(where), where, what))

    def rename(self, data: dict[str, Any], where: Where, old: str, new: str) -> None:
        """Move the value of a deprecated key, if present, to its new name, with a warning."""
        if old not in data:
            return
        old_key = (*where, old)
        if new in data:
            raise self.error(
                old_key, f"is the former name of {new!r}, which is given as well; remove it"
            )
        data[new] = data.pop(old)
        text = f"deprecated key; write {new!r} instead"
        self.warnings.append(located(self._path, self._document.line(old_key), old_key, text))

    def convert(self, data: Any, form: type[S], prefix: Where, extra_keys: tuple[str, ...]) -> S:
        """Check `data`, found at `prefix`, where the keys `extra_keys` are valid as well."""
        try:
            return msgspec.convert(data, form, dec_hook=_path)
        except msgspec.ValidationError as error:
            message, inner = _split(str(error))
        where = (*prefix, *inner)
        unknown = re.fullmatch(r"Object contains unknown field `(.*)`", message, re.DOTALL)
        missing = re.fullmatch(r"Object missing required field `(.*)`", message, re.DOTALL)
        if unknown:
            keys = [*_fields(_type_at(form, inner)), *(() if inner else extra_keys)]
            advice = suggest(unknown[1], keys, "known here")
            raise self.error((*where, unknown[1]), f"unknown key; {advice}")
        if missing:
            raise self.error((*where, missing[1]), "is missing; add it")
        raise self.error(where, _wrong_value(message, _value_at(data, inner), form, inner))


def _split(message: str) -> tuple[str, Where]:
    """Split an error of msgspec into its text and the path `$.a.b[0]` that it appends."""
    text, _, place = message.rpartition(" - at ")
    if not text:
        return message, ()
    _, _, place = place.partition("$")
    steps = re.findall(r"\.([^.\[`]+)|\[(\d+)\]", place.partition("[...]")[0])
    return text, tuple(name or int(index) for name, index in steps)


def _wrong_value(message: str, value: Any, form: type[msgspec.Struct], inner: Where) -> str:
    def in_words(match: re.Match[str]) -> str:
        return " or ".join(WORDS.get(name, name) for name in match[1].split(" | "))

    message = message[:1].lower() + message[1:]
    if not message.startswith("expected") or ";" in message:
        return message if ";" in message else f"{message}; correct it"
    what = re.sub(r"`([^`]*)`", in_words, message.partition(", got")[0])
    if (words := describe_pattern(message)) is not None:
        what = f"expected {words}"
    got = str(value) if isinstance(value, int | float) else repr(value)
    if isinstance(value, bool):
        got = WORDS["bool"]  # it may have been written in any of six ways
    elif value is None:
        got = WORDS["null"]
    elif isinstance(value, dict | list):
        got = WORDS["object" if isinstance(value, dict) else "array"]
    elif len(got) > 40:
        got = got[:37] + "..."
    advice = "correct it"
    if "`str`" in message and ", got" in message and isinstance(value, bool | int | float):
        advice = "put it in quotes"
    elif inner and isinstance(inner[-1], str):
        advice += _default_in_words(_type_at(form, inner[:-1]), inner[-1])
    return f"{what}, got {got}; {advice}"


def _default_in_words(section: Any, key: str) -> str:
    field = _fields(section).get(key)
    if field is None or field.required:
        return ""
    simple = isinstance(field.default, str | int | float)
    return ", or omit it" + (f" (default {field.default})" if simple else "")


def _fields(section: Any) -> dict[str, FieldInfo]:
    if isinstance(section, type) and issubclass(section, msgspec.Struct):
        return {field.encode_name: field for field in fields(section)}
    return {}


def _type_at(form: Any, where: Where) -> Any:
    """Return the type of the struct at this path, as far as it can be followed."""
    for key in where:
        if isinstance(key, int):
            lists = [option for option in _alternatives(form) if get_origin(option) is list]
            form = get_args(lists[0])[0] if lists else None
        else:
            field = _fields(_struct_of(form)).get(key)
            form = field.type if field else None
    return _struct_of(form)


def _struct_of(form: Any) -> Any:
    return next((option for option in _alternatives(form) if _fields(option)), form)


def _alternatives(form: Any) -> tuple[Any, ...]:
    if get_origin(form) is Annotated:
        form = get_args(form)[0]
    return get_args(form) if get_origin(form) in (Union, UnionType) else (form,)


def _value_at(data: Any, where: Where) -> Any:
    for key in where:
        try:
            data = data[key]
        except (LookupError, TypeError):
            return data
    return data


def _path(form: type, value: Any) -> Path:
    """Convert paths, which msgspec does not support."""
    if form is not Path:
        raise NotImplementedError(f"options of type {form} are not supported")
    if not isinstance(value, str) or not value:
        raise ValueError("expected the path of a file; put it in quotes")
    try:
        return Path(value).expanduser()
    except RuntimeError as error:
        raise ValueError(f"{error}; write the full path") from None


def located(path: Path, line: int, where: Where, what: str) -> str:
    """Return `file:line: dotted.key: what`."""
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in where)
    return one_line(f"{path}:{line}: {key.lstrip('.')}{': ' if key else ''}{what}")


def one_line(text: str) -> str:
    """Return the text with unprintable characters, line ends above all, replaced by spaces."""
    return "".join(char if char.isprintable() else " " for char in text)
