"""Who keys when: overs in conversations, their envelopes, and opens of a loose plug meanwhile.

The envelope is that of the voltage, relative to the crest of which `Over.watts` tells. FM is a
carrier. Single sideband follows speech: syllables of random level, length and shape in phrases
with pauses, and within a syllable the beat of three strong partials, which goes down nearly to
nothing at the rate of the voice's pitch. AM adds the voice to a carrier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

AM_DEPTH = 0.8
SUPPRESSED = 1e-3  # of the carrier, in voltage
SYLLABLE_S = (0.08, 0.30)
PHRASE_SYLLABLES = (3, 14)
PHRASE_PAUSE_S = (0.2, 1.1)
LEVEL_DB = (-7.0, 4.5)  # of a syllable's crest below full: mean and deviation
VOICED = 0.8  # of the syllables


@dataclass(frozen=True)
class Over:
    """One key-down. `watts` is the carrier of FM and AM and the peak envelope power of SSB.

    Key edges last `rise_s` and `fall_s` within the over; `droop` is the part of the voltage that
    the transmitter loses as it warms, with a time constant of 10 s.
    """

    start_s: float
    end_s: float
    mode: str
    channel: int
    watts: float
    rise_s: float = 0.003
    fall_s: float = 0.003
    droop: float = 0.0
    seed: int = 0

    @property
    def mean_watts(self) -> float:
        """What warms a joint."""
        return self.watts * (0.08 if self.mode == "ssb" else 1.0)


@dataclass(frozen=True)
class Open:
    """The plug's contact is bad for a while: ohm across it, and picofarad of its open gap."""

    start_s: float
    end_s: float
    ohm: float
    pf: float = 0.0

    def impedance(self, khz: float) -> complex:
        """In series with the line, ohm."""
        return 1 / (1 / self.ohm + 2j * math.pi * khz * 1e3 * self.pf * 1e-12)


class Speech:
    """The voice of one over, to be asked at any times."""

    def __init__(self, rng: np.random.Generator, start_s: float, end_s: float) -> None:
        most = int((end_s - start_s) / (SYLLABLE_S[0] * 0.7)) + 2
        lengths = rng.uniform(*SYLLABLE_S, most)
        pauses = rng.uniform(0.0, 0.05, most)
        ends = np.cumsum(rng.integers(*PHRASE_SYLLABLES, most))
        ends = ends[ends < most]
        pauses[ends] += rng.uniform(*PHRASE_PAUSE_S, len(ends))
        lead_s = rng.uniform(0.05, 0.4)
        self._begin = start_s + lead_s + np.cumsum(lengths + pauses) - lengths
        self._length = lengths
        self._level = np.minimum(10 ** (rng.normal(*LEVEL_DB, most) / 20), 1.0)
        self._attack = rng.uniform(0.1, 0.4, most)
        voiced = rng.random(most) < VOICED
        pitch = rng.uniform(90, 220) * rng.uniform(0.85, 1.15, most)
        first = np.where(voiced, pitch, rng.uniform(200, 900, most))
        second = np.where(
            voiced, pitch * rng.integers(2, 7, most), first * rng.uniform(1.3, 2.9, most)
        )
        self._omega = 2 * np.pi * np.stack([first, second])
        self._phase = rng.uniform(0, 2 * np.pi, (2, most))
        self._part = rng.uniform(0.15, 0.7, (2, most))
        self._carry = 2 * np.pi * rng.uniform(300, 800, most)

    def _syllable(self, t: Floats) -> tuple[NDArray[np.int64], Floats]:
        """The syllable of each time and the smooth shape within it, level included."""
        at = np.maximum(np.searchsorted(self._begin, t, side="right") - 1, 0)
        place = (t - self._begin[at]) / self._length[at]
        attack = self._attack[at]
        inside = (place >= 0) & (place <= 1)
        rising = np.where(place < attack, place / attack, (1 - place) / (1 - attack))
        shape = np.sqrt(np.where(inside, rising, 0.0))
        return at, shape * self._level[at]

    def envelope(self, t: Floats) -> Floats:
        """Of single sideband, 0 to 1, (n,) -> (n,)."""
        at, shape = self._syllable(t)
        a, b = self._part[:, at]
        one, two = self._omega[:, at] * t + self._phase[:, at]
        square = 1 + a * a + b * b
        square += 2 * (a * np.cos(one) + b * np.cos(two) + a * b * np.cos(one - two))
        beat = np.sqrt(np.maximum(square, 0.0)) / (1 + a + b)
        return np.asarray(np.maximum(shape * beat, SUPPRESSED))

    def modulated(self, t: Floats) -> Floats:
        """Of an AM carrier of 1, (n,) -> (n,)."""
        at, _ = self._syllable(t)
        return np.asarray(1 + AM_DEPTH * self.envelope(t) * np.cos(self._carry[at] * t))


