"""Rule `intermittent-contact`: excursions are more frequent than usual at this station.

One crash of static is remembered as an excursion and raises no alarm; six in an evening do.
Excursions less than TOGETHER_NS apart count as one event, so that a crash with an echo is one. At
each event those of the last EVENING_NS are counted, with the time on the air. The usual rate is
learned from events and hours before that evening, beginning with GUESS_EVENTS in GUESS_HOURS.

The model is a Poisson process of a rate with the uncertainty of the history (gamma distributed), so
the count is negative binomial. With f false alarms a year the probability of this count or more
must be below f / (LOOKS * evenings in a year): LOOKS allows for overlapping windows. LEAST events
are needed in any case.

The alarm clears after REST_HOURS on the air without an event, or after a repair or adjustment.
"""

from __future__ import annotations

import msgspec

from logger.config.load import WatchdogOptions
from logger.rows import AlarmKind, ChangeKind, Excursion, Severity, Transmission
from logger.watchdog.rule import Finding, LearningRule

KIND = AlarmKind.INTERMITTENT_CONTACT
SEVERITY = Severity.WARNING
SECOND_NS = 1_000_000_000
HOUR_NS = 3600 * SECOND_NS
YEAR_NS = round(365.25 * 24 * HOUR_NS)
EVENING_NS = 6 * HOUR_NS
TOGETHER_NS = SECOND_NS
LOOKS = 3.0
LEAST = 3
LEAST_NS = 60 * SECOND_NS  # on the air before the first event of a transmission
GUESS_EVENTS, GUESS_HOURS = 0.5, 10.0
LONGEST_HOURS = 300.0  # of history; older history fades
REST_HOURS = 1.0
SPELL_NS = EVENING_NS // 24  # time on the air is added up in spells of this length
MOST_EVENTS = 200  # retained of an evening


class ContactEvent(msgspec.Struct, forbid_unknown_fields=True, array_like=True):
    """One excursion, or several close together."""

    time_ns: int
    duration_ms: float
    swr_peak: float


class Memory(msgspec.Struct, forbid_unknown_fields=True):
    """Events of the evening, keyed seconds by spell (text, as JSON keys are), and the history."""

    events: list[ContactEvent] = []
    spells: dict[str, float] = {}
    past_events: float = 0.0
    past_hours: float = 0.0
    rest_hours: float = 0.0
    raised_ns: int = 0


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> IntermittentContact:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    rate = options.false_alarm_rates()[KIND]
    return IntermittentContact(rate, memory, active=active)


class IntermittentContact(LearningRule):
    """State machine over excursions and ended transmissions."""

    takes = (Excursion, Transmission)

    def __init__(self, false_alarms_per_year: float, memory: Memory, *, active: bool) -> None:
        self._improbable = false_alarms_per_year * EVENING_NS / (LOOKS * YEAR_NS)
        self._active = active
        self._fresh: list[ContactEvent] = []  # of the transmission in progress
        self.memory = memory

    def row(self, row: Excursion | Transmission, work_ns: int) -> list[Finding]:
        """Return the changes of state caused by one row."""
        if isinstance(row, Excursion):
            return self._event(row)
        return self._end(row, work_ns)

    def _event(self, row: Excursion) -> list[Finding]:
        events = self._fresh or self.memory.events
        if events and row.time_ns - events[-1].time_ns < TOGETHER_NS:
            last = events[-1]
            events[-1] = ContactEvent(
                last.time_ns,
                max(last.duration_ms, row.duration_ms),
                max(last.swr_peak, row.swr_peak),
            )
            return []
        self._fresh.append(ContactEvent(row.time_ns, row.duration_ms, row.swr_peak))
        since_ns = row.time_ns - EVENING_NS
        evening = [
            event for event in (*self.memory.events, *self._fresh) if event.time_ns > since_ns
        ]
        if self._active or len(evening) < LEAST:
            return []
        memory = self.memory
        # The transmission in progress is known only from its first event on.
        keyed_ns = row.time_ns - self._fresh[0].time_ns + LEAST_NS
        hours = (keyed_ns / SECOND_NS + _keyed_s(memory.spells, since_ns)) / 3600
        usual_events = GUESS_EVENTS + memory.past_events
        usual_hours = GUESS_HOURS + memory.past_hours
        if probability(len(evening), hours, usual_events, usual_hours) >= self._improbable:
            return []
        self._active = True
        memory.raised_ns = row.time_ns
        lengths = [event.duration_ms for event in evening]
        detail = (
            f"{len(evening)} short excursions of {min(lengths):.0f} to {max(lengths):.0f} ms, SWR"
            f" up to {max(event.swr_peak for event in evening):.1f}, in {60 * hours:.0f} min on the"
            f" air; usually {usual_events / usual_hours:.2g} an hour"
        )
        end_ns = row.time_ns + round(row.duration_ms * 1e6)
        return [Finding(end_ns, ChangeKind.RAISED, float(len(evening)), None, detail)]

    def _end(self, row: Transmission, work_ns: int) -> list[Finding]:
        memory = self.memory
        keyed_s = (row.end_ns - row.start_ns) / SECOND_NS
        hours = keyed_s / 3600
        memory.rest_hours = 0.0 if self._fresh else memory.rest_hours + hours
        memory.events = [*memory.events, *self._fresh][-MOST_EVENTS:]
        spell = str(row.end_ns // SPELL_NS)
        memory.spells[spell] = memory.spells.get(spell, 0.0) + keyed_s
        self._fresh = []
        self._forget(row.end_ns - EVENING_NS)
        if not self._active:
            return []
        if work_ns > memory.raised_ns:
            detail = "the station was worked on"
        elif memory.rest_hours >= REST_HOURS:
            detail = f"no excursion in {60 * memory.rest_hours:.0f} min on the air"
        else:
            return []
        self._active = False
        memory.events = []
        return [Finding(row.end_ns, ChangeKind.CLEARED, None, None, detail)]

    def _forget(self, since_ns: int) -> None:
        """Move what is older than the evening to the history."""
        memory = self.memory
        old = [event for event in memory.events if event.time_ns <= since_ns]
        memory.events = memory.events[len(old) :]
        memory.past_events += len(old)
        for spell in [key for key in memory.spells if (int(key) + 1) * SPELL_NS <= since_ns]:
            memory.past_hours += memory.spells.pop(spell) / 3600
        fade = min(1.0, LONGEST_HOURS / max(memory.past_hours, 1.0))
        memory.past_hours *= fade
        memory.past_events *= fade


def _keyed_s(spells: dict[str, float], since_ns: int) -> float:
    return sum(seconds for spell, seconds in spells.items() if int(spell) * SPELL_NS >= since_ns)


def probability(count: int, hours: float, usual_events: float, usual_hours: float) -> float:
    """Return the probability of at least `count` events in `hours`.

    Before, there were `usual_events` in `usual_hours`.
    """
    share = hours / (usual_hours + hours)
    term = (1 - share) ** usual_events  # of no event
    total = 0.0
    for events in range(count + MOST_EVENTS):
        if events >= count:
            total += term
        term *= (usual_events + events) / (events + 1) * share
    return total
