"""Installed drivers, located by entry point. Only the selected one is imported."""

from __future__ import annotations

from difflib import get_close_matches
from importlib.metadata import entry_points
from typing import TYPE_CHECKING

import msgspec

from drivers.errors import DriverError

if TYPE_CHECKING:
    from drivers.contract import DriverClass

ENTRY_POINTS = "mismatchd.drivers"


class UnknownDriverError(DriverError):
    """No such driver, or an unusable one; the text says what to do."""


def installed_kinds() -> list[str]:
    """Return the driver kinds available to a configuration, sorted."""
    return sorted(entry_points(group=ENTRY_POINTS).names)


def find(kind: str) -> DriverClass:
    """Import the driver of this kind. Raise UnknownDriverError if that fails."""
    entries = tuple(entry_points(group=ENTRY_POINTS, name=kind))
    if not entries:
        kinds = installed_kinds()
        near = get_close_matches(kind, kinds, 1)
        listed = ", ".join(kinds) or "none"
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise UnknownDriverError(
            f"no driver of kind {kind!r} is installed; {hint}installed are: {listed}"
        )
    entry = entries[0]
    try:
        driver: DriverClass = entry.load()
    except Exception as error:  # whatever a foreign package throws while it is imported
        raise UnknownDriverError(
            f"driver {kind!r} ({entry.value}) cannot be imported: {type(error).__name__}: {error}; "
            "repair or reinstall its package"
        ) from error
    options = getattr(driver, "Options", None)
    if not (isinstance(options, type) and issubclass(options, msgspec.Struct)):
        raise UnknownDriverError(
            f"driver {kind!r} ({entry.value}) has no Options; repair or reinstall its package"
        )
    return driver
