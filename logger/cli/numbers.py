"""Numbers as values of options."""

from __future__ import annotations

import click

from logger.wording import parse_positive


def numbers(context: click.Context, option: click.Parameter, text: str | None) -> tuple[float, ...]:
    """Return the comma-separated numbers of an option, () if not given.

    Raises click.BadParameter.
    """
    if text is None:
        return ()
    numbers = [parse_positive(part) for part in text.split(",")]
    valid = tuple(number for number in numbers if number is not None)
    if len(valid) < len(numbers):
        raise click.BadParameter(f"{text!r} is not a list of numbers above 0 such as 0.1,0.3,1,3")
    return valid
