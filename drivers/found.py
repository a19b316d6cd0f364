"""Installed drivers, located by entry point. Only the selected one is imported."""

from __future__ import annotations

from difflib import get_close_matches
from importlib import import_module
from typing import TYPE_CHECKING

import msgspec

from drivers.errors import DriverError

if TYPE_CHECKING:
    from drivers.contract import DriverClass

ENTRY_POINTS = "mismatchd.drivers"
# Those of this package, as pyproject.toml registers them: to look an entry point up takes 2.7 MB
# for as long as the daemon runs.
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
    return sorted({**_registered(), **OWN})


def find(kind: str) -> DriverClass:
    """Import the driver of this kind. Raise UnknownDriverError if that fails."""
    place = OWN.get(kind) or _registered().get(kind)
    if place is None:
        kinds = installed_kinds()
        near = get_close_matches(kind, kinds, 1)
        listed = ", ".join(kinds)
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise UnknownDriverError(
            f"no driver of kind {kind!r} is installed; {hint}installed are: {listed}"
        )
    module, _, name = place.partition(":")
    try:
        driver: DriverClass = getattr(import_module(module), name)
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
    return driver


def _registered() -> dict[str, str]:
    """Return module and class of each kind that an installed package registers."""
    from importlib.metadata import entry_points

    return {entry.name: entry.value for entry in entry_points(group=ENTRY_POINTS)}
