"""Parses numbers typed by the user."""

from __future__ import annotations

import math

import click


def positive(text: str) -> float | None:
    """Return a finite number above 0, with decimal point or comma; None if `text` is none."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if 0 < value < math.inf else None


def numbers(context: click.Context, option: click.Parameter, text: str | None) -> tuple[float, ...]:
    """Return the comma-separated numbers of an option, () if not given.

    Raises click.BadParameter.
    """
    if text is None:
        return ()
    numbers = [positive(part) for part in text.split(",")]
    valid = tuple(number for number in numbers if number is not None)
    if len(valid) < len(numbers):
        raise click.BadParameter(f"{text!r} is not a list of numbers above 0 such as 0.1,0.3,1,3")
    return valid
