"""The one path: volts of a block through every stage to rows. No threads, no clocks.

Live, replayed and simulated pairs all go through here, and only their timestamps matter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

import msgspec
import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import PowerBlock
from logger.calibration.coupler import Coupler
from logger.config.load import Config, WeatherOptions
from logger.rows import AlarmChange, Flag, Memory, Row, Samples, Transmission
from logger.stages import decay, usual_level
from logger.stages.excursions import Excursions
from logger.stages.keying import RELEASE, Keying
from logger.stages.levels import Levels
from logger.stages.noise import NoiseTracker
from logger.stages.own_power import OwnPower, OwnPowerTracker
from logger.stages.quarters import Quarters
from logger.stages.selection import Selection, ThinSample
from logger.stages.settling import Settling
from logger.stages.transmissions import Transmissions
from logger.stages.view import View, impossible_ratio
from logger.stages.weather_means import WeatherMeans
from logger.watchdog import Watchdog
from logger.watchdog.rule import recalled

SECOND_NS = 1_000_000_000
GATHER_NS = 1_000_000_000  # quiet blocks are gathered for so long at most
# The noise estimate, which tells of a quarter of an hour (see `noise`), is renewed 1, 2, 4, ... and
# EARLY s after the first pair and EARLY_KEYED s after the first key-down, then every RENEW_NS. Each
# renewal cuts a block in two.
EARLY, EARLY_KEYED = 512, 64
RENEW_NS = 600 * SECOND_NS
OWN_POWER, SETTLING = "own-power", "settling"  # names of the memories of stages
MOST_PAIRS = 65_536  # worked on at once, so that they stay in the cache


class Pipeline:
    """Calibrates, estimates, segments and watches; returns the rows that became complete.

    open_kinds  alarms that are open from before
    memories    what rules and stages had learned: the content of the last `Memory` of each
    archive     whether pairs for the archive, and the weather, are among the rows
    tap         is shown each block that is worked on, and must not wait
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
        content = coupler.content
        self._coupler = coupler
        self._keying = Keying(config.transmission.min_forward_w, impossible_ratio(coupler))
        self._own_power = OwnPowerTracker(recalled(OWN_POWER, memories or {}, OwnPower))
        self._own = self._own_ready = self._own_power.learned
        self._tracker = NoiseTracker(
            (content.noise.forward_v, content.noise.reflected_v),
            (content.forward.zero_v, content.reflected.zero_v),
            content.converter.step_v,
        )
        self._noise = self._tracker.noise()
        station = config.station
        hang_ns = round(config.transmission.hang_ms * 1e6)
        self._settling = Settling(
            (content.forward.zero_v, content.reflected.zero_v),
            recalled(SETTLING, memories or {}, decay.DecayMemory),
            hang_ns,
        )
        self._thin_sample = ThinSample()
        self._selection = Selection(hang_ns) if archive else None
        told = archive and config.weather != WeatherOptions()
        self._weather = WeatherMeans(config.weather) if told else None
        self._tap = tap
        self._begins = True
        self._transmissions = Transmissions(
            coupler,
            hang_ns,
            round(config.watchdog.high_swr.hold_ms * 1e6),
            station.channel,
            station.frequency_khz,
        )
        self._levels = Levels(
            coupler,
            hang_ns,
            recalled(usual_level.KIND, memories or {}, usual_level.UsualLevelMemory),
        )
        self._excursions = Excursions(coupler)
        self._watchdog = Watchdog(config.watchdog, open_kinds, memories, hang_ns)
        quiet_w = RELEASE * config.transmission.min_forward_w
        self._quiet_v = (
            float(coupler.forward.volts(quiet_w)),
            float(coupler.reflected.volts(quiet_w)),
        )
        self._gathered: list[SampleBlock] = []
        self._unmeasured: list[Quarters] = []  # that the noise has not been measured on yet
        self._doubtful = Flag(0)
        self._first_ns: int | None = None
        self._first_keyed_ns: int | None = None
        self._renew_ns = 0

    @property
    def keyed(self) -> bool:
        """Whether a transmission is going on (the hang time counts)."""
        return self._transmissions.under_way

    def process(self, block: SampleBlock) -> list[Row]:
        """Take in one block; the rows that it completed, in the order to store them.

        While nobody transmits small blocks are gathered and worked on together, which changes
        nothing in the rows and most of what an idle station costs.
        """
        rows: list[Row] = []
        if self._gathered and (block.gap or block.clock_step != self._gathered[0].clock_step):
            rows = self._flush()
        self._gathered.append(block)
        since_ns = int(self._gathered[0].time_ns[0])
        if int(block.time_ns[-1]) - since_ns < GATHER_NS and self._quiet(block):
            return rows
        return rows + self._flush()

    def tick(self, now_ns: int) -> list[Row]:
        """Time has reached `now_ns` without a pair."""
        rows = self._flush()
        self._settling.advance(now_ns, self._noise.sd_v)
        ended = self._transmissions.advance(now_ns)
        quarters = self._levels.advance(now_ns, self._noise, _ends(ended))
        if quarters is not None:
            self._unmeasured.append(quarters)
        found = self._excursions.update(quarters, now_ns, self._noise)
        rows += self._watched([*ended, *found], quarters)
        return rows + self._marked(self._watchdog.tick(now_ns))

    def finish(self, flag: Flag | None = None) -> list[Row]:
        """No more pairs will come: end what is going on."""
        rows = self._flush()
        quarters = self._levels.finish(self._noise)
        found = self._excursions.finish(quarters, self._noise)
        # What is cut short teaches nothing: after a crash nobody would know of it either.
        last = self._watched([*found, *self._transmissions.finish(flag)], quarters)
        rows += [row for row in last if not isinstance(row, Memory)]
        if self._weather is not None:
            rows += self._weather.finish()
        return rows

    def know_work(self, times_ns: Iterable[int]) -> None:
        """All times at which somebody repaired or adjusted something, by the journal."""
        self._watchdog.know_work(times_ns)

    def _quiet(self, block: SampleBlock) -> bool:
        """Nothing is going on, and no reading of the block could begin anything."""
        return bool(
            not self._transmissions.under_way
            and not self._watchdog.data_missed
            and block.forward_v.max() < self._quiet_v[0]
            and block.reflected_v.max() < self._quiet_v[1]
        )

    def _flush(self) -> list[Row]:
        gathered, self._gathered = self._gathered, []
        if not gathered:
            return []
        return [row for part in self._parts(join(gathered)) for row in self._process(part)]

    def _process(self, samples: SampleBlock) -> list[Row]:
        noise = self._noise
        least_v = self._coupler.content.converter.step_v
        stated_v = (max(samples.step_v[0], least_v), max(samples.step_v[1], least_v))
        step_v = (max(stated_v[0], noise.step_v[0]), max(stated_v[1], noise.step_v[1]))
        forward_w, reflected_w, flags = self._coupler.power(samples)
        flags[0] |= np.uint8(Flag.GAP) * samples.gap
        flags |= np.uint8(Flag.CLOCK_STEP) * samples.clock_step
        keyed, foreign = self._keying.update(forward_w, reflected_w, self._own)
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
            samples.aux,
            below,
            hidden,
        )
        rows = self._transmissions.update(block, keyed, noise)
        view = View(block, keyed, noise, self._coupler, step_v, foreign, self._own)
        if self._tap is not None:
            self._tap(view)
        quarters = self._levels.update(view, _ends(rows))
        rows += self._excursions.update(quarters, int(block.time_ns[-1]), noise)
        changes = self._watchdog.update(view, self._transmissions.start_at)
        self._doubtful = Flag.CLOCK_STEP if samples.clock_step else Flag(0)
        rows = self._watched(rows, quarters, changes)
        quiet = self._thin_sample.update(samples.time_ns, keyed | foreign)
        self._tracker.update(samples.forward_v[quiet], samples.reflected_v[quiet], stated_v)
        # Only now what was over without a pair: a replay has no ticks.
        self._own_ready = self._own_power.learned
        for over in (*self._unmeasured, *([] if quarters is None else [quarters])):
            self._tracker.update_keyed(over)
        self._unmeasured = []
        if self._selection is not None:
            for part in self._selection.update(samples, keyed | foreign, quiet):
                rows.append(Samples(part, begins=self._begins))
                self._begins = False
        if self._weather is not None and samples.aux:
            rows += self._weather.update(samples)
        return rows

    def _watched(
        self, rows: list[Row], quarters: Quarters | None, changes: Sequence[AlarmChange] = ()
    ) -> list[Row]:
        """Return complete rows, the alarm changes that they cause beside those given, and, with an
        ended transmission, the memories of rules and stages."""
        found = self._watchdog.rows(rows, quarters, self._transmissions.start_at)
        both = self._marked(sorted([*changes, *found], key=lambda change: change.time_ns))
        ended = [row for row in rows if isinstance(row, Transmission) and row.ended]
        if not ended:
            return [*rows, *both]
        for row in ended:
            self._own_power.learn(row)
        memories = {
            SETTLING: msgspec.json.encode(self._settling.memory),
            OWN_POWER: msgspec.json.encode(self._own_power.learned),
            usual_level.KIND: msgspec.json.encode(self._levels.memory),
            **self._watchdog.memories(),
        }
        return [*rows, *both, *(Memory(*each) for each in memories.items())]

    def _marked(self, changes: list[AlarmChange]) -> list[AlarmChange]:
        """Alarm changes flagged like the pairs of about that time."""
        if not self._doubtful:
            return changes
        return [
            msgspec.structs.replace(change, flags=change.flags | int(self._doubtful))
            for change in changes
        ]

    def _parts(self, block: SampleBlock) -> Iterator[SampleBlock]:
        """Cut at the moments when the noise estimate is renewed. They depend on timestamps only,
        so that rows do not depend on how the stream was cut into blocks. Cut what is too long."""
        times = block.time_ns
        begin = 0
        if self._first_keyed_ns is None:
            above = block.forward_v >= self._quiet_v[0]
            if above.any():
                self._first_keyed_ns = int(times[np.argmax(above)])
                self._renew_ns = min(self._renew_ns, self._first_keyed_ns + SECOND_NS)
        while begin < len(block):
            if int(times[begin]) >= self._renew_ns:
                self._noise = self._tracker.noise()
                self._own = self._own_ready
                self._renew_ns = self._next_renewal(int(times[begin]))
            end = min(begin + MOST_PAIRS, len(block))
            if times[end - 1] >= self._renew_ns:
                end = int(np.searchsorted(times, self._renew_ns))
            if begin == 0 and end == len(block):
                yield block
            else:
                yield block[begin:end]
            begin = end

    def _next_renewal(self, now_ns: int) -> int:
        if self._first_ns is None:
            self._first_ns = now_ns
        due_ns = (now_ns // RENEW_NS + 1) * RENEW_NS
        for since_ns, early in ((self._first_ns, EARLY), (self._first_keyed_ns, EARLY_KEYED)):
            if since_ns is None:
                continue
            seconds = max(now_ns - since_ns, 0) // SECOND_NS
            if seconds < early:
                due_ns = min(due_ns, since_ns + SECOND_NS * (1 << int(seconds).bit_length()))
        return due_ns


def _ends(rows: Sequence[Row]) -> list[int]:
    """Return the ends of the transmissions among rows that have ended, in order."""
    return sorted(row.end_ns for row in rows if isinstance(row, Transmission) and row.ended)
