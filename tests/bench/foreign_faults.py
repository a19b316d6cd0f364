"""Prints how the tracker groups the signs of foreign histories into faults.

    python -m tests.bench.foreign_faults [--one 35] [--two 27] [--repaired 30] [--sound 3]
        [--first-seed 1000] [--sound-days 25] [--rows FOLDER] [--calm] [--list]

Histories are those of `tests/foreign_faults`; `tests/bench/foreign_fault_rows.py` passes them to
the rules of the package. A history takes 2 to 5 s of processor time, a sound year 25 s, all of the
default about 8 minutes on an idle core; `--rows` keeps what the rules made of the histories, which
the tracker then gets in a few seconds.

    one cause     faults with a sign since its onset: should be one. No grouping can tell a cause
                  that raised no alarm typical of it, so the share is also shown without these
    two causes    likewise two. Above both stands what the best of observers could know of the
                  causes (`ideal_grouping`), a bound from above
    sound         faults opened a year
    repaired      faults of the cause's family with a sign since its onset that were not closed at
                  the work. A true repair
                  is recognised if all of them are closed within 50 (100) transmissions after it; a
                  failed one is called fixed if one of them is closed later on. The share of
                  transmissions with a plain sign before the work, by the truth, shows how much
                  could be known; so does the share that an ideal observer (`ideal_observer`) would
                  recognise with the same error rate. The wind of each hour is known, unless --calm
    messages      what a notifier gets, through the queue of the product, by cause
"""

from __future__ import annotations

import argparse
import bisect
import pickle
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from logger.config.load import FaultsOptions
from logger.faults import FaultTracker
from logger.faults.repair import DECIDED
from logger.notify import messages
from logger.notify.fault_queue import FaultQueue
from logger.rows import (
    AlarmChange,
    AlarmKind,
    ChangeKind,
    FaultChange,
    FaultChangeKind,
    FaultFamily,
    FaultState,
    WeatherRow,
    family_of,
)
from logger.utc import DAY_NS, UNIT_NS
from tests.bench.foreign_fault_rows import Batch, first_onset_ns, play, work_times
from tests.bench.ideal_grouping import is_knowable
from tests.bench.ideal_observer import ln_odds
from tests.foreign_faults import History, one_cause, repaired, sound, two_causes

SETS: dict[str, Callable[[int], History]] = {
    "one": one_cause,
    "two": two_causes,
    "repaired": repaired,
    "sound": sound,
}
SOON, LATE = 50, 100  # transmissions after a repair
FREQUENT = 0.1  # share of transmissions with a sign
# Families in which a cause may show: a level that moved may be due to a detector.
FAMILIES = dict.fromkeys(
    ("water", "detuned", "detector"), (FaultFamily.FEEDLINE, FaultFamily.INSTRUMENT)
)
CONTACT = (
    AlarmKind.HIGH_SWR,
    AlarmKind.HIGH_REFLECTED_POWER,
    AlarmKind.SUDDEN_CHANGE,
    AlarmKind.INTERMITTENT_CONTACT,
)
SHIFT = (AlarmKind.HIGH_SWR, AlarmKind.SUDDEN_CHANGE, AlarmKind.BASELINE_SHIFT)
TYPICAL = {
    "loose-plug": CONTACT,
    "wind-contact": CONTACT,
    "water": (*SHIFT, AlarmKind.DETECTOR_FAULT),
    "hot-joint": (*SHIFT, AlarmKind.HEATING_JOINT),
    "detuned": SHIFT,
    "detector": (AlarmKind.DETECTOR_FAULT,),
    "unplugged": (AlarmKind.NO_DATA,),
}
MOST_FIRST_HOUR, MOST_A_DAY = 3, 1


