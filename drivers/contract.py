"""What a driver is. This is the only module a driver in another package needs to import, but for
`drivers.timeline` if it times pairs as they arrive. `drivers.contract_suite` tests what is asked
for here.

A driver turns whatever its device sends into `SampleBlock`s. It states facts only: no gap
filling, nothing derived, absent is absent. It is found by the entry point group
`mismatchd.drivers`; the entry point's name is the `kind` in the configuration.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol, runtime_checkable

import msgspec
import numpy as np
from numpy.typing import NDArray

ENTRY_POINTS = "mismatchd.drivers"
READ = ("lines", "blocks")  # names of counters of what was read; all others are of what was not
NO_AUX: Mapping[str, NDArray[np.float64]] = {}


class DriverError(Exception):
    """Something the driver could not do; the text is one line for the person."""


class LinkError(DriverError):
    """The device could not be opened or went away."""


class EndOfInput(DriverError):  # noqa: N818 - it is an end, not an error
    """A finite source has given all it had."""


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Pairs of detector readings in time order; n >= 1.

    time_ns      (n,) int64, nanoseconds in whole microseconds, strictly increasing within and
                 across the blocks of one driver: UTC, or of the host clock (see `Driver`)
    forward_v    (n,) float64, volts, finite
    reflected_v  (n,) float64, volts, finite
    aux          further columns by name, each (n,) float64; NaN where a pair lacks one
    step_v       the resolution of the forward and the reflected reading in volts, 0 if unknown
    full_scale_v the reading at which the converter clips, in volts, None if unknown
    clock_step   the times are in doubt: the clock they are by was set or started anew
    gap          pairs that came before the first of these were lost
    """

    time_ns: NDArray[np.int64]
    forward_v: NDArray[np.float64]
    reflected_v: NDArray[np.float64]
    aux: Mapping[str, NDArray[np.float64]] = field(default_factory=lambda: NO_AUX)
    step_v: tuple[float, float] = (0.0, 0.0)
    full_scale_v: float | None = None
    clock_step: bool = False
    gap: bool = False

    def __len__(self) -> int:
        return len(self.time_ns)

    def __getitem__(self, part: slice | NDArray[np.bool_] | NDArray[np.int64]) -> SampleBlock:
        return SampleBlock(
            self.time_ns[part],
            self.forward_v[part],
            self.reflected_v[part],
            {name: column[part] for name, column in self.aux.items()},
            self.step_v,
            self.full_scale_v,
            self.clock_step,
            self.gap and isinstance(part, slice) and not part.start,
        )


def join(blocks: Sequence[SampleBlock]) -> SampleBlock:
    """One block out of consecutive ones; an auxiliary column that one lacks is NaN there.

    The resolutions and the end of the converter are those of the last. The times are in doubt if
    any are, and a gap inside is not kept.
    """
    if len(blocks) == 1:
        return blocks[0]
    names = {name: None for block in blocks for name in block.aux}
    return SampleBlock(
        np.concatenate([block.time_ns for block in blocks]),
        np.concatenate([block.forward_v for block in blocks]),
        np.concatenate([block.reflected_v for block in blocks]),
        {
            name: np.concatenate([b.aux.get(name, np.full(len(b), np.nan)) for b in blocks])
            for name in names
        },
        blocks[-1].step_v,
        blocks[-1].full_scale_v,
        any(block.clock_step for block in blocks),
        blocks[0].gap,
    )


class Driver(Protocol):
    """A source of sample blocks.

    `Options` is the msgspec.Struct (forbid_unknown_fields=True) of the keys that the driver takes
    under `driver:` besides `kind`; the configuration checks them and reports file, line and key.
    `finite` says that the input ends by itself and may be made to wait (a file, not a device).
    `counters` counts what was dropped and why, by name, and under a name of `READ` what was read;
    it only grows.

    A driver that times pairs as they arrive says `clock = "host"` and gives times of
    `drivers.timeline.host_ns`, which never steps; the daemon dates them. Without that its times
    are taken for UTC, and mended where they go back.

    A driver that can wait for its device has `open_or_wait()`: as `open`, but a device that is
    not there is treated as one that went away later. It may have `away`: one line that says why
    the device is not there, None while it is.
    """

    Options: ClassVar[type[msgspec.Struct]]
    finite: bool
    counters: dict[str, int]

    def open(self) -> None:
        """Open the device. Raises LinkError with a line that tells the person what to do."""

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs, or None if none came within `timeout_s`.

        Once something has come, go on collecting for up to `linger_s` (arrival is still noted as
        it happens), so that a quiet station costs little. A device that goes away after it was
        opened is reopened here, with back-off; that is told through `notices`, not raised. Raises
        EndOfInput when a finite source is done, LinkError if the driver is not open.
        """

    def notices(self) -> list[str]:
        """Changes of state in words since the last call (lost, back again, rebooted)."""

    def close(self) -> None:
        """Release the device. May be called twice and before `open`."""


class DriverClass(Protocol):
    """The class of a driver: called with its options it returns a driver that is not open."""

    Options: type[msgspec.Struct]

    def __call__(self, options: Any, /) -> Driver: ...


@runtime_checkable
class HasClock(Protocol):
    """A driver that states its clock: "host" for times of `drivers.timeline.host_ns`."""

    clock: str


@runtime_checkable
class WaitsForDevice(Protocol):
    """A driver that can start without its device."""

    def open_or_wait(self) -> None:
        """Open the device; treat an absent one as lost. Raises LinkError for other failures."""


@runtime_checkable
class StatesAbsence(Protocol):
    """A driver that can say why its device is absent: one line, None while it is present."""

    @property
    def away(self) -> str | None: ...


@runtime_checkable
class Sends(Protocol):
    """What a driver may offer besides: its device takes messages (the notifier `inhibit`).

    This is a convenience and no substitute for the transmitter's own protection.
    """

    def send(self, data: bytes) -> None:
        """Write to the device, from any thread while it is open, without making `read` wait.

        Raises LinkError if it is not there or does not take it within about a second.
        """
