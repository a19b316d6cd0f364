"""Interface of a driver.

This is the only module that a driver in another package needs to import. `host_ns` and `Monotone`
timestamp pairs on arrival. `drivers.contract_suite` tests the requirements stated here.

A driver turns the data of its device into `SampleBlock`s. It reports facts only: it fills no gaps,
derives nothing, and leaves missing values missing. It is registered in the entry point group
`mismatchd.drivers`; the name of the entry point is the `kind` in the configuration.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol, runtime_checkable

import msgspec
import numpy as np
from numpy.typing import NDArray

from drivers.errors import DriverError as DriverError
from drivers.errors import EndOfInput as EndOfInput
from drivers.errors import LinkError as LinkError
from drivers.found import ENTRY_POINTS as ENTRY_POINTS
from drivers.timeline import Monotone as Monotone
from drivers.timeline import host_ns as host_ns

READ = ("lines", "blocks")  # counters of data read; the others count data not read
NO_AUX: Mapping[str, NDArray[np.float64]] = {}


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
    clock_step   the times are uncertain: their clock was set or restarted
    gap          pairs before the first of these were lost
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
    """Join consecutive blocks; an auxiliary column is NaN where a block lacks it.

    The resolutions and the full scale are those of the last block. `clock_step` is set if any block
    has it. A gap between the blocks is discarded.
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
    `finite` is True if the input ends and can be made to wait (a file, not a device). `counters`
    counts dropped data by reason, and data read under a name in `READ`; counters never decrease.

    A driver that timestamps pairs on arrival sets `clock = "host"` and returns times of
    `drivers.timeline.host_ns`, which never steps; the daemon converts them to UTC. Without it, the
    times are taken as UTC and corrected where they go back.

    A driver that can wait for its device has `open_or_wait()`: like `open`, but an absent device is
    treated as one that was disconnected later. It may have `away`: one line that states why the
    device is absent, None while it is present.
    """

    Options: ClassVar[type[msgspec.Struct]]
    finite: bool
    counters: dict[str, int]

    def open(self) -> None:
        """Open the device. Raise LinkError with a line that tells the user what to do."""

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the next pairs, or None if none arrived within `timeout_s`.

        After the first data, continue to collect for up to `linger_s` (arrival times are still
        recorded as they occur), which saves wake-ups on a quiet station. A device that is lost
        after it was opened is reopened here, with back-off; this is reported through `notices`, not
        raised. Raise EndOfInput when a finite source is exhausted, LinkError if the driver is not
        open.
        """

    def notices(self) -> list[str]:
        """Return changes of state since the last call (lost, reconnected, rebooted) in words."""

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
class Defers(Protocol):
    """A driver that may return pairs a second late while all are below `quiet_v`.

    These are forward and reflected volts; None if no pair may be late.
    """

    quiet_v: tuple[float, float] | None


@runtime_checkable
class StatesAbsence(Protocol):
    """A driver that can say why its device is absent: one line, None while it is present."""

    @property
    def away(self) -> str | None: ...


@runtime_checkable
class Sends(Protocol):
    """Optional capability of a driver: its device accepts messages (the notifier `inhibit`).

    This is a convenience and no substitute for the transmitter's own protection.
    """

    def send(self, data: bytes) -> None:
        """Write to the device, from any thread while it is open, without delaying `read`.

        Raise LinkError if the device is absent or does not accept the data within about a second.
        """