@dataclass
class Story:
    """A fault: its changes, and the alarms that belong to it."""

    opened_ns: int
    changes: list[FaultChange] = field(default_factory=list)
    alarms: list[AlarmChange] = field(default_factory=list)

    @property
    def family(self) -> FaultFamily:
        """Family as told last; a correction changes it."""
        return self.changes[-1].family

    def owns(self, alarm: AlarmChange) -> bool:
        """True if an alarm names this fault, or none and is one of its first signs."""
        if alarm.fault_ns is not None:
            return alarm.fault_ns == self.opened_ns
        is_early = self.changes[0].first_ns <= alarm.time_ns <= self.opened_ns
        return is_early and family_of(alarm.kind) == self.family

    def has_sign(self, since_ns: int, until_ns: int = 1 << 62) -> bool:
        """True if an alarm of it was raised in a time."""
        return any(since_ns <= alarm.time_ns < until_ns for alarm in self.alarms)

    def shows(self, since_ns: int, until_ns: int = 1 << 62) -> bool:
        """True if it was opened or returned in a time."""
        kinds = (FaultChangeKind.OPENED, FaultChangeKind.RETURNED)
        return any(
            change.change in kinds and since_ns <= change.time_ns < until_ns
            for change in self.changes
        )

    def closed_ns(self) -> int | None:
        """Time at which it was closed."""
        last = self.changes[-1]
        return last.time_ns if last.change == FaultChangeKind.CLOSED else None

    def open_days(self, until_ns: int) -> float:
        """Return the time for which it was open, in days."""
        times = [change.time_ns for change in self.changes] + [until_ns]
        return sum(
            (after - change.time_ns) / DAY_NS
            for change, after in zip(self.changes, times[1:], strict=True)
            if change.state == FaultState.OPEN
        )

    def messages(self, until_ns: int) -> tuple[int, float]:
        """Return changes in the first hour, and later ones a day (of two days at least)."""
        hour_ns = self.opened_ns + UNIT_NS["h"]
        first = sum(change.time_ns <= hour_ns for change in self.changes)
        days = max(((self.closed_ns() or until_ns) - hour_ns) / DAY_NS, 2.0)
        return first, (len(self.changes) - first) / days

    def describe(self, start_ns: int) -> str:
        """Return a line of its alarms and changes, in days since a time."""
        kinds = Counter(alarm.kind.value for alarm in self.alarms)
        alarms = " ".join(f"{number} {kind}" for kind, number in kinds.items())
        changes = " ".join(
            f"{change.change}@{(change.time_ns - start_ns) / DAY_NS:.2f}" for change in self.changes
        )
        return f"{self.family}: {alarms}; {changes}"


@dataclass(frozen=True)
class Outcome:
    """A history and the faults that the tracker made of it."""

    history: History
    stories: list[Story]

    @property
    def own(self) -> list[Story]:
        """Faults with a sign, opened, or returned, since the first cause began."""
        onset_ns = first_onset_ns(self.history)
        return [
            story for story in self.stories if story.has_sign(onset_ns) or story.shows(onset_ns)
        ]

    @property
    def kinds(self) -> str:
        """Causes."""
        return " + ".join(cause.kind for cause in self.history.causes) or "sound"

    def lines(self) -> Iterator[str]:
        """Yield lines about the faults."""
        for story in self.stories:
            yield f"    {story.describe(first_onset_ns(self.history))}"


def weather_rows(history: History) -> list[WeatherRow]:
    """Return the mean wind of each hour, at its end."""
    return [
        WeatherRow(time_ns=history.time_ns(3600.0 * (hour + 1)), wind_m_s=(begin + end) / 2)
        for hour, (begin, end) in enumerate(pairwise(history.weather.wind_m_s.tolist()))
    ]


def group(history: History, batches: Sequence[Batch], *, winds: bool = True) -> Outcome:
    """Pass rows to a tracker; return what it made of them."""
    tracker = FaultTracker(FaultsOptions())
    tracker.know_work(work_times(history))
    stories: dict[int, Story] = {}
    loose: list[AlarmChange] = []
    weather = weather_rows(history) if winds else []
    for batch in batches:
        past = bisect.bisect_right(weather, batch.now_ns, key=lambda row: row.time_ns)
        rows, weather = [*weather[:past], *batch.rows], weather[past:]
        for row in tracker.update(rows, batch.now_ns):
            if isinstance(row, FaultChange):
                story = stories.setdefault(row.opened_ns, Story(row.opened_ns))
                story.changes.append(row)
                if row.change == FaultChangeKind.OPENED:  # as the store does
                    story.alarms += filter(story.owns, loose)
                    loose = [alarm for alarm in loose if not story.owns(alarm)]
            elif isinstance(row, AlarmChange) and row.change == ChangeKind.RAISED:
                owners = [story for story in stories.values() if story.owns(row)]
                (owners[0].alarms if owners else loose).append(row)
    return Outcome(history, list(stories.values()))


