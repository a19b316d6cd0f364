"""Base class of the sections of the configuration."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta

_PATTERNS: dict[str, str] = {}


def pattern(regex: str, words: str) -> Meta:
    """Return the limit of a text to a pattern; errors describe it by `words`."""
    _PATTERNS[repr(regex)] = words
    return Meta(pattern=regex)


def describe_pattern(message: str) -> str | None:
    """Return the words for the pattern that an error of msgspec names, None if it names none."""
    return next((words for regex, words in _PATTERNS.items() if regex in message), None)


Text = Annotated[str, Meta(min_length=1)]
Positive = Annotated[float, Meta(gt=0)]
Swr = Annotated[float, Meta(ge=1)]
EnvName = Annotated[
    str, pattern(r"^[A-Za-z_][A-Za-z0-9_]*$", "the name of an environment variable")
]


class Section(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """A mapping in the file; unknown keys are errors."""
