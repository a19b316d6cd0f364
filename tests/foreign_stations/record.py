"""A record as the bridge prints it, and the truth beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.foreign_stations.contact import Open
from tests.foreign_stations.envelope import Over
from tests.foreign_stations.intruder import Intruder

Array = NDArray[np.float64]
EPOCH_NS = 1_772_323_200_000_000_000  # 2026-03-01T00:00:00Z


@dataclass(frozen=True)
class Truth:
    """What really happened; arrays (n,) go with the pairs.

    keyed        the transmitter was keyed
    forward_w    watts of our own forward wave at the sampling instant of the forward channel
    reflection   magnitude of the reflection at the coupler
    overs        the transmissions in time order, `energy_j` (k,) their true forward energy
    opens        the contact openings while keyed, in time order; `open_change` (j,) is by how much
                 each changed the magnitude of the reflection, in the mean over its duration
    intruders    the foreign signals
    """

    keyed: NDArray[np.bool_]
    forward_w: Array
    reflection: Array
    overs: tuple[Over, ...]
    energy_j: Array
    opens: tuple[Open, ...]
    open_change: Array
    intruders: tuple[Intruder, ...]

    @property
    def swr(self) -> Array:
        """True SWR (n,)."""
        return (1.0 + self.reflection) / np.maximum(1.0 - self.reflection, 1e-9)


@dataclass(frozen=True)
class Record:
    """Pairs in time order, each array (n,); `start_ns` is second 0 of the overs' times."""

    start_ns: int
    time_ns: NDArray[np.int64]
    forward_v: Array
    reflected_v: Array
    channel: Array | None
    temperature_c: Array | None
    truth: Truth

    def __len__(self) -> int:
        return len(self.time_ns)

    def ns(self, seconds: float) -> int:
        """Return the time in ns of a second of the record."""
        return self.start_ns + round(seconds * 1e9)
