"""A converter in the kernel's file system: its folder, its channels, and the scale of a count.

File names are those of the ABI document sysfs-bus-iio, from memory: `name`, `label`,
`in_<channel>_raw`, `_scale` and `_offset`, the latter two also shared by all channels of a type;
volts = (raw + offset) * scale / 1000.
"""

from __future__ import annotations

import errno
import math
import os
import re
from dataclasses import dataclass
from pathlib import Path

from drivers.contract import LinkError
from drivers.permissions import READ, WRITE, permission_hint


@dataclass(frozen=True, slots=True)
class VoltageChannel:
    """A voltage input; volts = (count + offset) * scale_v."""

    name: str  # as in file names, without in_
    file: Path  # its counts (or millivolts, if the kernel offers only those)
    scale_v: float
    offset: float
    step_v: float  # 0 if unknown

    def volts(self, count: float) -> float:
        """Convert a count into volts."""
        return (count + self.offset) * self.scale_v


def find_device(wanted: str, root: Path) -> Path:
    """Return the folder of a device given by path, by `iio:device0`, by its name or its label."""
    if "/" in wanted:
        folder = Path(wanted)
        if not folder.is_dir():
            raise LinkError(f"cannot open {wanted}: no such folder; {_list_devices(root)}")
        return folder
    folders = [
        folder
        for folder in sorted(root.glob("iio:device*"))
        if wanted in (folder.name, _text_or_none(folder / "name"), _text_or_none(folder / "label"))
    ]
    if not folders:
        raise LinkError(f"no converter {wanted!r} in {root}; {_list_devices(root)}")
    if len(folders) > 1:
        names = " and ".join(folder.name for folder in folders)
        raise LinkError(
            f"{names} in {root} are all named {wanted!r}: give the path of one, preferably its"
            " bus path under /sys/devices"
        )
    return folders[0]


@dataclass(frozen=True, slots=True)
class Converter:
    """A converter with two voltage channels or more; `name` is one that `find_device` finds."""

    folder: Path
    name: str
    channels: list[str]


def list_converters(root: Path) -> list[Converter]:
    """Return the converters below `root` that can read a pair; the kernel lists sensors as well."""
    folders = sorted(root.glob("iio:device*"))
    names = [
        _text_or_none(folder / "label") or _text_or_none(folder / "name") for folder in folders
    ]
    return [
        Converter(
            folder, name if name and names.count(name) == 1 else str(folder.resolve()), channels
        )
        for folder, name in zip(folders, names, strict=True)
        if len(channels := _list_channels(folder)) > 1
    ]


def _list_channels(folder: Path) -> list[str]:
    """Return the names of the voltage channels of a device."""
    files = sorted(folder.glob("in_voltage*_raw")) + sorted(folder.glob("in_voltage*_input"))
    return list(dict.fromkeys(re.sub(r"^in_|_(raw|input)$", "", file.name) for file in files))


def find_channel(folder: Path, wanted: str) -> VoltageChannel:
    """Return the voltage channel of this name, such as `voltage0` or `voltage0-voltage1`."""
    name = wanted.removeprefix("in_")
    raw, processed = folder / f"in_{name}_raw", folder / f"in_{name}_input"
    if not name.startswith("voltage") or not (raw.exists() or processed.exists()):
        listed = ", ".join(_list_channels(folder)) or "none"
        raise LinkError(f"{folder} has no voltage channel {wanted!r}; available: {listed}")
    if not raw.exists():
        return VoltageChannel(name, processed, 1e-3, 0.0, 0.0)
    scale_mv = _attribute(folder, name, "scale")
    if scale_mv is None or scale_mv == 0:
        raise LinkError(
            f"{folder}: in_{name}_scale is missing or 0, so counts cannot be converted to volts;"
            " give its kernel driver a reference voltage"
        )
    scale_v = scale_mv / 1000
    return VoltageChannel(
        name, raw, scale_v, _attribute(folder, name, "offset") or 0.0, abs(scale_v)
    )


def _attribute(folder: Path, name: str, attribute: str) -> float | None:
    """Read the channel's own file, else the one shared by its type."""
    for owner in (name, re.sub(r"\d+", "", name), "voltage"):
        file = folder / f"in_{owner}_{attribute}"
        if file.exists():
            return read_number(file)
    return None


def sampling_rate(
    folder: Path, channels: tuple[VoltageChannel, VoltageChannel], wanted_hz: float | None
) -> float | None:
    """Set the wanted rate if the converter has a setting for it.

    Return the resulting rate in Hz, None if unknown. Raise LinkError.
    """
    for prefix in ("", "in_voltage_", *(f"in_{channel.name}_" for channel in channels)):
        file = folder / f"{prefix}sampling_frequency"
        if file.exists():
            if wanted_hz is not None and read_number(file) != wanted_hz:
                write_text(file, f"{wanted_hz:.15g}")
            return read_number(file) or None
    return wanted_hz


def read_number(file: Path) -> float:
    """Return the number in an attribute. Raise LinkError."""
    text = read_text(file)
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise LinkError(f"{file} holds {text!r}, which is not a number; check its kernel driver")
    return number


def read_text(file: Path) -> str:
    """Return the text of an attribute. Raise LinkError."""
    try:
        return file.read_text("utf-8", "replace").strip()
    except OSError as error:
        raise LinkError(why_not(file, error, writing=False)) from error


def write_text(file: Path, text: str) -> None:
    """Set an attribute unless it already has this value. Raise LinkError."""
    try:
        if file.read_text("utf-8", "replace").strip() == text:
            return
        opened = os.open(file, os.O_WRONLY | os.O_TRUNC | os.O_CLOEXEC)  # never creates a file
        try:
            os.write(opened, text.encode())
        finally:
            os.close(opened)
    except OSError as error:
        raise LinkError(why_not(file, error, writing=True)) from error


def why_not(file: Path | str, error: OSError, *, writing: bool) -> str:
    """Return one line for the user: what could not be done with this file, and what to do."""
    act = "write to" if writing else "read"
    reason = error.strerror or str(error)
    if error.errno in (errno.EACCES, errno.EPERM):
        hint = permission_hint(file, WRITE if writing else READ)
        return f"cannot {act} {file}: no permission; {hint}"
    if error.errno == errno.EBUSY:
        return f"cannot {act} {file}: another program uses the converter's buffer; stop it"
    if error.errno == errno.EROFS:
        return (
            f"cannot {act} {file}: {reason}; if this is the service, give its unit"
            " ProtectKernelTunables=no"
        )
    return f"cannot {act} {file}: {reason}; check its kernel driver"


def _list_devices(root: Path) -> str:
    devices = [
        f"{folder.name} ({_text_or_none(folder / 'name')})" for folder in root.glob("iio:device*")
    ]
    if not devices:
        return "none are available: is the converter's kernel module loaded?"
    return f"available: {', '.join(sorted(devices))}"


def _text_or_none(file: Path) -> str | None:
    try:
        return file.read_text("utf-8", "replace").strip()
    except OSError:
        return None
