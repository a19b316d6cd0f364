"""Rows that the stages pass to the store: plain facts, times in UTC nanoseconds."""

from __future__ import annotations

from enum import Enum, IntFlag, StrEnum
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import msgspec

from logger.utc import DAY_NS, format_ns, parse_time

if TYPE_CHECKING:
    from drivers.contract import SampleBlock
    from logger.blocks import Floats, Times

# Raw pairs this long before and after an alarm or excursion are captured (store/captures.py).
CAPTURE_BEFORE_NS = 2_000_000_000
CAPTURE_AFTER_NS = 3_000_000_000


class Flag(IntFlag):
    """Qualifications of a reading; stored as bits, exported as words."""

    BELOW_FLOOR = 1  # under the readable floor: the power is valid, the SWR is not
    CLIPPED = 2  # a converter was at its limit
    EXTRAPOLATED = 4  # outside the range of the calibration
    UNSETTLED = 8  # too near a key-down or key-up for the detectors to have settled
    GAP = 16  # pairs are missing within it
    INTERRUPTED = 32  # the daemon ended before the transmission did
    RELATIVE = 64  # watts are relative: the calibration gives the balance only
    CLOCK_STEP = 128  # a clock was set at about then: the time may be wrong (see `service.dating`)
    # 256 and above apply to rows, not to pairs.
    ENVELOPE = 512  # the envelope outpaced the detectors: mean powers and energy are estimates

    def words(self) -> str:
        """Return the flags as lower-case words joined by spaces, in the order above."""
        return " ".join((flag.name or "").lower().replace("_", "-") for flag in self)


