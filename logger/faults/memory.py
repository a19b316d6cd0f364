"""State of the tracker between runs: small structs of JSON types, each with defaults."""

from __future__ import annotations

from typing import Any

import msgspec

from logger.rows import AlarmKind, FaultFamily, FaultState, Severity, Shift

KIND = "faults"  # name of the memory among those of rules and stages
NEVER_NS = -(1 << 62)
TIMES = ("raised", "loose")  # fields of times, besides those named `_ns`


class Level(msgspec.Struct, forbid_unknown_fields=True, array_like=True):
    """Level of |Γ| on a channel: weight of its transmissions, mean, variance."""

    count: float = 0.0
    mean: float = 0.0
    variance: float = 0.0


Levels = dict[str, Level]  # by channel, or frequency


class Session(msgspec.Struct, forbid_unknown_fields=True):
    """Transmissions on a channel with short pauses: their begin, number, and those with a sign.

    wind_m_s  mean of the wind during them, None if it is unknown
    """

    start_ns: int
    transmissions: int = 0
    signs: int = 0
    wind_m_s: float | None = None
    channel: str = ""

    def extended(self, other: Session) -> Session:
        """Return this session continued by another."""
        total = self.transmissions + other.transmissions
        winds = [
            (session.wind_m_s, session.transmissions)
            for session in (self, other)
            if session.wind_m_s is not None
        ]
        counted = sum(number for _, number in winds)
        wind_m_s = sum(wind * number for wind, number in winds) / counted if counted else None
        signs = self.signs + other.signs
        return Session(self.start_ns, total, signs, wind_m_s, self.channel)


class Wind(msgspec.Struct, forbid_unknown_fields=True):
    """Mean wind of the time up to `time_ns`."""

    time_ns: int
    m_s: float


class Break(msgspec.Struct, forbid_unknown_fields=True, order=True):
    """An excursion: its time and the |Γ| of its peak."""

    time_ns: int
    gamma: float = 0.0


class Run(msgspec.Struct, forbid_unknown_fields=True):
    """Transmissions in a row off the level of their channel, on the same side (1 or -1)."""

    side: int
    since_ns: int
    transmissions: int = 0


Runs = dict[str, Run]  # by channel, or frequency


