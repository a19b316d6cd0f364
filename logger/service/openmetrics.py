"""The subset of the OpenMetrics text format (version 1.0.0) used here. Pure functions."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
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


def exposition(families: Iterable[Family], prefix: str = "") -> str:
    """Return the text of families in order, with a prefix before each name.

    A family without samples is omitted.
    """
    lines: list[str] = []
    for family in families:
        if not family.samples:
            continue
        name = prefix + family.name
        lines.append(f"# TYPE {name} {family.type}")
        if family.unit:
            lines.append(f"# UNIT {name} {family.unit}")
        lines.append(f"# HELP {name} {_escaped(family.help)}")
        for sample in family.samples:
            labels = _labels(sample.labels or {})
            lines.append(f"{name}{sample.suffix}{labels} {_number(sample.value)}")
    return "\n".join([*lines, "# EOF", ""])


def _labels(labels: Mapping[str, str]) -> str:
    text = ",".join(f'{name}="{_escaped(value)}"' for name, value in labels.items())
    return f"{{{text}}}" if text else ""


def _escaped(text: str) -> str:
    return re.sub(r'[\\"\n]', lambda match: _SPECIAL[match[0]], text)


def _number(value: float) -> str:
    if isinstance(value, int):  # True and False are 1 and 0
        return str(int(value))
    if math.isfinite(value):
        return repr(value)
    return "NaN" if math.isnan(value) else f"{'+' if value > 0 else '-'}Inf"
