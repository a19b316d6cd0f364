"""Installed drivers: those here, and others by entry point. Only the selected one is imported."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

import msgspec

from drivers.errors import DriverError

if TYPE_CHECKING:
    from drivers.contract import DriverClass

ENTRY_POINTS = "mismatchd.drivers"
# The same as in pyproject.toml. To read the metadata of all packages takes 3 MiB and 30 ms.
OWN = {
    "frames": "drivers.frames.driver:FramesDriver",
    "iio": "drivers.iio.driver:IioDriver",
    "mqtt": "drivers.mqtt:MqttDriver",
    "replay": "drivers.replay:ReplayDriver",
    "simulated": "drivers.simulated.driver:SimulatedDriver",
    "text-lines": "drivers.text_lines.driver:TextLinesDriver",
    "udp": "drivers.udp:UdpDriver",
}


class UnknownDriverError(DriverError):
    """No such driver, or an unusable one; the text says what to do."""


def installed_kinds() -> list[str]:
    """Return the driver kinds available to a configuration, sorted."""
    from importlib.metadata import entry_points

    return sorted({*OWN, *entry_points(group=ENTRY_POINTS).names})


def find(kind: str) -> DriverClass:
    """Import the driver of this kind. Raise UnknownDriverError if that fails."""
    place = OWN.get(kind) or _place(kind)
    if place is None:
        from difflib import get_close_matches

        kinds = installed_kinds()
        near = get_close_matches(kind, kinds, 1)
        listed = ", ".join(kinds) or "none"
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise UnknownDriverError(
            f"no driver of kind {kind!r} is installed; {hint}installed are: {listed}"
        )
    module, _, name = place.partition(":")
    try:
        driver: Any = import_module(module)
        for part in name.split(".") if name else []:
            driver = getattr(driver, part)
    except Exception as error:  # whatever a foreign package throws while it is imported
        raise UnknownDriverError(
            f"driver {kind!r} ({place}) cannot be imported: {type(error).__name__}: {error}; "
            "repair or reinstall its package"
        ) from error
    options = getattr(driver, "Options", None)
    if not (isinstance(options, type) and issubclass(options, msgspec.Struct)):
        raise UnknownDriverError(
            f"driver {kind!r} ({place}) has no Options; repair or reinstall its package"
        )
    found: DriverClass = driver
    return found


def _place(kind: str) -> str | None:
    """Return module and name of a driver that another package brings."""
    from importlib.metadata import entry_points

    entries = entry_points(group=ENTRY_POINTS, name=kind)
    return next((entry.value.partition("[")[0].strip() for entry in entries), None)
