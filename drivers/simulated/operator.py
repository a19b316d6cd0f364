"""Who keys the transmitter, when, and what the carrier's envelope then looks like."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np

from drivers.channels import CHANNEL_MHZ
from drivers.simulated.randomness import Stream, generator
from drivers.simulated.station import ComplexArray, FloatArray, NotNegative, Positive

Mode = Literal["fm", "am", "ssb"]
Channel = Annotated[int, msgspec.Meta(ge=1, le=40)]

WINDOW_S = 3600.0  # random schedules are drawn an hour at a time, each hour by itself
LEAST_GAP_S = 2.0  # between random transmissions
RAMP_S = 0.005  # of the carrier at key-down and key-up
AM_DEPTH = 0.7


class PlannedTransmission(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """One planned key-down; `power_w` is the carrier in FM and AM, the envelope's peak in SSB."""

    at_s: NotNegative
    duration_s: Positive
    mode: Mode = "fm"
    power_w: Positive = 4.0
    channel: Channel = 20


class RandomSchedule(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """Key-downs at random; ranges are [least, most]."""

    transmissions_per_hour: NotNegative = 20.0
    seconds: tuple[Positive, Positive] = (3.0, 25.0)
    modes: Annotated[tuple[Mode, ...], msgspec.Meta(min_length=1)] = ("fm",)
    channels: Annotated[tuple[Channel, ...], msgspec.Meta(min_length=1)] = (20,)
    power_w: tuple[Positive, Positive] = (3.6, 4.0)

    def __post_init__(self) -> None:
        if self.seconds[0] > self.seconds[1] or self.power_w[0] > self.power_w[1]:
            raise ValueError("a range is [lowest, highest]")
        if self.seconds[1] > WINDOW_S / 2:
            raise ValueError("random transmissions last at most 1800 s")


class Operator(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """Either a list of transmissions or a random schedule; without both, a random one."""

    transmissions: tuple[PlannedTransmission, ...] | None = None
    random: RandomSchedule | None = None

    def __post_init__(self) -> None:
        if self.transmissions is None:
            return
        if self.random is not None:
            raise ValueError("give transmissions or random, not both")
        ordered = sorted(self.transmissions, key=lambda planned: planned.at_s)
        for one, following in itertools.pairwise(ordered):
            if one.at_s + one.duration_s > following.at_s:
                raise ValueError(
                    f"the transmission at {following.at_s:g} s begins before the one at "
                    f"{one.at_s:g} s ends"
                )


@dataclass(frozen=True, slots=True)
class KeyDown:
    """One key-down; times in seconds since the start of the simulation."""

    start_s: float
    end_s: float
    mode: Mode
    power_w: float
    channel: int
    number: tuple[int, int]  # hour and place in it, or 0 and place in the list; seeds the speech

    @property
    def frequency_mhz(self) -> float:
        """The carrier's frequency."""
        return CHANNEL_MHZ[self.channel]


class Schedule:
    """All key-downs of a simulation, found by time and never stored as a whole."""

    def __init__(self, operator: Operator, seed: int) -> None:
        self._random = operator.random or RandomSchedule()
        self._listed: tuple[KeyDown, ...] | None = None
        if operator.transmissions is not None:
            ordered = sorted(operator.transmissions, key=lambda planned: planned.at_s)
            self._listed = tuple(
                KeyDown(
                    planned.at_s,
                    planned.at_s + planned.duration_s,
                    planned.mode,
                    planned.power_w,
                    planned.channel,
                    (0, place),
                )
                for place, planned in enumerate(ordered)
            )

        @functools.lru_cache(maxsize=64)
        def hour(number: int) -> tuple[KeyDown, ...]:
            return random_hour(self._random, seed, number)

        @functools.lru_cache(maxsize=8)
        def speech(key_down: KeyDown) -> Speech:
            rng = generator(seed, Stream.SPEECH, *key_down.number)
            return draw_speech(rng, key_down.start_s, key_down.end_s)

        self._hour, self._speech = hour, speech

    def key_downs(self, since_s: float, until_s: float) -> list[KeyDown]:
        """Return the key-downs that overlap the span, in order."""
        if self._listed is not None:
            candidates = self._listed
        else:
            first, last = (max(0, int(edge // WINDOW_S)) for edge in (since_s, until_s))
            candidates = tuple(
                key_down for number in range(first, last + 1) for key_down in self._hour(number)
            )
        return [each for each in candidates if each.end_s > since_s and each.start_s < until_s]

    def channel(self, t_s: FloatArray) -> FloatArray:
        """Return the channel that the radio is set to; it is turned as soon as a key-down ends."""
        near = (
            list(self._listed)
            if self._listed is not None
            else self.key_downs(float(t_s[0]) - WINDOW_S, float(t_s[-1]) + WINDOW_S)
        )
        if not near:
            return np.full(len(t_s), float(self._random.channels[0]))
        place = np.searchsorted([each.end_s for each in near], t_s, side="right")
        return np.array([float(each.channel) for each in near])[np.minimum(place, len(near) - 1)]

    def amplitude(self, key_down: KeyDown, t_s: FloatArray) -> FloatArray:
        """Return the envelope at increasing times within the key-down, 1 at `power_w`."""
        edge = np.minimum(t_s - key_down.start_s, key_down.end_s - t_s)
        ramp = np.sin(np.pi / 2 * np.clip(edge / RAMP_S, 0.0, 1.0)) ** 2
        if key_down.mode == "fm":
            return ramp
        speech = self._speech(key_down)
        if key_down.mode == "am":
            return np.asarray(ramp * (1 + AM_DEPTH * speech_at(speech, t_s).real))
        return np.asarray(ramp * np.abs(speech_at(speech, t_s)))


def random_hour(schedule: RandomSchedule, seed: int, number: int) -> tuple[KeyDown, ...]:
    """Return the key-downs of one hour; none crosses its end."""
    rng = generator(seed, Stream.SCHEDULE, number)
    count = int(rng.poisson(schedule.transmissions_per_hour))
    length = rng.uniform(*schedule.seconds, size=count)
    taken = np.cumsum(length + LEAST_GAP_S)
    count = int(np.count_nonzero(taken < WINDOW_S))  # an hour holds no more
    length, taken = length[:count], taken[:count]
    if count == 0:
        return ()
    # Spread what is left of the hour between them.
    spare = np.sort(rng.uniform(0.0, WINDOW_S - taken[-1], size=count))
    start = number * WINDOW_S + spare + taken - length
    power = rng.uniform(*schedule.power_w, size=count)
    mode = rng.integers(len(schedule.modes), size=count)
    channel = rng.integers(len(schedule.channels), size=count)
    return tuple(
        KeyDown(
            float(start[i]),
            float(start[i] + length[i]),
            schedule.modes[mode[i]],
            float(power[i]),
            schedule.channels[channel[i]],
            (number, i),
        )
        for i in range(count)
    )


@dataclass(frozen=True, slots=True, eq=False)
class Speech:
    """Syllables, one per element: times in s, loudness up to 1, pitch in Hz, two overtones."""

    start_s: FloatArray
    length_s: FloatArray
    gain: FloatArray
    pitch_hz: FloatArray
    second: FloatArray
    third: FloatArray


def draw_speech(rng: np.random.Generator, start_s: float, end_s: float) -> Speech:
    """Return syllables that fill the span, with the gaps of words and pauses for breath up to 1 s.

    The figures are those of unhurried speech: three to five syllables a second.
    """
    count = int((end_s - start_s) / 0.12) + 2
    length = rng.uniform(0.12, 0.28, size=count)
    kind = rng.uniform(size=count)
    within, word, breath = (
        rng.uniform(low, high, size=count) for low, high in ((0.0, 0.03), (0.05, 0.2), (0.4, 1.0))
    )
    gap = np.where(kind < 0.65, within, np.where(kind < 0.92, word, breath))
    start = start_s + 0.05 + np.concatenate(([0.0], np.cumsum(length + gap)[:-1]))
    return Speech(
        start_s=start,
        length_s=length,
        gain=1 - 0.75 * rng.uniform(size=count) ** 2,
        pitch_hz=rng.uniform(95.0, 210.0, size=count),
        second=rng.uniform(0.3, 0.9, size=count),
        third=rng.uniform(0.1, 0.6, size=count),
    )


def speech_at(speech: Speech, t_s: FloatArray) -> ComplexArray:
    """Return the analytic signal of the speech, magnitude up to 1, at increasing times.

    Its real part is the audio, its magnitude the envelope in single sideband, which beats at the
    pitch of the voice.
    """
    place = np.maximum(np.searchsorted(speech.start_s, t_s, side="right") - 1, 0)
    age = t_s - speech.start_s[place]
    part = np.clip(age / speech.length_s[place], 0.0, 1.0)
    second, third = speech.second[place], speech.third[place]
    turn = np.exp(2j * np.pi * speech.pitch_hz[place] * age)
    shape = np.sin(np.pi * part) * speech.gain[place] / (1 + second + third)
    return np.asarray(shape * turn * (1 + turn * (second + turn * third)))