@dataclass(frozen=True)
class Verdict:
    """The faults of a repaired history: transmissions until all were closed, None if never.

    share  of transmissions with a plain sign between the first one and the work, by the truth
    """

    is_fixed: bool
    closed_after: int | None
    returned: bool
    share: float

    def is_recognised(self, most: int) -> bool:
        """True if the faults were closed within so many transmissions."""
        return self.closed_after is not None and self.closed_after <= most


def judge_repair(outcome: Outcome) -> Verdict | None:
    """Return what became of a repair; None if there was no fault to verify."""
    history = outcome.history
    entry = next(entry for entry in history.journal if entry.outcome)
    work_ns = entry.time_ns
    open_stories = [
        story
        for story in outcome.own
        if (story.has_sign(0, work_ns) or story.shows(0, work_ns))
        and (story.closed_ns() or 1 << 62) > work_ns
        and story.family in FAMILIES.get(history.causes[0].kind, (FaultFamily.FEEDLINE,))
    ]
    if not open_stories:
        return None
    is_fixed = entry.outcome == "fixed"
    closed = [ns for story in open_stories if (ns := story.closed_ns()) is not None]
    ends = [over.end_ns for over in history.overs]
    closed_after = None
    if closed and (not is_fixed or len(closed) == len(open_stories)):
        last_ns = max(closed) if is_fixed else min(closed)
        closed_after = bisect.bisect_right(ends, last_ns) - bisect.bisect_right(ends, work_ns)
    returned = any(
        change.change == FaultChangeKind.RETURNED and change.time_ns > work_ns
        for story in open_stories
        for change in story.changes
    )
    plain = [bool(over.plain) for over in history.overs if over.start_ns < work_ns]
    first = plain.index(True)
    return Verdict(is_fixed, closed_after, returned, sum(plain[first:]) / len(plain[first:]))


def share(part: int, total: int) -> str:
    """Return a share in words."""
    return f"{part} of {total} ({100 * part / max(total, 1):.1f} %)"


def is_noticed(outcome: Outcome) -> bool:
    """True if each cause was followed by an alarm that is typical of it.

    The alarms of two causes may be the same ones, so this says that there may be two faults.
    """
    alarms = [alarm for story in outcome.stories for alarm in story.alarms]
    return all(
        any(
            alarm.kind in TYPICAL[cause.kind]
            and alarm.time_ns >= outcome.history.time_ns(cause.onset_s)
            for alarm in alarms
        )
        for cause in outcome.history.causes
    )


def print_counts(title: str, outcomes: Sequence[Outcome], right: int, bar: int) -> None:
    """Print how many histories have the right number of faults, by cause or relation."""
    numbers = [len(outcome.own) for outcome in outcomes]
    noticed = [is_noticed(outcome) for outcome in outcomes]
    good = numbers.count(right)
    both = sum(seen and number == right for seen, number in zip(noticed, numbers, strict=True))
    print(
        f"{title}: {right} in {share(good, len(numbers))}, bar {bar} %; where each cause raised an"
        f" alarm of its own {share(both, sum(noticed))};"
        f" numbers {dict(sorted(Counter(numbers).items()))}"
    )
    known = share(sum(is_knowable(outcome.history) for outcome in outcomes), len(outcomes))
    print(f"  an observer who knows station and law could know each cause in {known}")
    groups: dict[str, list[int]] = {}
    for outcome, number in zip(outcomes, numbers, strict=True):
        families = {cause.family for cause in outcome.history.causes}
        relation = outcome.history.relation
        name = f"{relation}, {len(families)} families" if relation else outcome.kinds
        groups.setdefault(name, []).append(number)
    for name, own in sorted(groups.items()):
        print(f"  {name:40} {own.count(right)} of {len(own)}: {dict(sorted(Counter(own).items()))}")