class Readings(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Levels of ln of incident watts by mode, and of |Γ| by channel, whether sound or not."""

    watts: Levels = {}
    gammas: Levels = {}


class Test(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Transmissions at another power than before.

    score     ln of the likelihood ratio of a port that has changed to another power setting
    ln_w      by which incident power differs
    counted   transmissions on a channel in the session, by channel
    """

    since_ns: int = NEVER_NS
    transmissions: int = 0
    sessions: int = 0
    score: float = 0.0
    ln_w: float = 0.0
    counted: dict[str, int] = {}


class PortMemory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """What `ports` knows.

    latest   current readings; `later` and `earlier` are those of this week and of a week or two ago
    step     test against the latest readings, `drift` against the earlier ones
    used     ln of watts of other powers that were used with the SWR unchanged, by mode
    ln_w     by which incident power is off since the port has changed, None if it has not
    back     transmissions in a row at the power before that
    """

    latest: Readings = msgspec.field(default_factory=Readings)
    later: Readings = msgspec.field(default_factory=Readings)
    earlier: Readings = msgspec.field(default_factory=Readings)
    later_ns: int = NEVER_NS
    step: Test = msgspec.field(default_factory=Test)
    drift: Test = msgspec.field(default_factory=Test)
    used: dict[str, list[float]] = {}
    ended_ns: int = NEVER_NS
    ln_w: float | None = None
    back: int = 0


class FaultMemory(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """A fault that is not closed.

    kinds         kinds of its alarms
    detail        of its first alarm
    raised        time of raising of each open alarm, by kind
    sign_ns       its last sign
    counted_ns    end of the last transmission counted
    cleared_ns    when its last alarm cleared, or its level came back
    changed_ns    its last change
    is_shifted    the last transmission was off its level
    is_lasting    its level stayed off from one session to another
    steady        transmissions at the usual level since it opened, until one is not
    stood         transmissions at the level to which it moved, between excursions
    sessions      transmissions up to the last sign, or the repair; `recent` those since then
    clean         transmissions since the last sign, or since the repair
    brief, held   alarms that cleared within seconds, that outlasted a transmission
    breaks        excursions in ended transmissions
    before        levels before it, `during` those of transmissions off that level, `after` those
                  since the last sign or the repair
    peaks         numbers of excursions by channel and |Γ| of the peak; see `contacts`
    crowds        |Γ| of the peaks of a contact beside that of another fault
    shown         levels of incident power of transmissions with a sign, watts
    is_port       incident power shows that the forward port has changed
    latest        levels of the last few transmissions, up to the repair
    antennas      antennas of transmissions with a sign, as far as they are known
    cold          levels with which transmissions began after a rest, while it was open,
    colds         and how many of a channel in a row were off the level before
    """

    opened_ns: int
    first_ns: int
    family: FaultFamily
    severity: Severity
    state: FaultState = FaultState.OPEN
    kinds: list[AlarmKind] = []
    detail: str = ""
    raised: dict[AlarmKind, int] = {}
    sign_ns: int
    counted_ns: int = NEVER_NS
    cleared_ns: int = NEVER_NS
    changed_ns: int = NEVER_NS
    is_shifted: bool = False
    is_lasting: bool = False
    is_port: bool = False
    steady: int = 0
    stood: int = 0
    work_ns: int | None = None
    alarms: int = 0
    breaks: int = 0
    sessions: list[Session] = []
    recent: list[Session] = []
    clean: int = 0
    brief: int = 0
    held: int = 0
    before: Levels = {}
    during: Levels = {}
    after: Levels = {}
    shown: Levels = {}
    peaks: dict[str, list[int]] = {}
    crowds: list[float] = []
    latest: Levels = {}
    antennas: list[str] = []
    cold: Levels = {}
    colds: dict[str, int] = {}

    @property
    def last_ns(self) -> int:
        """Time since which there has been no sign."""
        return max(self.sign_ns, self.cleared_ns)

    @property
    def trials(self) -> int:
        """Transmissions since the repair that would show the fault."""
        return sum(session.transmissions for session in self.recent)

    @property
    def relapses(self) -> int:
        """Those of the trials with a sign."""
        return sum(session.signs for session in self.recent)


class TrackerMemory(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """Faults that are not closed, and what the next one will need.

    suspects  warnings that need a second sign to open a fault, as faults
    loose    times of recent excursions of ended transmissions that belong to no fault
    pending  excursions of the transmission in progress
    levels   usual ones; `earlier` and `later` are those of a week or two ago and of this week
    runs     transmissions off their level, by channel
    port     what incident power tells of the forward port
    work_ns  last repair or adjustment
    winds    the latest measurements of the wind
    session_ns, ended_ns  start of the latest session, end of the latest transmission
    """

    faults: list[FaultMemory] = []
    suspects: list[FaultMemory] = []
    loose: list[int] = []
    pending: list[Break] = []
    levels: Levels = {}
    earlier: Levels = {}
    later: Levels = {}
    later_ns: int = NEVER_NS
    runs: Runs = {}
    port: PortMemory = msgspec.field(default_factory=PortMemory)
    work_ns: int = NEVER_NS
    winds: list[Wind] = []
    session_ns: int = NEVER_NS
    ended_ns: int = NEVER_NS


def redate(content: bytes, shift: Shift) -> bytes:
    """Return the JSON of a memory after a correction of the clock, with its times moved."""

    def moved(value: Any, *, is_time: bool = False) -> Any:
        if isinstance(value, dict):
            return {
                key: moved(item, is_time=is_time or key.endswith("_ns") or key in TIMES)
                for key, item in value.items()
            }
        if isinstance(value, list):
            return [moved(item, is_time=is_time) for item in value]
        if is_time and value is not None and shift.since_ns <= value <= shift.until_ns:
            return value + shift.by_ns
        return value

    return msgspec.json.encode(moved(msgspec.json.decode(content)))
