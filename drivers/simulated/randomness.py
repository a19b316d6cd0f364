"""Separate seeded random numbers for each purpose, independent of the order of draws."""

from __future__ import annotations

import enum

import numpy as np


class Stream(enum.IntEnum):
    """Purpose of a random sequence."""

    NOISE = 1
    SCHEDULE = 2
    SPEECH = 3
    CONTACT = 4


def generator(seed: int, stream: Stream, *index: int) -> np.random.Generator:
    """Return the generator for one purpose and position, e.g. the noise of chunk 7."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, stream, *index])))
