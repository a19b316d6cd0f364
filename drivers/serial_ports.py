"""Serial ports of this machine, their stable names and the probable device behind each."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools.list_ports import comports

PROBABLY = {
    "ttyACM": "microcontroller with native USB",
    "ttyUSB": "USB serial adapter, alone or on a microcontroller board",
    "ttyAMA": "serial pins of a single-board computer",
    "ttyGS": "this machine acting as a USB device",
    "rfcomm": "Bluetooth serial",
    "ttyS": "built-in serial port",
}


@dataclass(frozen=True, slots=True)
class SerialPort:
    """Serial port: present device, stable names (by-id before by-path) and description."""

    device: str
    stable: tuple[str, ...]
    description: str
    board: str


def list_ports(
    comports: Callable[[], Iterable[Any]] = comports, links: Path = Path("/dev/serial")
) -> list[SerialPort]:
    """List all serial ports, sorted by device. No port is opened."""
    names: dict[str, list[str]] = {}
    # Two identical adapters share one by-id name; by-path distinguishes them by socket.
    for link in [*sorted(links.glob("by-id/*")), *sorted(links.glob("by-path/*"))]:
        names.setdefault(str(link.resolve()), []).append(str(link))
    ports = [
        SerialPort(
            device=port.device,
            stable=tuple(names.get(port.device, ())),
            description=_description(port),
            board=_board(port),
        )
        for port in comports()
    ]
    return sorted(ports, key=lambda port: port.device)


def _description(port: Any) -> str:
    words = str(port.description or "")
    words = "" if words in ("n/a", port.name) else words
    identity = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None else ""
    return " ".join(word for word in (words, identity) if word)


def _board(port: Any) -> str:
    for prefix, words in PROBABLY.items():
        if Path(port.device).name.startswith(prefix):
            return words
    return "serial port"


def format_ports(ports: list[SerialPort]) -> str:
    """Format the ports as text; the names to use in a configuration are indented below each."""
    if not ports:
        return "no serial ports found; plug the board in and look at the last lines of dmesg"
    lines = []
    for port in ports:
        described = f" ({port.description})" if port.description else ""
        lines.append(f"{port.device}: {port.board}{described}")
        lines.extend(f"    {name}" for name in port.stable)
    return "\n".join(lines)
