"""State of the stages at a seam between two workers: saved, loaded, compared.

A worker that begins in the middle does not know what was before. It begins some parts earlier, and
its results count if its state at the seam is then the very state in which the part before ended.
The state is compared as a digest of every value in it, with two exceptions, which can be compared
by what use was made of them: the usual levels of places, and the discharge time constants, of which
a low quantile counts.
"""

from __future__ import annotations

import hashlib
import importlib
import io
import pickle
import types
from collections import deque
from collections.abc import Iterator
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from logger.calibration.coupler import Coupler
from logger.recompute.stages import Learned, PairWalk
from logger.stages.decay import REMEMBERED, DecayMemory, choose_constants
from logger.stages.usual_level import MOST_CHANNELS, UsualLevelMemory

NOTHING = Learned(DecayMemory(), UsualLevelMemory())
CONSTANT = (Coupler, partial, types.FunctionType, types.ModuleType, type)


class State(NamedTuple):
    """State of a walk between two parts.

    digest   of all but `learned`
    content  for `load`
    learned  memories
    """

    digest: bytes
    content: bytes
    learned: Learned


class _Appended(list[float]):
    """List that notes what is appended, as (port, value)."""

    def __init__(self, values: list[float], port: int, noted: list[tuple[int, float]]) -> None:
        super().__init__(values)
        self._port, self._noted = port, noted

    def append(self, value: float) -> None:
        """Append and note."""
        super().append(value)
        self._noted.append((self._port, value))


class _Used(dict[str, list[float]]):
    """Dictionary that notes the keys that are read and written."""

    def __init__(self, values: dict[str, list[float]], use: Use) -> None:
        super().__init__(values)
        self._use = use

    def get(self, key: str, default: Any = None) -> Any:
        """Read and note."""
        self._use.read.add(key)
        return super().get(key, default)

    def pop(self, key: str, *default: Any) -> Any:
        """Remove and note."""
        self._use.read.add(key)
        return super().pop(key, *default)

    def __setitem__(self, key: str, value: list[float]) -> None:
        self._use.written.add(key)
        super().__setitem__(key, value)


class Use:
    """What use was made of memories: measured tails, and the places read and written."""

    def __init__(self) -> None:
        self.tails: list[tuple[int, float]] = []
        self.read: set[str] = set()
        self.written: set[str] = set()

    def watch(self, learned: Learned) -> Learned:
        """Return the memories, their use noted from now on."""
        decay, usual = learned
        return Learned(
            DecayMemory(
                _Appended(decay.forward_s, 0, self.tails),
                _Appended(decay.reflected_s, 1, self.tails),
            ),
            UsualLevelMemory(_Used(usual.channels, self)),
        )


def copy_learned(learned: Learned) -> Learned:
    """Return a copy of the memories whose use nobody notes."""
    decay, usual = learned
    return Learned(
        DecayMemory([*decay.forward_s], [*decay.reflected_s]),
        UsualLevelMemory({key: [*levels] for key, levels in usual.channels.items()}),
    )


def follow_use(true: Learned, begun: Learned, ended: Learned, use: Use) -> Learned | None:
    """Return the true memories after a use of others, None if they would have been used otherwise.

    true   memories before
    begun  the memories that were used instead, before; `ended` after
    """
    true, other = copy_learned(true), copy_learned(begun)
    if choose_constants(true.decay) != choose_constants(other.decay):
        return None
    for port, value in use.tails:
        for memory in (true.decay, other.decay):
            constants = (memory.forward_s, memory.reflected_s)[port]
            constants.append(value)
            del constants[:-REMEMBERED]
        if choose_constants(true.decay) != choose_constants(other.decay):
            return None
    channels, used = true.usual.channels, begun.usual.channels
    if any(channels.get(key) != used.get(key) for key in use.read | use.written):
        return None
    for key, levels in ended.usual.channels.items():  # in the order of their use
        if key in use.written:
            channels.pop(key, None)
            channels[key] = [*levels]
    return true if len(channels) <= MOST_CHANNELS else None


def save(walk: PairWalk) -> State:
    """Return the state of a walk, which goes on from it."""
    learned = copy_learned(walk.memory)
    walk.memory = NOTHING
    content = io.BytesIO()
    _Pickler(content, walk.coupler).dump(walk.state())
    digest = hashlib.blake2b(digest_size=16)
    for part in _values(walk.essentials()):
        digest.update(part)
    walk.memory = copy_learned(learned)
    return State(digest.digest(), content.getvalue(), learned)


def load(walk: PairWalk, state: State) -> None:
    """Set the state of a walk."""
    walk.set_state(_Unpickler(io.BytesIO(state.content), walk.coupler).load())
    walk.memory = copy_learned(state.learned)


class _Pickler(pickle.Pickler):
    """Writes all but the coupler and modules, which the other process has."""

    def __init__(self, file: io.BytesIO, coupler: Coupler) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._coupler = coupler

    def persistent_id(self, obj: Any) -> str | None:
        """Return the name of an object that is not written."""
        if obj is self._coupler:
            return ""
        return obj.__name__ if isinstance(obj, types.ModuleType) else None


class _Unpickler(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, coupler: Coupler) -> None:
        super().__init__(file)
        self._coupler = coupler

    def persistent_load(self, pid: str) -> Any:
        """Return the object of a name."""
        return importlib.import_module(pid) if pid else self._coupler


def _values(item: Any) -> Iterator[bytes]:
    """Yield all that an object consists of, but for constants of the configuration."""
    if isinstance(item, np.ndarray):
        yield f"{item.dtype.str}{item.shape}".encode()
        yield item.tobytes()
    elif item is None or isinstance(item, int | float | str | bytes | np.generic):
        yield repr(item).encode()
    elif isinstance(item, tuple | list | deque):
        yield f"{len(item)}".encode()
        for each in item:
            yield from _values(each)
    elif isinstance(item, set | frozenset):
        yield from _values(sorted(item))
    elif isinstance(item, dict):
        yield from _values([*item.items()])
    elif not isinstance(item, CONSTANT):
        yield type(item).__name__.encode()
        names = {name for kind in type(item).__mro__ for name in getattr(kind, "__slots__", ())}
        names |= getattr(item, "__dict__", {}).keys()
        for name in sorted(names):
            yield from _values(getattr(item, name))