class Second(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One second of a transmission (its first and last second may be shorter).

    `time_ns` is the whole UTC second, or the start of the transmission if that is later. Powers are
    means over the pairs of the second in watts, volts the means of the driver's volts. `swr` and
    its bounds are None below the readable floor.
    """

    time_ns: int
    start_ns: int  # start of its transmission
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


SWR_FIGURES = ("swr", "swr_low", "swr_high", "swr_noise_low", "swr_noise_high")
SECOND_FIGURES = ("forward_w", "reflected_w", "forward_v", "reflected_v", *SWR_FIGURES)


class SecondRows(msgspec.Struct, frozen=True, eq=False):
    """Consecutive rows `Second` of one transmission as columns, (n,) each.

    figures  (f, n) in the order of SECOND_FIGURES, NaN for None
    """

    start_ns: int
    time_ns: Times
    samples: Times
    flags: Times
    figures: Floats

    def __len__(self) -> int:
        return len(self.time_ns)

    def figure(self, name: str) -> Floats:
        """Return the column of a figure."""
        column: Floats = self.figures[SECOND_FIGURES.index(name)]
        return column

    def rows(self) -> list[Second]:
        """Return each second."""
        names = ("time_ns", "samples", "flags", *SECOND_FIGURES)
        columns = (self.time_ns, self.samples, self.flags, *self.figures)
        found: list[Second] = []
        for line in zip(*(column.tolist() for column in columns), strict=True):
            # NaN is the only value that differs from itself.
            values: list[Any] = [value if value == value else None for value in line]
            found.append(Second(start_ns=self.start_ns, **dict(zip(names, values, strict=True))))
        return found


class Transmission(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One transmission, or its part so far (`ended` False).

    `swr_low..swr_high` is the 95 % interval of the true SWR; `swr_noise_low..swr_noise_high` that
    from noise alone, for detecting changes. `energy_j` is the incident energy with its 95 %
    interval `energy_low_j..energy_high_j`, None in rows of older versions that lacked it.
    `coupler_temperature_c` is the mean of the pairs that carry a temperature, None without any.
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
    antenna: str | None = None
    coupler_temperature_c: float | None = None


class Word(StrEnum):
    """A stored word. One that only another version of this program has is accepted as it is."""

    @classmethod
    def _missing_(cls, value: object) -> Self:
        word = str.__new__(cls, value)
        word._name_ = word._value_ = str(value)
        return word


class AlarmKind(Word):
    """Kind of an alarm, one for each rule."""

    HIGH_SWR = "high-swr"
    HIGH_REFLECTED_POWER = "high-reflected-power"
    SUDDEN_CHANGE = "sudden-change"
    INTERMITTENT_CONTACT = "intermittent-contact"
    HEATING_JOINT = "heating-joint"
    BASELINE_SHIFT = "baseline-shift"
    DETECTOR_FAULT = "detector-fault"
    NO_DATA = "no-data"


class Severity(Word):
    """Severity of an alarm."""

    WARNING = "warning"
    CRITICAL = "critical"


class ChangeKind(StrEnum):
    """Change of an alarm; rules raise and clear, people acknowledge."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"


class Alarm(msgspec.Struct, frozen=True, kw_only=True):
    """An alarm as exported; the fields are the exported columns in order.

    While it cannot be stored, `id` is None, and so is what only the store has: the transmission,
    and the time of raising once it has cleared.
    """

    id: int | None = None
    kind: AlarmKind
    severity: Severity
    raised_utc: str | None = None
    cleared_utc: str | None = None
    acknowledged_utc: str | None = None
    value: float | None
    limit: float | None
    transmission_id: int | None = None
    detail: str
    flags: str
    shelved_until_utc: str | None = None
    capture_id: int | None = None
    fault_id: int | None = None

    @property
    def raised_ns(self) -> int:
        """Time of raising of a stored alarm."""
        assert self.raised_utc is not None
        return parse_time(self.raised_utc, 0)

    @property
    def day(self) -> int:
        return self.raised_ns // DAY_NS

    @property
    def cleared_ns(self) -> int | None:
        return None if self.cleared_utc is None else parse_time(self.cleared_utc, 0)


AlarmKey = tuple[AlarmKind, ChangeKind, str | None]


class AlarmEvent(NamedTuple):
    """A change of an alarm to be reported, and the alarm with that change."""

    change: ChangeKind
    alarm: Alarm

    @property
    def utc(self) -> str | None:
        """Time of the change."""
        utc: str | None = getattr(self.alarm, f"{self.change}_utc")
        return utc

    @property
    def key(self) -> AlarmKey:
        """Identity of the change, defined even before its alarm has an id."""
        return self.alarm.kind, self.change, self.utc


class AlarmChange(msgspec.Struct, frozen=True, kw_only=True):
    """An alarm was raised or cleared.

    `start_ns` is the start of its transmission, if any, `fault_ns` the opening of its fault.
    """

    kind: AlarmKind
    change: ChangeKind
    time_ns: int
    severity: Severity
    value: float | None
    limit: float | None
    start_ns: int | None
    detail: str
    flags: int = 0
    fault_ns: int | None = None

    def event(self) -> AlarmEvent:
        """Return the event of a change that is not stored."""
        utc = format_ns(self.time_ns)
        is_raised = self.change == ChangeKind.RAISED
        alarm = Alarm(
            kind=self.kind,
            severity=self.severity,
            raised_utc=utc if is_raised else None,
            cleared_utc=None if is_raised else utc,
            value=self.value,
            limit=self.limit,
            detail=self.detail,
            flags=Flag(self.flags).words(),
        )
        return AlarmEvent(self.change, alarm)


class Excursion(msgspec.Struct, frozen=True, kw_only=True):
    """A short departure of the reflection and its return.

    `duration_ms` runs from the first pair that departed to the first that did not. `swr_peak` is
    the reading furthest away, which is the lowest where reflection fell; `swr_beside` the level
    just before and after. `fault_ns` is the opening of the fault that it is a sign of, if known.
    """

    time_ns: int
    duration_ms: float
    swr_peak: float
    swr_beside: float
    fault_ns: int | None = None


class FaultFamily(Word):
    """What a fault is a trouble of."""

    FEEDLINE = "feedline"  # feedline and antenna
    INSTRUMENT = "instrument"
    NO_DATA = "no-data"


FAMILIES = {
    AlarmKind.DETECTOR_FAULT: FaultFamily.INSTRUMENT,
    AlarmKind.NO_DATA: FaultFamily.NO_DATA,
}


def family_of(kind: AlarmKind) -> FaultFamily:
    """Return the family of the faults of a kind of alarm."""
    return FAMILIES.get(kind, FaultFamily.FEEDLINE)


class FaultState(Word):
    """State of a fault.

    A quiet fault has shown no sign for long enough that one was expected; a fault is verified after
    a repair was noted in the journal.
    """

    OPEN = "open"
    QUIET = "quiet"
    VERIFYING = "verifying"
    CLOSED = "closed"


CORRECTED = "Instrument, not feedline or antenna"  # summary of a correction begins so


class FaultChangeKind(StrEnum):
    """Change of a fault.

    `EXPLAINED` is by the diagnosis or, if the summary begins with CORRECTED, by the tracker.
    """

    OPENED = "opened"
    WORSENED = "worsened"
    EXPLAINED = "explained"
    QUIET = "quiet"
    REPAIRED = "repaired"
    RETURNED = "returned"
    CLOSED = "closed"


class Fault(msgspec.Struct, frozen=True, kw_only=True):
    """A fault as exported; the fields are the exported columns in order.

    `alarms` and `excursions` are the numbers of its signs, `open_time_s` the sum of the durations
    of its excursions; `channels` are those of its signs, joined by spaces, `antennas` likewise by
    commas; `transmissions_since` counts those after the last sign. While a change cannot be stored,
    `id` is None, and so is what only the store has.
    """

    id: int | None = None
    state: FaultState
    severity: Severity
    opened_utc: str
    last_sign_utc: str | None = None
    closed_utc: str | None = None
    acknowledged_utc: str | None = None
    summary: str
    probable_cause: str | None = None
    probability: float | None = None
    channels: str | None = None
    alarms: int | None = None
    excursions: int | None = None
    open_time_s: float | None = None
    transmissions_since: int | None = None
    journal_id: int | None = None
    antennas: str | None = None

    @property
    def opened_ns(self) -> int:
        """Time of the alarm that opened it; its identity in rows."""
        return parse_time(self.opened_utc, 0)


FaultKey = tuple[str, FaultChangeKind, str]


class FaultEvent(NamedTuple):
    """A change of a fault to be reported, the fault with that change, and the time of it."""

    change: FaultChangeKind
    fault: Fault
    utc: str

    @property
    def key(self) -> FaultKey:
        """Identity of the change, defined even before its fault has an id."""
        return self.fault.opened_utc, self.change, self.utc


class FaultChange(msgspec.Struct, frozen=True, kw_only=True):
    """A fault was opened or changed its state; `summary` says what is known at that moment.

    `opened_ns` is the time of the alarm that opened it, and its identity. Earlier excursions from
    `first_ns` on that belong to no fault are signs of this one. `work_ns` is the time of the repair
    in the journal, if any.
    """

    opened_ns: int
    family: FaultFamily
    change: FaultChangeKind
    time_ns: int
    state: FaultState
    severity: Severity
    summary: str
    first_ns: int
    work_ns: int | None = None

    def event(self) -> FaultEvent:
        """Return the event of a change that is not stored."""
        utc = format_ns(self.time_ns)
        fault = Fault(
            state=self.state,
            severity=self.severity,
            opened_utc=format_ns(self.opened_ns),
            closed_utc=utc if self.state == FaultState.CLOSED else None,
            summary=self.summary,
        )
        return FaultEvent(self.change, fault, utc)


class Memory(msgspec.Struct, frozen=True):
    """State learned by a rule of the watchdog up to the end of a transmission, as JSON."""

    rule: str
    content: bytes


class Samples(msgspec.Struct, frozen=True):
    """Pairs for the archive. `begins` is True for the first of a run: the stages restarted."""

    block: SampleBlock
    begins: bool = False


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """Health of the daemon in the `duration_s` seconds before `time_ns`, about a minute.

    Counts cover that time. `queue_max` is the largest number of batches that waited for the store,
    `clock_step_ms` the amount by which the host's clock was set, `forwarder_backlog` the number of
    rows waiting for servers. None: unknown, or nothing to measure.
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
    """The weather of an hour, a day or another period of a row; None is unknown."""

    time_ns: int
    temperature_c: float | None = None  # mean
    rain_mm: float | None = None  # since the row before
    wind_m_s: float | None = None  # mean


class Trust(Enum):
    """Trust in the wall clock since the host was started; see `service.dating`."""

    PROVISIONAL = "provisional"
    UNCONFIRMED = "unconfirmed"
    FOLLOWED = "followed"


class Boot(NamedTuple):
    """One start of the host.

    Its rows are those from `since_ns` on; they were dated with `offset_ns` (UTC minus host clock)
    and follow older rows, the last of them at `before_ns`.
    """

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
    """The trust in the clock has changed; with `shift`, so do the times of stored rows.

    `leap` is True if the times of the next pairs do not continue evenly.
    """

    boot: Boot
    shift: Shift | None = None
    leap: bool = False


Row = (
    SecondRows
    | Transmission
    | AlarmChange
    | FaultChange
    | Excursion
    | ClockChange
    | Health
    | WeatherRow
    | Memory
    | Samples
)
