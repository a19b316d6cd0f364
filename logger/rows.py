"""The rows that the stages hand to the store: plain facts, times in UTC nanoseconds."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntFlag
from typing import NamedTuple

import msgspec

from drivers.contract import SampleBlock

# Raw pairs so long before an alarm or excursion and after it are captured (see store/captures.py).
CAPTURE_BEFORE_NS = 2_000_000_000
CAPTURE_AFTER_NS = 3_000_000_000


class Flag(IntFlag):
    """What is to be known about a reading; kept as bits, exported as words."""

    BELOW_FLOOR = 1  # under the readable floor: the power means something, the SWR does not
    CLIPPED = 2  # a converter was at its end
    EXTRAPOLATED = 4  # outside the range the calibration covers
    UNSETTLED = 8  # too near an edge of keying for the detectors to have settled
    GAP = 16  # pairs are missing inside
    INTERRUPTED = 32  # the daemon ended before the transmission did
    RELATIVE = 64  # watts are relative: the calibration knows balance only
    CLOCK_STEP = 128  # a clock was set about then: the time may be wrong (see `dating`)
    # 256 and more are of rows, not of pairs
    ENVELOPE = 512  # the envelope outpaced the detectors: mean powers and energy are estimates

    def words(self) -> str:
        """The flags as lower-case words joined by spaces, in the order above."""
        return " ".join((flag.name or "").lower().replace("_", "-") for flag in self)


class Second(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One second of a transmission (its first and last second may be shorter).

    `time_ns` is the whole UTC second, or the start of the transmission if that is later.
    Powers are means over the pairs of the second in watts, volts the means of what the driver
    gave. `swr` and its bounds are None below the readable floor.
    """

    time_ns: int
    start_ns: int  # of the transmission it belongs to
    forward_w: float
    reflected_w: float
    swr: float | None
    swr_low: float | None
    swr_high: float | None
    samples: int
    flags: int
    swr_noise_low: float | None
    swr_noise_high: float | None
    forward_v: float
    reflected_v: float


class Transmission(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One transmission, or as much of it as there is so far (`ended` False).

    `swr_low..swr_high` is the 95 % interval of what the SWR is; `swr_noise_low..swr_noise_high`
    that of noise alone, for asking whether it changed. `energy_j` is incident energy with its 95 %
    interval `energy_low_j..energy_high_j`, None in rows of programs that did not know it.
    """

    start_ns: int
    end_ns: int
    ended: bool
    samples: int
    forward_w_mean: float
    forward_w_max: float
    reflected_w_mean: float
    reflected_w_max: float
    swr: float | None
    swr_low: float | None
    swr_high: float | None
    swr_max: float | None
    energy_j: float
    channel: int | None
    frequency_khz: float | None
    calibration_id: str
    flags: int
    swr_noise_low: float | None
    swr_noise_high: float | None
    settled_samples: int
    energy_low_j: float | None = None
    energy_high_j: float | None = None


class AlarmChange(msgspec.Struct, frozen=True, kw_only=True):
    """An alarm was raised or cleared. `start_ns` names the transmission it happened in, if any."""

    kind: str
    change: str  # "raised" or "cleared"
    time_ns: int
    severity: str  # "warning" or "critical"
    value: float | None
    limit: float | None
    start_ns: int | None
    detail: str
    flags: int = 0


class Excursion(msgspec.Struct, frozen=True, kw_only=True):
    """A short departure of the reflection and back.

    `duration_ms` runs from the first pair that departed to the first that did not. `swr_peak` is
    the reading furthest away, which is the lowest where reflection fell; `swr_beside` the level
    just before and after.
    """

    time_ns: int
    duration_ms: float
    swr_peak: float
    swr_beside: float


class Memory(msgspec.Struct, frozen=True):
    """What a rule of the watchdog has learned by the end of a transmission, as JSON."""

    rule: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Samples:
    """Pairs for the archive. `begins` marks the first of a run: stages started afresh with it."""

    block: SampleBlock
    begins: bool = False


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """How the daemon fared in the `duration_s` seconds before `time_ns`, about a minute.

    Counts are of that time. `queue_max` is the most batches that waited for the store at once,
    `clock_step_ms` by how much the host's clock was set, `forwarder_backlog` the rows that wait
    for servers. None: not known, or there was nothing to measure.
    """

    time_ns: int
    duration_s: float
    pairs: int
    pairs_per_s: float
    gaps: int
    input_dropped: int
    queue_max: int
    rows_dropped: int
    commits: int
    commit_ms_mean: float | None
    commit_ms_max: float | None
    commits_failed: int
    clock_synchronised: bool | None
    clock_step_ms: float
    forwarder_backlog: int | None


class WeatherRow(msgspec.Struct, frozen=True, kw_only=True):
    """The weather of an hour, a day or whatever a row stands for; None is not known."""

    time_ns: int
    temperature_c: float | None = None  # mean
    rain_mm: float | None = None  # fallen since the row before
    wind_m_s: float | None = None  # mean


class Trust(Enum):
    """What is thought of the wall clock since the host was started; see `dating`."""

    PROVISIONAL = "provisional"
    UNCONFIRMED = "unconfirmed"
    FOLLOWED = "followed"


class Boot(NamedTuple):
    """One start of the host. Its rows are those from `since_ns` on, were dated by `offset_ns` (UTC
    less host clock) and follow older rows, the last of which is at `before_ns`."""

    name: str
    trust: Trust
    before_ns: int
    since_ns: int
    offset_ns: int


class Shift(NamedTuple):
    """Rows from `since_ns` to `until_ns` are to be moved by `by_ns`."""

    since_ns: int
    until_ns: int
    by_ns: int


class ClockChange(msgspec.Struct, frozen=True):
    """What is thought of the clock has changed; with `shift`, so do the times of stored rows.

    `leap` says that the times of the next pairs do not go on evenly from those before.
    """

    boot: Boot
    shift: Shift | None = None
    leap: bool = False


Row = (
    Second
    | Transmission
    | AlarmChange
    | Excursion
    | ClockChange
    | Health
    | WeatherRow
    | Memory
    | Samples
)