class Envelope:
    """The voltage of the incident wave of one over as the root of its watts, at any times."""

    def __init__(self, over: Over) -> None:
        self._over = over
        self.steady = over.mode == "fm"
        if not self.steady:
            self._speech = Speech(np.random.default_rng(over.seed), over.start_s, over.end_s)

    def root_watts(self, t: Floats) -> Floats:
        """(n,) -> (n,)."""
        over = self._over
        rising = np.clip((t - over.start_s) / over.rise_s, 0, 1)
        falling = np.clip((over.end_s - t) / over.fall_s, 0, 1)
        edges = np.sin(0.5 * np.pi * rising) * np.sin(0.5 * np.pi * falling)
        root = math.sqrt(over.watts) * edges
        if over.droop:
            root = root * (1 - over.droop * (1 - np.exp(-(t - over.start_s) / 10.0)))
        if over.mode == "ssb":
            return np.asarray(root * self._speech.envelope(t))
        if over.mode == "am":
            return np.asarray(root * self._speech.modulated(t))
        return np.asarray(root)


def random_traffic(
    rng: np.random.Generator,
    start_s: float,
    span_s: float,
    keyed_s: float,
    channels: Sequence[int],
    *,
    modes: Sequence[str] = ("fm", "am", "ssb"),
    powers_w: Sequence[float] = (1.0, 4.0, 12.0),
    lengths_s: tuple[float, float] = (2.0, 60.0),
) -> list[Over]:
    """Overs of about `keyed_s` in all within the span, in conversations of one mode.

    The channel changes now and then from one over to the next, the power too; pauses are long and
    short, some of them shorter than a second.
    """
    conversations: list[list[Over]] = []
    total = 0.0
    while total < keyed_s:
        talk = _conversation(rng, channels, modes, powers_w, lengths_s)
        total += sum(over.end_s - over.start_s for over in talk)
        conversations.append(talk)
    busy_s = sum(talk[-1].end_s + 3.0 for talk in conversations)
    shares = rng.dirichlet(np.ones(len(conversations) + 1)) * max(span_s - busy_s, 0.0)
    overs: list[Over] = []
    at_s = start_s
    for talk, idle_s in zip(conversations, shares[:-1].tolist(), strict=True):
        at_s += idle_s
        overs += [
            replace(over, start_s=over.start_s + at_s, end_s=over.end_s + at_s) for over in talk
        ]
        at_s += talk[-1].end_s + 3.0
    return overs


def _conversation(
    rng: np.random.Generator,
    channels: Sequence[int],
    modes: Sequence[str],
    powers_w: Sequence[float],
    lengths_s: tuple[float, float],
) -> list[Over]:
    """From 1 s on; AM carriers of 4 W at most, since their crests are three times as strong."""
    mode = str(rng.choice(list(modes)))
    channel, watts = int(rng.choice(list(channels))), float(rng.choice(list(powers_w)))
    talk: list[Over] = []
    at_s = 1.0
    for _ in range(int(rng.integers(3, 25))):
        length = float(np.clip(rng.lognormal(2.5, 0.8), *lengths_s))
        talk.append(
            Over(
                at_s,
                at_s + length,
                mode,
                channel,
                min(watts, 4.0) if mode == "am" else watts,
                rise_s=float(rng.uniform(0.001, 0.006)),
                fall_s=float(rng.uniform(0.001, 0.006)),
                droop=float(rng.uniform(0.0, 0.02)),
                seed=int(rng.integers(2**62)),
            )
        )
        quick = rng.random() < 0.1
        at_s += length + float(rng.uniform(0.3, 2.0) if quick else rng.lognormal(2.3, 0.8))
        if rng.random() < 0.15:
            channel = int(rng.choice(list(channels)))
        if rng.random() < 0.1:
            watts = float(rng.choice(list(powers_w)))
    return talk


def random_opens(
    rng: np.random.Generator,
    overs: Sequence[Over],
    *,
    per_minute: float = 3.0,
    lengths_s: tuple[float, float] = (0.01, 0.2),
    ohm: tuple[float, float] = (20.0, 5000.0),
    apart_s: float = 0.5,
    clear_s: float = 0.3,
) -> list[Open]:
    """Opens during the overs, lengths and resistances even over the logarithm.

    They keep `apart_s` from one another, and `clear_s` from the key's edges, since what goes on
    until the key is up is no excursion.
    """
    opens: list[Open] = []
    for over in overs:
        at_s = over.start_s + clear_s + float(rng.exponential(60.0 / per_minute))
        while True:
            length = float(np.exp(rng.uniform(*np.log(lengths_s))))
            if at_s + length > over.end_s - clear_s:
                break
            ohms = float(np.exp(rng.uniform(*np.log(ohm))))
            opens.append(Open(at_s, at_s + length, ohms, float(rng.uniform(0.5, 3.0))))
            at_s += length + apart_s + float(rng.exponential(60.0 / per_minute))
    return opens
