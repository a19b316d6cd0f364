"""The stages and the rules over pairs, run over parts of the archive.

They are what takes time, and what they know of the past is soon renewed; the rules over rows, with
memories of weeks, follow in `rules`. Input: parts. Output: messages, of which each holds what the
rules over rows and the store need of one block.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import msgspec
import numpy as np

from logger.blocks import Noise
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.pipeline import OWN_POWER, SETTLING, Pipeline
from logger.recompute.plan import Part, Stretch
from logger.rows import AlarmChange, AlarmKind, ChangeKind, Flag, Memory, Row, Transmission
from logger.stages import usual_level
from logger.stages.decay import DecayMemory
from logger.stages.keying import OwnPower
from logger.stages.quarters import Quarters
from logger.stages.usual_level import UsualLevelMemory
from logger.stages.view import View
from logger.store.archive import Archive, join_alike
from logger.store.database import Database
from logger.store.journal import JournalNotes
from logger.watchdog import StartAt, Watchdog, detector_fault

BLOCK_PAIRS = 131_072  # small segments are processed together


class Step(NamedTuple):
    """What the stages found in some pairs.

    rows      seconds, excursions and ended transmissions
    quarters  without their pairs
    changes   of the rules over pairs, in order of time
    spans     of transmissions (`Transmissions.spans`)
    noise, step_v, active, reported_ns   what `detector-fault` has to know of the last pairs
    doubtful  flags of alarms at about that time
    """

    rows: list[Row]
    quarters: Quarters | None
    changes: Sequence[AlarmChange]
    spans: list[tuple[int, int]]
    noise: Noise
    step_v: tuple[float, float]
    active: bool
    reported_ns: int
    doubtful: Flag


class Begin(NamedTuple):
    """A stretch begins with the pair at `first_ns`."""

    first_ns: int
    stretch: Stretch


class Steps(NamedTuple):
    """The steps of a block of so many pairs."""

    steps: list[Step]
    pairs: int


class End(NamedTuple):
    """A stretch ends with the pair at `last_ns`; the steps are of what was in progress then."""

    steps: list[Step]
    last_ns: int


Message = Begin | Steps | End


class Learned(NamedTuple):
    """What the stages have learned from transmissions and remember for any time."""

    decay: DecayMemory
    usual: UsualLevelMemory


class PairRules(Watchdog):
    """The rules over pairs; `view` is the last one, without its pairs.

    open_kinds   of their alarms
    reported_ns  of `detector-fault`, the last report of a foreign signal
    """

    def __init__(self, config: Config, open_kinds: set[AlarmKind], reported_ns: int) -> None:
        memory = msgspec.json.encode(detector_fault.Memory(foreign_ns=reported_ns))
        super().__init__(config.watchdog, open_kinds, {detector_fault.KIND: memory})
        self.open_kinds = open_kinds
        self.noise = Noise((0.0, 0.0), (0.0, 0.0))
        self.step_v = (0.0, 0.0)

    def update(self, view: View, start_at: StartAt) -> list[AlarmChange]:
        """Return the alarm changes of one block in order of time, some perhaps at the same."""
        changes = self._by_pairs(view, start_at)
        bare = replace(view, block=view.block[:0], keyed=view.keyed[:0], foreign=view.foreign[:0])
        pairs = self.detector.pairs
        self.detector.follow(bare, active=pairs.active, reported_ns=pairs.foreign.reported_ns)
        self.noise, self.step_v = view.noise, view.step_v
        for change in changes:
            if change.change == ChangeKind.RAISED:
                self.open_kinds.add(change.kind)
            else:
                self.open_kinds.discard(change.kind)
        return changes


class PairStages(Pipeline):
    """The stages with the rules over pairs, without those over rows and without faults."""

    rules: PairRules
    steps: list[Step]
    foreign_ns: int

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        notes: JournalNotes,
        memories: dict[str, bytes],
        rules: PairRules,
    ) -> None:
        super().__init__(config, coupler, memories=memories, archive=False)
        self.know_antennas(notes.antennas)
        self._watchdog = self.rules = rules
        self.foreign_ns = rules.detector.pairs.foreign.reported_ns
        self.steps = []

    def flush(self) -> None:
        """Process the collected pairs."""
        self._flush()

    def take_steps(self) -> list[Step]:
        """Return the steps since the last call."""
        steps, self.steps = self.steps, []
        return steps

    def _watch(
        self,
        rows: list[Row],
        quarters: Quarters | None,
        now_ns: int,
        changes: Sequence[AlarmChange] = (),
    ) -> list[Row]:
        self._last_ns = now_ns
        pairs = self.rules.detector.pairs
        rows = [row for row in rows if not isinstance(row, Transmission) or row.ended]
        for row in rows:
            if isinstance(row, Transmission):
                self._estimates.learn(row)
                if pairs.foreign.reported_ns <= row.end_ns:
                    self.foreign_ns = pairs.foreign.reported_ns
        if rows or quarters is not None or changes:
            self.steps.append(
                Step(
                    rows,
                    None if quarters is None else _without_pairs(quarters),
                    changes,
                    self._transmissions.spans,
                    self.rules.noise,
                    self.rules.step_v,
                    pairs.active,
                    pairs.foreign.reported_ns,
                    self._doubtful,
                )
            )
        return []

    @property
    def own_power(self) -> OwnPower:
        """Own powers learned so far."""
        return self._estimates.learned

    @property
    def learned(self) -> Learned:
        """What the stages remember for any time."""
        return Learned(self._settling.memory, self._levels.memory)

    @learned.setter
    def learned(self, learned: Learned) -> None:
        self._settling.recall(learned.decay)
        self._levels.recall(learned.usual)


def _without_pairs(quarters: Quarters) -> Quarters:
    return replace(quarters, first=np.zeros_like(quarters.first), pairs=quarters.pairs[:0])


class PairWalk:
    """The stages on their way through the archive, part by part.

    Its state is what it knows of earlier parts:

    stages      of the stretch in progress, None between stretches
    learned     what stages have remembered, of no use while there are any
    own_power   likewise
    open_kinds  of alarms of the rules over pairs, likewise
    foreign_ns  last report of a foreign signal, as of the last ended transmission
    is_torn     the last stretch ended with an incomplete transmission, or there was none
    has_ended   a transmission has ended so far
    last_ns     time of the last pair

    `watch` is applied to the memories of new stages.
    """

    STATE = (
        "stages",
        "own_power",
        "open_kinds",
        "foreign_ns",
        "is_torn",
        "has_ended",
        "last_ns",
    )

    def __init__(
        self, config: Config, coupler: Coupler, database: Database, notes: JournalNotes
    ) -> None:
        self._config = config
        self.coupler = coupler
        self._archive = Archive(database)
        self._database = database
        self._notes = notes
        self.stages: PairStages | None = None
        self.learned = Learned(DecayMemory(), UsualLevelMemory())
        self.own_power = OwnPower()
        self.open_kinds: set[AlarmKind] = set()
        self.foreign_ns = 0
        self.is_torn = True
        self.has_ended = False
        self.last_ns = 0
        self.watch: Callable[[Learned], Learned] = lambda learned: learned

    def run(self, part: Part) -> Iterator[Message]:
        """Process a part, which follows what was processed so far; yield the messages."""
        blocks = self._archive.blocks(part.since_ns, part.until_ns)
        for block in join_alike(blocks, BLOCK_PAIRS):
            if self.stages is None:
                first_ns = int(block.time_ns[0])
                self._begin(first_ns, part.stretch)
                yield Begin(first_ns, part.stretch)
            assert self.stages is not None
            self.last_ns = int(block.time_ns[-1])
            self.stages.process(block)
            yield self._take(self.stages, len(block))
        if part.is_last and self.stages is not None:
            stages = self.stages
            stages.flush()
            yield self._take(stages, 0)
            # What is cut short is not learned from: after a crash it would be unknown as well.
            self.learned, self.own_power = stages.learned, stages.own_power
            self.open_kinds, self.foreign_ns = stages.rules.open_kinds, stages.foreign_ns
            self.is_torn = part.stretch.torn
            stages.finish()
            self.stages = None
            yield End(stages.take_steps(), self.last_ns)

    def _take(self, stages: PairStages, pairs: int) -> Steps:
        steps = stages.take_steps()
        self.has_ended |= any(isinstance(row, Transmission) for step in steps for row in step.rows)
        return Steps(steps, pairs)

    def _begin(self, first_ns: int, stretch: Stretch) -> None:
        if self.is_torn or first_ns != stretch.since_ns:
            self.open_kinds = select_open_kinds(self._database, first_ns)
        rules = PairRules(self._config, set(self.open_kinds), self.foreign_ns)
        contents = encode_memories(self.learned, self.own_power)
        memories = {memory.rule: memory.content for memory in contents}
        self.stages = PairStages(self._config, self.coupler, self._notes, memories, rules)
        self.stages.learned = self.watch(self.stages.learned)

    @property
    def latest_own_power(self) -> OwnPower:
        """Own powers learned so far."""
        return self.own_power if self.stages is None else self.stages.own_power

    @property
    def memory(self) -> Learned:
        """What has been learned so far."""
        return self.learned if self.stages is None else self.stages.learned

    @memory.setter
    def memory(self, learned: Learned) -> None:
        if self.stages is None:
            self.learned = learned
        else:
            self.stages.learned = learned

    def state(self) -> dict[str, Any]:
        """Return the state between two parts."""
        return {name: getattr(self, name) for name in self.STATE}

    def set_state(self, state: Mapping[str, Any]) -> None:
        """Set the state."""
        for name in self.STATE:
            setattr(self, name, state[name])

    def essentials(self) -> tuple[Any, ...]:
        """Return that of the state on which the following messages depend."""
        if self.stages is not None:
            return self.stages, self.last_ns
        return self.own_power, self.open_kinds, self.foreign_ns, self.is_torn


def encode_memories(learned: Learned, own_power: OwnPower) -> list[Memory]:
    """Return the memories of the stages as the pipeline takes and returns them."""
    return [
        Memory(name, msgspec.json.encode(content))
        for name, content in (
            (SETTLING, learned.decay),
            (usual_level.KIND, learned.usual),
            (OWN_POWER, own_power),
        )
    ]


def select_open_kinds(database: Database, time_ns: int) -> set[AlarmKind]:
    """Return the kinds of stored alarms that were open at a time."""
    rows = database.query(
        "SELECT kind FROM alarms WHERE raised_ns < ?1 AND (cleared_ns IS NULL OR cleared_ns >= ?1)",
        (time_ns,),
    )
    return {AlarmKind(kind) for (kind,) in rows}
