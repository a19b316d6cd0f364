"""Sets of histories by seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.foreign_faults.bench import EPOCH_NS, Plan, render
from tests.foreign_faults.causes import CAUSES, Cause, Detuned, Unplugged
from tests.foreign_faults.draws import DAY_S, Random
from tests.foreign_faults.habits import Gap, draw_traffic, draw_weather
from tests.foreign_faults.records import History, JournalEntry
from tests.foreign_faults.station import Station

SIGNS = 6  # transmissions in which a cause must show plainly, unless it is redrawn
SIGNS_AFTER_WORK = 3  # likewise after work that did not fix it


def one_cause(seed: int) -> History:
    """Return 40 to 60 sound days, then 10 to 30 with one of CAUSES, by turns."""
    kind = list(CAUSES)[seed % len(CAUSES)]

    def attempt(rng: Random) -> History:
        sound_days, fault_days = int(rng.integers(40, 61)), int(rng.integers(10, 31))
        plan = draw_plan(rng, sound_days + fault_days)
        cause = draw_cause(rng, kind, plan, sound_days + rng.uniform(0.2, 1.0))
        return render(replace(plan, causes=(cause,)), rng, seed)

    return _draw_visible(attempt, 1, seed)


def two_causes(seed: int) -> History:
    """Return two causes of different kinds; of different families in two of three histories.

    "together": both begin within a day; "second within the first": days later; "apart": the first
    was repaired, or the bridge plugged in again, 2 to 12 days before the second.
    """

    def attempt(rng: Random) -> History:
        first, second = _draw_kinds(rng, alike=seed % 3 == 0)
        relation = ["together", "second within the first", "apart"][seed // 3 % 3]
        sound_days = int(rng.integers(40, 61))
        plan = draw_plan(rng, sound_days + 45)
        day = sound_days + rng.uniform(0.2, 1.0)
        cause = draw_cause(rng, first, plan, day, "mast")
        journal: tuple[JournalEntry, ...] = ()
        works: tuple[tuple[float, float], ...] = ()
        if relation == "together":
            day += rng.uniform(0, 1)
        elif relation == "second within the first":
            day += rng.uniform(2, 10)
        elif isinstance(cause, Unplugged):
            day = cause.end_s / DAY_S + rng.uniform(2, 12)
        else:
            work_s = (np.floor(day) + rng.integers(5, 13) + rng.uniform(0.4, 0.7)) * DAY_S
            cause = replace(cause, end_s=work_s)
            journal, works = (_note_work(rng, plan, cause, work_s, "fixed"),), ((work_s, 5.0),)
            day = work_s / DAY_S + rng.uniform(2, 12)
        other = draw_cause(rng, second, plan, day, "radio")
        plan = replace(plan, causes=(cause, other), journal=journal, works=works)
        plan = _shorten(plan, max(day, cause.onset_s / DAY_S) + rng.uniform(10, 20))
        return render(plan, rng, seed, relation)

    return _draw_visible(attempt, 2, seed)


def sound(seed: int) -> History:
    """Return a year without a fault.

    It has neighbours' carriers, changes of mode, on average 0.7 changes of power for some days, one
    crash of static, one reset of the board, and a remark in the journal.
    """
    rng = np.random.default_rng([3, seed])
    plan = draw_plan(rng, 365, power_changes=0.7)
    reset_s = float(rng.choice(plan.traffic.start_s)) + rng.uniform(-20, 20)
    reset = Gap(reset_s, reset_s + rng.uniform(2, 8), "reset")
    note = JournalEntry(plan.start_ns + round(reset_s * 1e9), "remark", "tidied up the bench")
    return render(replace(plan, resets=(reset,), crashes=1, journal=(note,)), rng, seed)


def repaired(seed: int) -> History:
    """Return a cause other than "unplugged", work noted, and 100 to 400 transmissions after it.

    Half of the works fix the cause. Of the others, two of three leave it as it was and the rest
    mend another thing; a contact then opens 0.6 to 1.3 times as often.
    """
    kind = [kind for kind in CAUSES if kind != Unplugged.kind][seed % 6]
    outcome = draw_outcome(seed)

    def attempt(rng: Random) -> History:
        sound_days, fault_days = int(rng.integers(40, 61)), int(rng.integers(4, 21))
        plan = draw_plan(rng, sound_days + fault_days + 120, 1.3)
        cause = draw_cause(rng, kind, plan, sound_days + rng.uniform(0.2, 1.0))
        work_s = (sound_days + fault_days + rng.uniform(0.4, 0.7)) * DAY_S
        if outcome == "fixed":
            cause = replace(cause, end_s=work_s)
        else:
            cause = replace(cause, reworked_s=work_s, rework=rng.uniform(0.6, 1.3))
        khz = rng.normal(0, 5) if outcome == "fixed" else rng.normal(0, 3)
        entry = _note_work(rng, plan, cause, work_s, outcome)
        plan = replace(plan, causes=(cause,), works=((work_s, khz),), journal=(entry,))
        first = int(np.searchsorted(plan.traffic.start_s, work_s))
        last = min(first + int(rng.integers(100, 401)), len(plan.traffic)) - 1
        if last - first < 99:
            return render(replace(plan, causes=()), rng, seed)  # too silent: drawn again
        return render(_shorten(plan, plan.traffic.start_s[last] / DAY_S + 0.001), rng, seed)

    return _draw_visible(attempt, 4, seed)


def draw_plan(rng: Random, days: int, liveliness: float = 1.0, power_changes: float = 0.0) -> Plan:
    """Draw a sound station that begins on some Monday of 2024."""
    station = Station.draw(rng)
    week = int(rng.integers(0, 52))
    return Plan(
        station,
        EPOCH_NS + week * 7 * round(DAY_S * 1e9),
        days,
        draw_weather(rng, days, 7 * week),
        draw_traffic(rng, station, days, liveliness, power_changes),
        crashes=int(rng.random() < 0.3),
    )


def draw_outcome(seed: int) -> str:
    """Draw what the work of `repaired(seed)` achieves."""
    rng = np.random.default_rng([5, seed])
    return str(rng.choice(["fixed", "not fixed", "other thing"], p=[0.5, 0.33, 0.17]))


def draw_cause(rng: Random, kind: str, plan: Plan, day: float, place: str | None = None) -> Cause:
    """Draw a cause that begins at about that day; half of the steps come during a key-down."""
    onset_s = day * DAY_S
    if kind == Detuned.kind and rng.random() < 0.5:
        traffic = plan.traffic
        later = np.flatnonzero((traffic.start_s > onset_s) & (traffic.duration_s > 6))
        if len(later):
            i = later[0]
            onset_s = float(traffic.start_s[i] + rng.uniform(0.2, 0.7) * traffic.duration_s[i])
    return CAUSES[kind].draw(rng, onset_s, place or str(rng.choice(["mast", "radio"])))


def _draw_kinds(rng: Random, alike: bool) -> tuple[str, str]:
    """Draw two kinds, of one family or of two."""
    while True:
        first, second = rng.choice(list(CAUSES), 2, replace=False)
        if (CAUSES[first].family == CAUSES[second].family) == alike:
            return str(first), str(second)


WORKS = {
    "loose-plug": "plug at the {place} taken apart, cleaned and tightened",
    "wind-contact": "contact at the {place} soldered again",
    "water": "line replaced from the {place} on and sealed",
    "hot-joint": "joint at the {place} cut out and made anew",
    "detuned": "antenna set to its old length",
    "detector": "diode at the {port} port of the coupler changed",
}
OTHER_WORKS = (
    "guy rope tightened",
    "choke moved up",
    "bench supply swapped",
    "earth strap renewed",
)


def _note_work(rng: Random, plan: Plan, cause: Cause, work_s: float, outcome: str) -> JournalEntry:
    text = WORKS.get(cause.kind, "bridge checked").format(**vars(cause))
    if outcome == "other thing":
        text = str(rng.choice(OTHER_WORKS))
    number = 0 if outcome != "other thing" else None
    return JournalEntry(plan.start_ns + round(work_s * 1e9), "repair", text, number, outcome)


def _shorten(plan: Plan, day: float) -> Plan:
    """Return the plan up to the end of a day (or its last key-down)."""
    is_before = plan.traffic.start_s <= day * DAY_S
    return replace(plan, days=int(np.ceil(day)), traffic=plan.traffic.take(is_before))


def _draw_visible(attempt: Callable[[Random], History], number: int, seed: int) -> History:
    """Return the first history whose causes all show."""
    for trial in range(200):
        history = attempt(np.random.default_rng([number, seed, trial]))
        if history.causes and all(_shows(history, i) for i in range(len(history.causes))):
            return history
    raise RuntimeError(f"no visible cause with seed {seed}")


def _shows(history: History, number: int) -> bool:
    """True if a cause shows often enough, also after work that failed (on the first cause)."""
    if history.causes[number].gaps():
        return True
    signs_ns = [over.start_ns for over in history.overs if number in over.plain]
    works = [entry for entry in history.journal if entry.outcome and number == 0]
    for work in works:
        later = sum(time_ns > work.time_ns for time_ns in signs_ns)
        if work.outcome != "fixed" and later < SIGNS_AFTER_WORK:
            return False
        signs_ns = signs_ns[: len(signs_ns) - later]
    return len(signs_ns) >= SIGNS
