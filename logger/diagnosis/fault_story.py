"""Story of one fault: its signs by day, its likely causes, and the charts that show it.

It is read from the store, and is the same for terminal, page and report.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import msgspec

from logger.diagnosis.alarms import diagnose_first, diagnosis_at
from logger.diagnosis.scoring import Diagnosis
from logger.places import with_antenna
from logger.rows import (
    Alarm,
    AlarmKind,
    Fault,
    FaultChangeKind,
    FaultEvent,
    FaultFamily,
    FaultState,
)
from logger.store.faults import Faults
from logger.store.reader import Store
from logger.store.tables import JOURNAL
from logger.utc import DAY_NS, format_ns, parse_time
from logger.wording import count, join

# Alarms whose evidence is most informative about the cause come first.
TELLING = (
    AlarmKind.NO_DATA,
    AlarmKind.DETECTOR_FAULT,
    AlarmKind.INTERMITTENT_CONTACT,
    AlarmKind.HEATING_JOINT,
    AlarmKind.BASELINE_SHIFT,
)
MOST_CAPTURES = 3
HOUR_S = 3600.0


class FaultDay(msgspec.Struct, frozen=True, kw_only=True):
    """A UTC day of a fault: time on the air in seconds, transmissions, and signs."""

    date: str
    on_air_s: float
    transmissions: int
    excursions: int
    alarms: int

    @property
    def excursions_per_hour(self) -> float | None:
        """Excursions per hour on the air, None for a day without transmissions."""
        return HOUR_S * self.excursions / self.on_air_s if self.on_air_s else None


class JournalEntry(msgspec.Struct, frozen=True, kw_only=True):
    """An entry of the journal since the first sign."""

    time_utc: str
    kind: str
    text: str


class FaultStory(msgspec.Struct, frozen=True, kw_only=True):
    """History and diagnosis of a fault.

    `kinds` counts its alarms by kind; `charts` are arguments of `mismatchd chart` that show it;
    `alarm_id` is the alarm that was diagnosed; `transmissions_since_work` are those that count in
    the verification of a repair, None if no repair is being verified.
    """

    fault: Fault
    first_utc: str
    opening: Alarm | None
    kinds: dict[str, int]
    transmissions_since_work: int | None
    days: list[FaultDay]
    changes: list[FaultEvent]
    journal: list[JournalEntry]
    alarm_id: int | None
    diagnosis: Diagnosis
    charts: list[str]


def tell_story(store: Store, fault_id: int, now_ns: int | None = None) -> FaultStory:
    """Return the story of a fault. Raise UsageError if it does not exist, StoreError."""
    faults = Faults(store.database)
    fault = faults.fault(fault_id)
    first_ns = faults.first_sign_ns(fault_id)
    alarms = store.alarms("r.fault_id = ? ORDER BY r.raised_ns", fault_id)
    alarm, diagnosis = diagnose_fault(store, fault_id, now_ns)
    changes = faults.changes(fault_id)
    journal = store.select(JOURNAL, "r.time_ns >= ? ORDER BY r.time_ns", first_ns - DAY_NS)
    return FaultStory(
        fault=fault,
        first_utc=format_ns(first_ns),
        opening=_opening(fault, alarms),
        kinds=dict(Counter(alarm.kind for alarm in alarms).most_common()),
        transmissions_since_work=_count_since_work(store, fault, changes),
        days=_days(store, fault_id, alarms),
        changes=changes,
        journal=[
            JournalEntry(**{name: row.columns[name] for name in JournalEntry.__struct_fields__})
            for row in journal
        ],
        alarm_id=None if alarm is None else alarm.id,
        diagnosis=diagnosis,
        charts=_charts(store, fault_id, faults.family(fault_id)),
    )


def _opening(fault: Fault, alarms: Sequence[Alarm]) -> Alarm | None:
    """Return the alarm that opened a fault, or the first one if a lasting level opened it."""
    first = alarms[0] if alarms else None
    return next((alarm for alarm in alarms if alarm.raised_utc == fault.opened_utc), first)


def diagnose_fault(
    store: Store, fault_id: int, now_ns: int | None = None
) -> tuple[Alarm | None, Diagnosis]:
    """Diagnose the latest alarm of each kind, the most telling first, up to a likely cause.

    Return the alarm and its diagnosis; for a fault without alarms, that of its opening. Raise
    StoreError.
    """
    latest = store.alarms(
        "r.id IN (SELECT max(id) FROM alarms WHERE fault_id = ? GROUP BY kind)"
        " ORDER BY r.raised_ns DESC",
        fault_id,
    )
    latest.sort(key=lambda alarm: TELLING.index(alarm.kind) if alarm.kind in TELLING else 99)
    diagnosed = diagnose_first(store, latest, now_ns)
    if diagnosed is not None:
        return diagnosed
    opened_ns = Faults(store.database).fault(fault_id).opened_ns
    return None, diagnosis_at(store, opened_ns, now_ns)


def _days(store: Store, fault_id: int, alarms: Sequence[Alarm]) -> list[FaultDay]:
    """Return the days with signs of the fault, in order."""
    excursions = dict(
        store.database.query(
            f"SELECT time_ns / {DAY_NS}, count(*) FROM excursions WHERE fault_id = ? GROUP BY 1",
            (fault_id,),
        )
    )
    raises = Counter(alarm.day for alarm in alarms)
    days = []
    for day in sorted({*excursions, *raises}):
        transmissions, on_air_ns = store.database.query_row(
            "SELECT count(*), coalesce(sum(end_ns - start_ns), 0) FROM transmissions"
            " WHERE ended AND start_ns >= ? AND start_ns < ?",
            (day * DAY_NS, (day + 1) * DAY_NS),
        )
        days.append(
            FaultDay(
                date=format_ns(day * DAY_NS)[:10],
                on_air_s=on_air_ns / 1e9,
                transmissions=transmissions,
                excursions=excursions.get(day, 0),
                alarms=raises[day],
            )
        )
    return days


def _count_since_work(store: Store, fault: Fault, changes: Sequence[FaultEvent]) -> int | None:
    repairs = [event.utc for event in changes if event.change == FaultChangeKind.REPAIRED]
    if fault.state != FaultState.VERIFYING or not repairs:
        return None
    return int(
        store.database.query_value(
            "SELECT count(*) FROM transmissions WHERE ended AND start_ns >= ?",
            (parse_time(repairs[-1], 0),),
        )
    )


def _charts(store: Store, fault_id: int, family: FaultFamily) -> list[str]:
    """Return the arguments of `mismatchd chart` that show the fault, without the output file."""
    if family == FaultFamily.NO_DATA:
        return []
    captures = store.database.query(
        "SELECT capture_id FROM excursions WHERE fault_id = ?1 AND capture_id IS NOT NULL"
        " UNION SELECT capture_id FROM alarms WHERE fault_id = ?1 AND capture_id IS NOT NULL"
        " ORDER BY 1 DESC LIMIT ?2",
        (fault_id, MOST_CAPTURES),
    )
    return [
        f"fault {fault_id}",
        "drift",
        *(f"capture {capture_id}" for (capture_id,) in captures),
    ]


def paragraph(story: FaultStory) -> str:
    """Return what happened, in one paragraph beside the summary of the fault."""
    fault, opening = story.fault, story.opening
    sentences = [f"First sign at {_minute(story.first_utc)}."]
    if opening is not None:
        detail = "" if opening.detail in fault.summary else f": {opening.detail}"
        lasted = ""
        if opening.raised_utc is not None and opening.raised_utc != fault.opened_utc:
            lasted = f", since the level of {_minute(opening.raised_utc)} remained"
        sentences.append(
            f"The alarm {opening.kind} opened the fault at {_minute(fault.opened_utc)}{lasted}"
            f"{detail}."
        )
    kinds = [f"{number} {kind}" for kind, number in story.kinds.items()]
    signs = f"It has caused {count(fault.alarms or 0, 'alarm')}"
    signs += f" ({join(kinds)})" if kinds else ""
    if fault.excursions:
        signs += (
            f" and {count(fault.excursions, 'excursion')},"
            f" {fault.open_time_s or 0.0:.3g} s in total"
        )
    channels = (fault.channels or "").split()
    where = f"channel{'s' * (len(channels) > 1)} {join(channels)}" if channels else ""
    where = with_antenna(where, fault.antennas)
    where = where and f", on {where}"
    days = f", within {count(len(story.days), 'day')}" if len(story.days) > 1 else ""
    sentences.append(f"{signs}{where}{days}.")
    if story.transmissions_since_work is not None:
        since = count(story.transmissions_since_work, "transmission")
        sentences.append(f"Since the work: {since} so far.")
    elif fault.last_sign_utc is not None and fault.transmissions_since:
        since = count(fault.transmissions_since, "transmission")
        sentences.append(f"Last sign at {_minute(fault.last_sign_utc)}; {since} since then.")
    return " ".join(sentences)


def _minute(utc: str) -> str:
    return f"{utc[:10]} {utc[11:16]} UTC"
