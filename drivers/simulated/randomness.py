"""Seeded random numbers for each purpose apart, so that no draw depends on the order of others."""

from __future__ import annotations

import enum

import numpy as np


class Stream(enum.IntEnum):
    """What a random sequence is for."""

    NOISE = 1
    SCHEDULE = 2
    SPEECH = 3
    CONTACT = 4


def generator(seed: int, stream: Stream, *index: int) -> np.random.Generator:
    """Return the generator of one purpose and place, e.g. the noise of chunk 7."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, stream, *index])))
