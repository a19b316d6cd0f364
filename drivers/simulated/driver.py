"""The driver: returns the pairs of a simulated station, at once or in real time."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, ClassVar, Literal

import msgspec
import numpy as np

from drivers.contract import EndOfInput, LinkError, SampleBlock
from drivers.simulated.coupler import Adc, SimulatedCoupler
from drivers.simulated.faults import Fault
from drivers.simulated.operator import Operator
from drivers.simulated.simulation import Chunk, Simulation
from drivers.simulated.station import Positive, Station

COLUMNS = ("forward_v", "reflected_v", "channel", "frequency_khz")


class SimulatedOptions(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """Keys of `driver:` for this kind."""

    seed: Annotated[
        int,
        msgspec.Meta(ge=0, description="The same seed, options and start give the same samples."),
    ] = 1
    rate_hz: Annotated[float, msgspec.Meta(ge=1, le=20000, description="Pairs per second.")] = 200.0
    duration_s: Annotated[
        Positive | None,
        msgspec.Meta(description="Simulated time until the input ends; without it, never."),
    ] = None
    pace: Annotated[
        Literal["fast", "realtime"],
        msgspec.Meta(description="As fast as the pairs are read, or at the pace of the clock."),
    ] = "realtime"
    speed: Annotated[
        Positive,
        msgspec.Meta(
            description="Simulated seconds per second of the clock with `pace: realtime`."
        ),
    ] = 1.0
    start_utc: Annotated[
        datetime | None,
        msgspec.Meta(description="Time of the first pair; default: the time of opening."),
    ] = None
    block_s: Annotated[
        Positive, msgspec.Meta(description="Longest simulated time in one block.")
    ] = 1.0
    station: Station = msgspec.field(default_factory=Station)
    coupler: SimulatedCoupler = msgspec.field(default_factory=SimulatedCoupler)
    adc: Adc = msgspec.field(default_factory=Adc)
    operator: Operator = msgspec.field(default_factory=Operator)
    faults: tuple[Fault, ...] = ()


class SimulatedDriver:
    """See `drivers.contract.Driver`."""

    Options: ClassVar[type[msgspec.Struct]] = SimulatedOptions

    def __init__(
        self,
        options: SimulatedOptions,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        wall_ns: Callable[[], int] = time.time_ns,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.finite = options.pace == "fast" or options.duration_s is not None
        self.counters: dict[str, int] = {"missed_while_closed": 0}
        self._options = options
        self._monotonic, self._wall_ns, self._sleep = monotonic, wall_ns, sleep
        self._simulation = Simulation(
            seed=options.seed,
            rate_hz=options.rate_hz,
            station=options.station,
            coupler=options.coupler,
            adc=options.adc,
            operator=options.operator,
            faults=options.faults,
        )
        self._block_pairs = max(1, round(options.block_s * options.rate_hz))
        self._end: int | None = None
        if options.duration_s is not None:
            self._end = int(options.duration_s * options.rate_hz)
        self._next = 0  # index of the next pair
        self._chunk: tuple[int, Chunk] | None = None  # number and content of the chunk in use
        self._opened = False
        self._start_ns: int | None = None
        self._start_monotonic = 0.0

    def truth(self) -> Simulation:
        """Return the true state of the station for tests and demonstrations. Time 0: `start_ns`."""
        return self._simulation

    @property
    def start_ns(self) -> int:
        """Time of the first pair, known after the driver was opened."""
        if self._start_ns is None:
            raise LinkError("the simulated station is not open")
        return self._start_ns

    def open(self) -> None:
        """Start the simulated clock, or continue a simulation that has advanced in the meantime."""
        self._opened = True
        if self._start_ns is None:
            start = self._options.start_utc
            wall_ns = self._wall_ns() if start is None else _utc_ns(start)
            self._start_ns = wall_ns // 1000 * 1000
            self._start_monotonic = self._monotonic()
        elif self._options.pace == "realtime":
            # A device keeps sending when nobody reads it.
            missed = self._due() - self._next
            self._next += missed
            self.counters["missed_while_closed"] += missed

    def read(self, timeout_s: float, linger_s: float) -> SampleBlock | None:
        """Return the pairs that are due, or the next block at once if the pace is fast."""
        if not self._opened:
            raise LinkError("the simulated station is not open")
        if self._end is not None and self._next >= self._end:
            raise EndOfInput("end of the simulated time")
        if self._options.pace == "fast":
            stop = self._next + self._block_pairs
            return self._block(stop if self._end is None else min(stop, self._end))
        self._wait_for(1, timeout_s)
        if self._due() == self._next:
            return None
        self._wait_for(self._block_pairs, linger_s)
        return self._block(min(self._due(), self._next + self._block_pairs))

    def notices(self) -> list[str]:
        """Return nothing: a simulated link is never lost."""
        return []

    def close(self) -> None:
        """Stop reading; the simulated time continues."""
        self._opened = False

    def _due(self) -> int:
        """Return the number of pairs due by now in real time, at least the number returned."""
        simulated_s = (self._monotonic() - self._start_monotonic) * self._options.speed
        due = int(simulated_s * self._options.rate_hz) + 1
        if self._end is not None:
            due = min(due, self._end)
        return max(due, self._next)

    def _wait_for(self, pairs: int, at_most_s: float) -> None:
        """Sleep until this many more pairs are due (or the input ends), or the time is up."""
        last = self._next + pairs - 1
        if self._end is not None:
            last = min(last, self._end - 1)
        give_up = self._monotonic() + at_most_s
        while self._due() <= last:
            now = self._monotonic()
            due_at = self._start_monotonic + last / self._options.rate_hz / self._options.speed
            if now >= give_up:
                return
            # The extra microsecond keeps rounding from waking us just before the pair is due.
            self._sleep(min(max(due_at - now, 0.0) + 1e-6, give_up - now))

    def _block(self, stop: int) -> SampleBlock:
        """Return the pairs up to `stop` and advance."""
        pieces: dict[str, list[np.ndarray[tuple[int], np.dtype[np.float64]]]] = {
            name: [] for name in COLUMNS
        }
        pair = self._next
        size = self._simulation.chunk_pairs
        while pair < stop:
            number, offset = divmod(pair, size)
            if self._chunk is None or self._chunk[0] != number:
                self._chunk = (number, self._simulation.chunk(number))
            upto = min(size, offset + stop - pair)
            for name, parts in pieces.items():
                parts.append(getattr(self._chunk[1], name)[offset:upto])
            pair += upto - offset
        column = {name: np.concatenate(parts) for name, parts in pieces.items()}
        step_us = 1e6 / self._options.rate_hz
        micros = np.rint(np.arange(self._next, stop) * step_us).astype(np.int64)
        self._next = stop
        adc = self._simulation.adc
        return SampleBlock(
            time_ns=self.start_ns + micros * 1000,
            forward_v=column["forward_v"],
            reflected_v=column["reflected_v"],
            aux={"channel": column["channel"], "frequency_khz": column["frequency_khz"]},
            step_v=(adc.step_v, adc.step_v),
            full_scale_v=adc.full_scale_v,
        )


def _utc_ns(moment: datetime) -> int:
    """Return nanoseconds since the epoch; a time without a zone is UTC."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    since = aware - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86400 + since.seconds) * 10**9 + since.microseconds * 1000
