"""The processing pipeline: volts of a block through every stage to rows. No threads, no clocks.

Live, replayed and simulated pairs all pass through it; only their timestamps matter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

import msgspec
import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Floats, PowerBlock
from logger.calibration.coupler import Coupler
from logger.config.load import Config, WeatherOptions
from logger.faults import KIND as FAULTS
from logger.faults import FaultTracker
from logger.rows import AlarmChange, Flag, Memory, Row, Samples, Transmission
from logger.stages import decay, usual_level
from logger.stages.antennas import Antennas
from logger.stages.excursions import Excursions
from logger.stages.keying import RELEASE, Keying, OwnPower, OwnPowerTracker
from logger.stages.levels import Levels
from logger.stages.noise import NoiseTracker
from logger.stages.quarters import Quarters
from logger.stages.selection import Selection, ThinSample
from logger.stages.settling import Settling
from logger.stages.thinning import Thinning
from logger.stages.transmissions import Transmissions
from logger.stages.view import View, impossible_ratio, silent_readings
from logger.stages.weather_means import WeatherMeans
from logger.watchdog import Watchdog
from logger.watchdog.calm import CalmBound
from logger.watchdog.rule import recalled

SECOND_NS = 1_000_000_000
GATHER_NS = 1_000_000_000  # longest time for which quiet blocks are collected
# The noise estimate, which covers a quarter of an hour (see `noise`), is renewed 1, 2, 4, ... and
# EARLY s after the first pair and EARLY_KEYED s after the first key-down, then every RENEW_NS. Each
# renewal splits a block.
EARLY, EARLY_KEYED = 512, 64
RENEW_NS = 600 * SECOND_NS
OWN_POWER, SETTLING = "own-power", "settling"  # names of the stages' memories
NEVER_NS = 1 << 62
MOST_PAIRS = 131_072  # most pairs processed at once, so that they fit into the cache


class Pipeline:
    """Calibrates, estimates, segments and watches; returns the rows completed by each block.

    open_kinds  alarms already open
    memories    state learned by rules and stages: the content of the last `Memory` of each
    archive     True if pairs for the archive, and the weather, are among the rows
    tap         called with each processed block; must not block

    `patience_ns` is the longest time for which pairs are collected that cannot raise an alarm soon,
    though somebody transmits; none by default.
    """

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        open_kinds: Iterable[str] = (),
        memories: Mapping[str, bytes] | None = None,
        *,
        archive: bool = True,
        tap: Callable[[View], None] | None = None,
    ) -> None:
        memories = memories or {}
        station = config.station
        content = coupler.content
        zeros_v = (content.forward.zero_v, content.reflected.zero_v)
        hang_ns = round(config.transmission.hang_ms * 1e6)
        self._coupler = coupler
        self._keying = Keying(config.transmission.min_forward_w, impossible_ratio(coupler))
        self._estimates = _Estimates(
            NoiseTracker(
                (content.noise.forward_v, content.noise.reflected_v),
                zeros_v,
                content.converter.step_v,
            ),
            OwnPowerTracker(recalled(OWN_POWER, memories, OwnPower)),
        )
        self._settling = Settling(zeros_v, recalled(SETTLING, memories, decay.DecayMemory), hang_ns)
        self._thin_sample = ThinSample()
        self._selection = Selection(hang_ns) if archive else None
        has_weather = archive and config.weather != WeatherOptions()
        self._weather = WeatherMeans(config.weather) if has_weather else None
        self._tap = tap
        self._begins = True
        self._antennas = Antennas(config.antennas, station)
        self._transmissions = Transmissions(
            coupler,
            hang_ns,
            round(config.watchdog.high_swr.hold_ms * 1e6),
            station.channel,
            station.frequency_khz,
            self._antennas,
        )
        self._levels = Levels(
            coupler,
            hang_ns,
            recalled(usual_level.KIND, memories, usual_level.UsualLevelMemory),
            self._antennas,
        )
        self._excursions = Excursions(coupler)
        self._watchdog = Watchdog(config.watchdog, open_kinds, memories, hang_ns)
        self._faults = FaultTracker(config.faults, memories)
        self._last_ns = -NEVER_NS  # time of the last pair or tick
        quiet_w = RELEASE * config.transmission.min_forward_w
        self._quiet_v = (
            float(coupler.forward.volts(quiet_w)),
            float(coupler.reflected.volts(quiet_w)),
        )
        self._schedule = _RenewalSchedule(self._quiet_v[0])
        self._thinning = Thinning(silent_readings(coupler, quiet_w), hang_ns)
        self._calm = CalmBound(coupler, self._watchdog.bounds, quiet_w)
        self.patience_ns = 0
        self._gathered: list[SampleBlock] = []
        self._doubtful = Flag(0)

    @property
    def keyed(self) -> bool:
        """True during a transmission, including its hang time."""
        return self._transmissions.under_way

    @property
    def due_ns(self) -> int | None:
        """When the next alarm is raised if nothing changes, None if no hold time is running."""
        return self._watchdog.due_ns

    @property
    def quiet_v(self) -> tuple[float, float] | None:
        """Forward and reflected volts below which no pair can start anything.

        None if something is in progress.
        """
        in_progress = self._transmissions.under_way or self._watchdog.data_missed
        return None if in_progress else self._quiet_v

    def process(self, block: SampleBlock) -> list[Row]:
        """Process one block; return the rows that it completed, in the order to store them.

        Small blocks that cannot start anything are collected and processed together. This changes
        nothing in the rows and saves most of the load.
        """
        rows: list[Row] = []
        if self._gathered and (block.gap or block.clock_step != self._gathered[0].clock_step):
            rows = self._flush()
        self._gathered.append(block)
        if self._can_wait(block):
            return rows
        return rows + self._flush()

    def tick(self, now_ns: int) -> list[Row]:
        """Advance to `now_ns` without a pair; return the completed rows."""
        rows = self._flush()
        noise = self._estimates.noise
        self._settling.advance(now_ns, noise.sd_v)
        ended = self._transmissions.advance(now_ns)
        quarters = self._levels.advance(now_ns, noise, _ends(ended))
        self._estimates.defer(quarters)
        excursions = self._excursions.update(quarters, now_ns, noise)
        rows += self._watch([*ended, *excursions], quarters, now_ns)
        return rows + self._faults.update(mark(self._watchdog.tick(now_ns), self._doubtful), now_ns)

    def finish(self, flag: Flag | None = None) -> list[Row]:
        """End all open events, since no more pairs will come; return the completed rows."""
        rows = self._flush()
        quarters = self._levels.finish(self._estimates.noise)
        excursions = self._excursions.finish(quarters, self._estimates.noise)
        # Events cut short are not learned from: after a crash they would be unknown as well.
        last = self._watch(
            [*excursions, *self._transmissions.finish(flag)], quarters, self._last_ns
        )
        # But the store has to agree with the memory of faults.
        rows += [row for row in last if not isinstance(row, Memory) or row.rule == FAULTS]
        if self._weather is not None:
            rows += self._faults.update(self._weather.finish(), self._last_ns)
        return rows

    def know_work(self, times_ns: Iterable[int]) -> None:
        """Set all times at which the station was repaired or adjusted, from the journal."""
        times_ns = list(times_ns)
        self._watchdog.know_work(times_ns)
        self._faults.know_work(times_ns)

    def know_checks(self, spans_ns: Iterable[tuple[int, int]]) -> None:
        """Set begin and end of all open ends keyed to check the coupler."""
        self._faults.know_checks(spans_ns)

    def know_antennas(self, changes: Iterable[tuple[int, str]]) -> list[str]:
        """Set all changes of antenna in the journal; see `Antennas.know_changes`."""
        return self._antennas.know_changes(changes)

    def _can_wait(self, block: SampleBlock) -> bool:
        """True if no reading of the block, the last gathered, could start anything."""
        gathered_ns = int(block.time_ns[-1]) - int(self._gathered[0].time_ns[0])
        quiet_v = self.quiet_v
        if quiet_v is not None:
            return gathered_ns < GATHER_NS and bool(
                block.forward_v.max() < quiet_v[0] and block.reflected_v.max() < quiet_v[1]
            )
        return (
            gathered_ns < self.patience_ns
            and not self._watchdog.data_missed
            and self.due_ns is None
            and self._calm.holds(block)
        )

    def _flush(self) -> list[Row]:
        gathered, self._gathered = self._gathered, []
        if not gathered:
            return []
        rows: list[Row] = []
        for part, renews in self._schedule.split(join(gathered)):
            if renews:
                self._estimates.renew()
            rows += self._process(part)
        return rows

    def _process(self, samples: SampleBlock) -> list[Row]:
        noise, own = self._estimates.noise, self._estimates.own_power
        least_v = self._coupler.content.converter.step_v
        stated_v = (max(samples.step_v[0], least_v), max(samples.step_v[1], least_v))
        step_v = (max(stated_v[0], noise.step_v[0]), max(stated_v[1], noise.step_v[1]))
        whole = samples
        places = self._thinning.update(whole)
        if places is not None:
            samples = whole[places]
        forward_w, reflected_w, flags = self._coupler.power(samples)
        flags[0] |= np.uint8(Flag.GAP) * whole.gap
        flags |= np.uint8(Flag.CLOCK_STEP) * samples.clock_step
        keyed, foreign = self._keying.update(forward_w, reflected_w, own)
        settled, below, hidden = self._settling.update(
            samples.time_ns, samples.forward_v, samples.reflected_v, keyed, noise.sd_v
        )
        block = PowerBlock(
            samples.time_ns,
            samples.forward_v,
            samples.reflected_v,
            forward_w,
            reflected_w,
            flags,
            settled,
            self._antennas.mark(samples.time_ns, samples.aux),
            below,
            hidden,
        )
        rows = self._transmissions.update(block, keyed, noise)
        view = View(block, keyed, noise, self._coupler, step_v, foreign, own)
        if self._tap is not None:
            self._tap(view)
        quarters = self._levels.update(view, _ends(rows))
        rows += self._excursions.update(quarters, int(block.time_ns[-1]), noise)
        changes = self._watchdog.update(view, self._transmissions.start_at)
        self._doubtful = Flag.CLOCK_STEP if samples.clock_step else Flag(0)
        rows = self._watch(rows, quarters, int(block.time_ns[-1]), changes)
        down = np.flatnonzero(keyed | foreign)
        if places is not None:
            down = places[down]
        quiet = self._thin_sample.update(whole.time_ns, down)
        self._estimates.defer(quarters)
        self._estimates.update(whole.forward_v[quiet], whole.reflected_v[quiet], stated_v)
        if self._selection is not None:
            for part in self._selection.update(whole, down, quiet):
                rows.append(Samples(part, begins=self._begins))
                self._begins = False
        if self._weather is not None and whole.aux:
            rows += self._faults.update(self._weather.update(whole), self._last_ns)
        return rows

    def _watch(
        self,
        rows: list[Row],
        quarters: Quarters | None,
        now_ns: int,
        changes: Sequence[AlarmChange] = (),
    ) -> list[Row]:
        """Return the completed rows, with the alarm changes given and those caused by the rows.

        They name their faults, whose changes are added. With an ended transmission, the memories of
        rules and stages are added.
        """
        self._last_ns = now_ns
        by_rows = self._watchdog.rows(rows, quarters, self._transmissions.start_at)
        changes = mark(
            sorted([*changes, *by_rows], key=lambda change: change.time_ns), self._doubtful
        )
        ended = [row for row in rows if isinstance(row, Transmission) and row.ended]
        rows = self._faults.update([*rows, *changes], now_ns)
        if not ended:
            return rows
        for row in ended:
            self._estimates.learn(row)
        memories = {
            SETTLING: msgspec.json.encode(self._settling.memory),
            OWN_POWER: msgspec.json.encode(self._estimates.learned),
            usual_level.KIND: msgspec.json.encode(self._levels.memory),
            **self._watchdog.memories(),
        }
        return [*rows, *(Memory(rule, text) for rule, text in memories.items())]


class _Estimates:
    """Noise and own powers as the stages use them: both are renewed together, now and then."""

    def __init__(self, tracker: NoiseTracker, own_power: OwnPowerTracker) -> None:
        self._tracker = tracker
        self._own_power = own_power
        self._next_own = own_power.learned
        self._quarters: list[Quarters] = []  # not yet measured for noise
        self.renew()

    def renew(self) -> None:
        """Renew both from what has been measured so far."""
        self.noise = self._tracker.noise()
        self.own_power = self._next_own

    @property
    def learned(self) -> OwnPower:
        """Own powers learned so far."""
        return self._own_power.learned

    def learn(self, row: Transmission) -> None:
        """Learn from an ended transmission."""
        self._own_power.learn(row)

    def defer(self, quarters: Quarters | None) -> None:
        """Leave quarters to the next `update`: a replay has no ticks."""
        if quarters is not None:
            self._quarters.append(quarters)

    def update(self, forward_v: Floats, reflected_v: Floats, step_v: tuple[float, float]) -> None:
        """Measure noise on quiet pairs (n,), volts, and on the deferred quarters."""
        self._tracker.update(forward_v, reflected_v, step_v)
        self._next_own = self._own_power.learned
        for quarters in self._quarters:
            self._tracker.update_keyed(quarters)
        self._quarters.clear()


class _RenewalSchedule:
    """Times at which estimates are renewed.

    They depend on timestamps only, so that rows do not depend on how the stream was cut into
    blocks.
    """

    def __init__(self, keyed_v: float) -> None:
        self._keyed_v = keyed_v
        self._first_ns: int | None = None
        self._first_keyed_ns: int | None = None
        self._due_ns = 0

    def split(self, block: SampleBlock) -> Iterator[tuple[SampleBlock, bool]]:
        """Split a block at renewals and where it is too long; True before a renewed part."""
        times = block.time_ns
        begin = 0
        if self._first_keyed_ns is None:
            above = block.forward_v >= self._keyed_v
            if above.any():
                self._first_keyed_ns = int(times[np.argmax(above)])
                self._due_ns = min(self._due_ns, self._first_keyed_ns + SECOND_NS)
        while begin < len(block):
            renews = int(times[begin]) >= self._due_ns
            if renews:
                self._due_ns = self._next_due(int(times[begin]))
            end = min(begin + MOST_PAIRS, len(block))
            if times[end - 1] >= self._due_ns:
                end = int(np.searchsorted(times, self._due_ns))
            yield (block if end - begin == len(block) else block[begin:end]), renews
            begin = end

    def _next_due(self, now_ns: int) -> int:
        if self._first_ns is None:
            self._first_ns = now_ns
        self._first_ns, first_due_ns = _early_renewal(self._first_ns, EARLY, now_ns)
        self._first_keyed_ns, keyed_due_ns = _early_renewal(
            self._first_keyed_ns, EARLY_KEYED, now_ns
        )
        return min((now_ns // RENEW_NS + 1) * RENEW_NS, first_due_ns, keyed_due_ns)


def _early_renewal(since_ns: int | None, early: int, now_ns: int) -> tuple[int | None, int]:
    """Return since when early renewals are counted, and the next of them, NEVER_NS for none.

    When they are over, the start is -NEVER_NS, whenever it was: the state no longer depends on it.
    """
    if since_ns is None:
        return None, NEVER_NS
    seconds = max(now_ns - since_ns, 0) // SECOND_NS
    if seconds >= early:
        return -NEVER_NS, NEVER_NS
    return since_ns, since_ns + SECOND_NS * (1 << int(seconds).bit_length())


def mark(changes: list[AlarmChange], doubtful: Flag) -> list[AlarmChange]:
    """Return alarm changes with the doubtful flags of the pairs at about that time."""
    if not doubtful:
        return changes
    return [
        msgspec.structs.replace(change, flags=change.flags | int(doubtful)) for change in changes
    ]


def _ends(rows: Sequence[Row]) -> list[int]:
    """Return the ends of the ended transmissions among the rows, in order."""
    return sorted(row.end_ns for row in rows if isinstance(row, Transmission) and row.ended)