def print_sound(outcomes: Sequence[Outcome]) -> None:
    """Print the faults of sound years."""
    numbers = [len(outcome.stories) for outcome in outcomes]
    few = sum(number <= 1 for number in numbers)
    kinds = Counter(s.alarms[0].kind.value for outcome in outcomes for s in outcome.stories)
    days = sum(
        story.open_days(outcome.history.overs[-1].end_ns)
        for outcome in outcomes
        for story in outcome.stories
    )
    print(
        f"sound: {sum(numbers) / len(numbers):.2f} faults a year, open for"
        f" {days / len(numbers):.0f} days; at most one (the bar) in {share(few, len(numbers))};"
        f" opened by {dict(kinds)}"
    )


def by_cause(outcomes: Sequence[Outcome]) -> dict[str, list[tuple[Outcome, Verdict]]]:
    """Return true repairs with their verdicts."""
    pairs: dict[str, list[tuple[Outcome, Verdict]]] = {}
    for outcome in outcomes:
        verdict = judge_repair(outcome)
        if verdict is not None and verdict.is_fixed:
            pairs.setdefault(outcome.kinds, []).append((outcome, verdict))
    return pairs


def print_repairs(outcomes: Sequence[Outcome]) -> None:
    """Print what became of repairs."""
    verdicts = [verdict for outcome in outcomes if (verdict := judge_repair(outcome))]
    fixed = [verdict for verdict in verdicts if verdict.is_fixed]
    failed = [verdict for verdict in verdicts if not verdict.is_fixed]
    missing = share(len(outcomes) - len(verdicts), len(outcomes))
    print(f"repaired: no fault open at the work in {missing}")
    frequent = [verdict for verdict in fixed if verdict.share >= FREQUENT]
    for title, group_ in (("true repairs", fixed), (f"  signs in >= {FREQUENT:.0%}", frequent)):
        soon, late = (
            sum(verdict.is_recognised(most) for verdict in group_) for most in (SOON, LATE)
        )
        print(
            f"  {title}: closed within {SOON} transmissions {share(soon, len(group_))}, bar 95 %;"
            f" within {LATE} {share(late, len(group_))}"
        )
    for kind, pairs in sorted(by_cause(outcomes).items()):
        soon = sum(verdict.is_recognised(SOON) for _, verdict in pairs)
        ideal = sum(ln_odds(outcome.history, SOON) >= DECIDED for outcome, _ in pairs)
        print(
            f"    {kind:14} {share(soon, len(pairs))}; an ideal observer {share(ideal, len(pairs))}"
        )
    relapses = sum(verdict.returned for verdict in fixed)
    print(f"  true repairs called back: {share(relapses, len(fixed))}")
    wrong = sum(verdict.closed_after is not None for verdict in failed)
    print(f"  failed repairs called fixed: {share(wrong, len(failed))}, bar 2 %")


def deliver(outcome: Outcome) -> list[tuple[str, float]]:
    """Return the messages that a notifier would get: entry of the queue, and time in seconds."""
    queue = FaultQueue(lambda event: messages.fault("station", event, 0))
    told: list[tuple[str, float]] = []
    now_s = 0.0

    def run(until_s: float) -> None:
        nonlocal now_s
        while True:
            due = queue.due(now_s, ())
            if len(due.entries) > 1:
                message = messages.combine([entry.message for entry in due.entries])
                for entry in due.entries:
                    entry.message = message
            for entry in due.entries:
                queue.done(entry, now_s)
                told.append((entry.kind, now_s))
            if due.entries:
                continue
            if due.wait_s is None or now_s + due.wait_s > until_s:
                now_s = until_s
                return
            now_s += due.wait_s

    changes = [change for story in outcome.stories for change in story.changes]
    for change in sorted(changes, key=lambda change: change.time_ns):
        run(change.time_ns / 1e9)
        queue.add(change.event(), now_s)
    run(outcome.history.overs[-1].end_ns / 1e9)
    return told


