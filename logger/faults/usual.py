"""Usual levels of the channels, and transmissions in a row that are off them.

A level is compared with that of a week or two ago, so that a change that creeps does not hide
itself; after work, with what has been learned since. A transmission off its level is not learned.
"""

from __future__ import annotations

from logger.faults import evidence, ports
from logger.faults.memory import Levels, Run, TrackerMemory
from logger.utc import DAY_NS

WEEK_NS = 7 * DAY_NS
LASTING_NS = DAY_NS // 2  # from one session to another
LEAST = 20.0  # transmissions that a level must come from for a run


def levels(memory: TrackerMemory) -> Levels:
    """Return the levels that transmissions are compared with."""
    return memory.levels | memory.earlier


def compare(memory: TrackerMemory, channel: str, gamma: float, time_ns: int) -> Run | None:
    """Add a transmission to the run of its channel; return the run, None if it is at its level."""
    level = levels(memory).get(channel)
    if level is None or level.count < LEAST or evidence.is_usual(level, gamma):
        memory.runs.pop(channel, None)
        return None
    side = 1 if gamma > level.mean else -1
    run = memory.runs.get(channel)
    if run is None or run.side != side:
        run = memory.runs[channel] = Run(side, time_ns)
    run.transmissions += 1
    return run


def is_lasting(run: Run, time_ns: int) -> bool:
    """True if a level has stayed off from one session to another."""
    return run.transmissions >= evidence.LASTING and time_ns - run.since_ns >= LASTING_NS


def learn(memory: TrackerMemory, channel: str, gamma: float, time_ns: int) -> None:
    """Learn from a transmission at its level."""
    evidence.learn_level(memory.levels, channel, gamma)
    if memory.levels[channel].count >= LEAST:
        memory.earlier.setdefault(channel, memory.levels[channel])
    if time_ns - memory.later_ns >= WEEK_NS:
        memory.earlier, memory.later = memory.earlier | memory.later, dict(memory.levels)
        memory.later_ns = time_ns


def forget(memory: TrackerMemory, work_ns: int) -> None:
    """Begin anew after work, which changes levels."""
    memory.levels, memory.earlier, memory.later, memory.runs = {}, {}, {}, {}
    memory.later_ns = work_ns
    ports.forget(memory.port)
