"""Numbers and lists within sentences."""

from __future__ import annotations

from collections.abc import Sequence


def count(number: int, noun: str) -> str:
    """Return a number with its noun: "1 day", "2 days". The plural is formed by adding an s."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def join(names: Sequence[str]) -> str:
    """Return "a", "a and b" or "a, b and c" for one or more names."""
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