def print_messages(outcomes: Sequence[Outcome]) -> None:
    """Print how many messages a notifier gets, by cause: the most of a fault, and of a station."""
    groups: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        name = "two causes" if outcome.history.relation else outcome.kinds
        groups.setdefault(name, []).append(outcome)
    print("messages: most of a fault in its first hour and a day after, most at a station in 1 h")
    for name, members in sorted(groups.items()):
        early, later, most, faults = 0, 0.0, 0, 0
        for outcome in members:
            told = deliver(outcome)
            end_s = outcome.history.overs[-1].end_ns / 1e9
            times_s = sorted({time_s for _, time_s in told})
            most = max(
                [most, *(bisect.bisect(times_s, t + 3600) - n for n, t in enumerate(times_s))]
            )
            for kind in {kind for kind, _ in told}:
                own = [time_s for other, time_s in told if other == kind]
                first = bisect.bisect(own, own[0] + 3600)
                days = max((max(own[-1], end_s) - own[0] - 3600) / 86_400, 2.0)
                early, later = max(early, first), max(later, (len(own) - first) / days)
                faults += 1
        print(
            f"  {name:14} {early} (bar {MOST_FIRST_HOUR}), {later:.2f} (bar {MOST_A_DAY}),"
            f" {most} (bar 6); {faults} faults"
        )


def load(name: str, seed: int, sound_days: float, folder: Path | None, *, winds: bool) -> Outcome:
    """Draw a history and group its signs; with a folder, keep the rows there."""
    history = SETS[name](seed)
    path = None if folder is None else folder / f"{name}-{seed}.pickle"
    if path is not None and path.exists():
        return group(history, pickle.loads(path.read_bytes()), winds=winds)
    batches = play(history, sound_days)
    if path is not None:
        path.write_bytes(pickle.dumps(batches))
    return group(history, batches, winds=winds)


def is_wrong(name: str, outcome: Outcome) -> bool:
    """True if a history is to be listed."""
    if name == "repaired":
        verdict = judge_repair(outcome)
        return verdict is not None and verdict.is_fixed != verdict.is_recognised(SOON)
    if name == "sound":
        return len(outcome.stories) > 1
    return len(outcome.own) != (1 if name == "one" else 2)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    for name, number in (("one", 35), ("two", 27), ("repaired", 30), ("sound", 3)):
        parser.add_argument(f"--{name}", type=int, default=number, help="histories")
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--sound-days", type=float, default=25.0, help="before the first cause")
    parser.add_argument("--rows", type=Path, help="folder in which rows are kept")
    parser.add_argument("--calm", action="store_true", help="nothing measures the wind")
    parser.add_argument("--list", action="store_true", help="show wrong histories")
    options = parser.parse_args(arguments)
    if options.rows is not None:
        options.rows.mkdir(parents=True, exist_ok=True)
    begun = time.process_time()
    everything: list[Outcome] = []
    for name in SETS:
        seeds = range(options.first_seed, options.first_seed + getattr(options, name))
        outcomes = [
            load(name, seed, options.sound_days, options.rows, winds=not options.calm)
            for seed in seeds
        ]
        everything += outcomes
        if name in ("one", "two") and outcomes:
            right, bar = (1, 95) if name == "one" else (2, 85)
            print_counts(f"{name} of {len(outcomes)}", outcomes, right, bar)
        elif name == "repaired" and outcomes:
            print_repairs(outcomes)
        elif outcomes:
            print_sound(outcomes)
        for outcome in outcomes if options.list else ():
            if is_wrong(name, outcome):
                verdict = judge_repair(outcome) if name == "repaired" else ""
                seed, relation = outcome.history.seed, outcome.history.relation
                print(f"  {name} {seed} {outcome.kinds} {relation} {verdict}")
                print(*outcome.lines(), sep="\n")
    print_messages(everything)
    print(f"{time.process_time() - begun:.0f} s")


if __name__ == "__main__":
    main()
