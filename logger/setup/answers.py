"""What is known of a station while its configuration is prepared, kept beside it as a file."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec

SUFFIX = ".setup"


class Answers(msgspec.Struct, kw_only=True):
    """Answers so far; None: not asked yet.

    kind           driver; `frames` states its own columns and scale
    device, forward, reflected
                   converter of the host and its channels, instead of a port
    columns        names of the columns; None also if the lines name their values
    full_scale     counts at `reference_v` volts, for columns in counts
    states_place   the bridge reports channel or frequency
    lowest_w, highest_w
                   powers of the transmitter, watts
    checked_ports  the key-down that tells the two ports apart was made, or declined
    """

    port: str | None = None
    baud: int = 115200
    kind: str | None = None
    device: str | None = None
    forward: str | None = None
    reflected: str | None = None
    columns: list[str] | None = None
    full_scale: int | None = None
    reference_v: float | None = None
    states_place: bool = False
    name: str | None = None
    channel: int | None = None
    frequency_mhz: float | None = None
    lowest_w: float | None = None
    highest_w: float | None = None
    checked_ports: bool = False

    def exchange(self) -> bool:
        """Exchange the two ports; return False if the bridge itself names them."""
        self.forward, self.reflected = self.reflected, self.forward
        if self.columns is None:
            return self.forward is not None
        other = {"forward": "reflected", "reflected": "forward"}
        split = [name.partition("_") for name in self.columns]
        self.columns = [other.get(side, side) + joint + unit for side, joint, unit in split]
        return True


class AnswersFile:
    """The answers of an unfinished setup, beside the configuration that it prepares."""

    def __init__(self, config: Path) -> None:
        self.path = config.with_name(config.name + SUFFIX)

    def read(self) -> Answers | None:
        """Return the stored answers, None if there are none that can be read."""
        try:
            return msgspec.json.decode(self.path.read_bytes(), type=Answers)
        except (OSError, msgspec.DecodeError):
            return None

    def write(self, answers: Answers) -> None:
        """Store the answers. Raise OSError."""
        self.path.write_bytes(msgspec.json.encode(answers))

    def remove(self) -> None:
        """Delete the file, if there is one."""
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)
