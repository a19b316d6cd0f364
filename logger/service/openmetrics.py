"""The subset of the OpenMetrics text format (version 1.0.0) used here. Pure functions.

Scrapers that do not read it get the older text format of Prometheus, version 0.0.4.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
PLAIN_TYPE = "text/plain; version=0.0.4; charset=utf-8"
PREFERENCE = {  # media types and ranges that a scraper may accept, the preferred ones first
    "application/openmetrics-text": CONTENT_TYPE,
    "text/plain": PLAIN_TYPE,
    "text/*": PLAIN_TYPE,
    "*/*": PLAIN_TYPE,
}
_SPECIAL = {"\\": r"\\", '"': r"\"", "\n": r"\n"}


@dataclass(frozen=True)
class Sample:
    """One value; `suffix` follows the family's name (`_total` of a counter)."""

    value: float
    suffix: str = ""
    labels: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Family:
    """Samples of one name. The name ends in `unit`, if there is one."""

    name: str
    type: str
    help: str
    samples: Sequence[Sample]
    unit: str = ""


def negotiate(accept: str | None) -> str:
    """Return the content type for an Accept header: OpenMetrics if there is none."""
    if accept is None:
        return CONTENT_TYPE
    weights = dict(map(_weight, accept.split(",")))
    accepted = [media for media in PREFERENCE if weights.get(media, 0.0) > 0]
    return PREFERENCE[max(accepted, key=lambda media: weights[media], default="text/plain")]


def _weight(accepted: str) -> tuple[str, float]:
    """Return a media type or range, and its weight, 0 if that cannot be read."""
    media, *parameters = (part.strip().lower() for part in accepted.split(";"))
    weights = [text.removeprefix("q=") for text in parameters if text.startswith("q=")]
    try:
        return media, float(weights[0]) if weights else 1.0
    except ValueError:
        return media, 0.0


def exposition(
    families: Iterable[Family], prefix: str = "", content_type: str = CONTENT_TYPE
) -> str:
    """Return the text of families in order, with a prefix before each name.

    A family without samples is omitted.
    """
    is_plain = content_type == PLAIN_TYPE
    lines: list[str] = []
    for family in families:
        if not family.samples:
            continue
        name, kind = prefix + family.name, family.type
        base = name
        if is_plain and kind in ("counter", "info"):  # their suffix is part of the name there
            name += family.samples[0].suffix
            kind = "gauge" if kind == "info" else kind
        lines.append(f"# TYPE {name} {kind}")
        if family.unit and not is_plain:
            lines.append(f"# UNIT {name} {family.unit}")
        lines.append(f"# HELP {name} {_escaped(family.help, is_plain)}")
        for sample in family.samples:
            labels = _labels(sample.labels or {})
            lines.append(f"{base}{sample.suffix}{labels} {_number(sample.value)}")
    return "\n".join([*lines, *([] if is_plain else ["# EOF"]), ""])


def _labels(labels: Mapping[str, str]) -> str:
    text = ",".join(f'{name}="{_escaped(value)}"' for name, value in labels.items())
    return f"{{{text}}}" if text else ""


def _escaped(text: str, keeps_quotes: bool = False) -> str:
    return re.sub(r"[\\\n]" if keeps_quotes else r'[\\"\n]', lambda match: _SPECIAL[match[0]], text)


def _number(value: float) -> str:
    if isinstance(value, int):  # True and False are 1 and 0
        return str(int(value))
    if math.isfinite(value):
        return repr(value)
    return "NaN" if math.isnan(value) else f"{'+' if value > 0 else '-'}Inf"
