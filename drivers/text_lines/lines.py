"""Reference reader of single lines.

    1.2345,0.1234                        numbers in the order of the columns
    1,2345;0,1234                        a decimal comma is accepted if ';' separates the fields
    forward_mv=1234.5 reflected_mv=123   names and values
    {"forward_v": 1.2345, "reflected_v": 0.1234}
    time_us,forward_v,reflected_v        a header: sets the columns of the following lines

The format is decided for each line. This module is the reference; `bulk` reads many plain lines at
once and leaves all others to this module.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import ROUND_DOWN, Context, Decimal
from math import inf

import msgspec

from drivers.text_lines.columns import (
    INT64_MAX,
    NAME,
    NUMBER,
    SEPARATORS,
    Layout,
    Scale,
    column,
    layout,
)

# The columns of a valid line, its values in that order, and the pair as printed.
Row = tuple[Layout, list[float], bytes, bytes]

_NUMBER = re.compile(NUMBER.encode())
_NUMBER_OR_NOT_FINITE = re.compile(rf"{NUMBER}|[+-]?(?i:nan|inf(?:inity)?)".encode())
_NAME = re.compile(NAME.pattern.encode())
_UNPRINTABLE = re.compile(rb"[^\t\x20-\x7e]")
_SEPARATOR = re.compile(rf"[{SEPARATORS}]".encode())
_EQUALS = re.compile(rb" *= *")
_BETWEEN_PAIRS = re.compile(rb" *[,;\t] *| +")
_OBJECT = msgspec.json.Decoder(dict[str, msgspec.Raw])
_ROUNDING_DOWN_TWICE_IS_EXACT = Context(prec=40, rounding=ROUND_DOWN, traps=[])


def read(line: bytes, columns: Layout | None, scale: Scale) -> Row | Layout | str:
    """Read one line that is not blank, without its terminator.

    Return the row, or the new columns if it is a header, or the reason why it is neither.
    """
    if columns is not None and (match := columns.pattern.fullmatch(line)):
        return _row(columns, _numbers(match))
    text = line.strip(b" ")
    if _UNPRINTABLE.search(text):
        return "control"
    if text.startswith(b"{"):
        return _object(text, scale)
    if b"=" in text:
        return _pairs(text, scale)
    return _header(text, scale) or _delimited(text, columns)


def is_below(line: bytes, columns: Layout, scale: Scale, volts: tuple[float, float]) -> bool:
    """True if a line, without its terminator, has a pair below `volts`.

    Its other numbers are not looked at, which takes a fraction of the time of `read`.
    """
    if not (match := columns.pattern.fullmatch(line)):
        row = read(line, columns, scale)
        if not isinstance(row, tuple):
            return False
        columns, values, *_ = row
        return values[columns.forward] < volts[0] and values[columns.reflected] < volts[1]
    texts = _numbers(match)
    for place, limit in zip((columns.forward, columns.reflected), volts, strict=True):
        shape = columns.columns[place]
        value = float(texts[place])
        if not (shape.low <= value <= shape.high and value * shape.factor / shape.divisor < limit):
            return False
    return True


def _numbers(match: re.Match[bytes]) -> tuple[bytes, ...]:
    """Return the fields of a plain line; of three or more, the second group is the separator."""
    texts = match.groups()
    return texts if len(texts) == 2 else (texts[0], *texts[2:])


def _delimited(text: bytes, columns: Layout | None) -> Row | str:
    fields = _split(text, _NUMBER_OR_NOT_FINITE)
    if columns is None or not fields:
        return "malformed"
    if len(fields) != len(columns.columns):
        return "wrong_count"
    if not all(map(_NUMBER.fullmatch, fields)):
        return "not_finite"
    return _row(columns, fields)


def numbers(line: bytes) -> list[bytes]:
    """Return the fields of a line of delimited numbers, or none if it is another line."""
    return _split(line.strip(b" "), _NUMBER)


def _header(text: bytes, scale: Scale) -> Layout | None:
    names = _split(text, _NAME)
    try:
        return layout(tuple(name.decode() for name in names), scale) if names else None
    except ValueError:
        return None


def _split(text: bytes, wanted: re.Pattern[bytes]) -> list[bytes]:
    """Return the fields of a delimited line, or none if one of them does not match `wanted`."""
    if b";" in text:
        fields = [field.strip(b" ").replace(b",", b".") for field in text.split(b";")]
    elif not (first := wanted.match(text)):
        return []
    elif _SEPARATOR.match(rest := text[first.end() :].lstrip(b" ")):
        fields = [field.strip(b" ") for field in text.split(rest[:1])]
    else:
        fields = [field for field in text.split(b" ") if field]
    return fields if all(map(wanted.fullmatch, fields)) else []


def _pairs(text: bytes, scale: Scale) -> Row | str:
    pairs = []
    for pair in _BETWEEN_PAIRS.split(_EQUALS.sub(b"=", text)):
        name, _, value = pair.partition(b"=")
        if not value or b"=" in value or not _NAME.fullmatch(name):
            return "malformed"
        pairs.append((name.decode(), value))
    return _named(pairs, scale)


def _object(text: bytes, scale: Scale) -> Row | str:
    # The values remain text: a float would already have rounded the time.
    try:
        members = _OBJECT.decode(text)
    except (msgspec.MsgspecError, RecursionError):
        return "malformed"
    pairs = ((name, bytes(raw)) for name, raw in members.items() if NAME.fullmatch(name))
    return _named(pairs, scale)


def _named(pairs: Iterable[tuple[str, bytes]], scale: Scale) -> Row | str:
    names, texts = [], []
    try:
        for name, text in pairs:
            if _NUMBER.fullmatch(text):
                names.append(name)
                texts.append(text)
            elif column(name, scale).key in ("forward_v", "reflected_v", "time_us", "time_ns"):
                return "not_finite" if _NUMBER_OR_NOT_FINITE.fullmatch(text) else "malformed"
        return _row(layout(tuple(names), scale), texts)
    except ValueError:
        return "malformed"


def _row(columns: Layout, texts: list[bytes] | tuple[bytes, ...]) -> Row | str:
    values = list(map(float, texts))
    if inf in values or -inf in values:
        return "not_finite"
    for i in columns.times:
        text = texts[i]
        if columns.keys[i] == "time_ns":
            values[i] = nanoseconds(text)
            in_range = abs(values[i]) <= INT64_MAX
        elif text.lstrip(b"+-").isdigit():
            values[i] = int(text)
            in_range = columns.columns[i].low <= values[i] <= columns.columns[i].high
        else:
            return "malformed"
        if not in_range:
            return "out_of_range"
    i, j = columns.forward, columns.reflected
    forward, reflected = columns.columns[i], columns.columns[j]
    f, r = values[i], values[j]
    if not (forward.low <= f <= forward.high and reflected.low <= r <= reflected.high):
        return "out_of_range"
    values[i] = f * forward.factor / forward.divisor
    values[j] = r * reflected.factor / reflected.divisor
    return columns, values, texts[i], texts[j]


def nanoseconds(text: bytes) -> int:
    """Return seconds as integer nanoseconds; further digits are truncated, not rounded."""
    if b"e" not in text.lower():
        integer, _, fraction = text.partition(b".")
        return int(integer + fraction[:9].ljust(9, b"0"))
    return int(_ROUNDING_DOWN_TWICE_IS_EXACT.multiply(Decimal(text.decode()), Decimal(10**9)))


def decimals(text: bytes) -> int:
    """Return the number of decimals with which a number was printed."""
    mantissa, _, exponent = text.lower().partition(b"e")
    return len(mantissa.partition(b".")[2]) - int(exponent or 0)
