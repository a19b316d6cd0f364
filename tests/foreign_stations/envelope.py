"""Power envelopes of a transmitter: carriers with key clicks and droop, AM, SSB speech, two-tone.

Speech is a train of glottal pulses through three resonances with syllables, unvoiced sounds and
pauses, band-limited to one sideband, so its magnitude is the envelope an SSB transmitter has.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MODES = ("fm", "cw", "am", "ssb", "two-tone")
AUDIO_MODES = ("am", "ssb", "two-tone")
SPEECH_S = 60.0
VOICES = 6


@dataclass(frozen=True)
class Over:
    """One transmission. Times in s from the start of the record; `power_w` is carrier or PEP."""

    start_s: float
    duration_s: float
    mode: str = "fm"
    power_w: float = 4.0
    channel: int = 20
    rise_s: float = 4e-3
    fall_s: float = 4e-3
    droop: float = 0.03  # part of the power lost to a sagging supply and a warm final stage
    droop_s: float = 8.0
    voice: int = 0

    @property
    def end_s(self) -> float:
        """Key-up."""
        return self.start_s + self.duration_s


@lru_cache(maxsize=16)
def make_speech(voice: int, fs_hz: float) -> NDArray[np.complex64]:
    """Return SPEECH_S of one-sideband speech at `fs_hz`, magnitude at most 1."""
    rng = np.random.default_rng([77, voice])
    syllables = int(SPEECH_S * 7)
    sounding = rng.uniform(0.09, 0.28, syllables)
    pause = np.where(rng.random(syllables) < 0.11, rng.uniform(0.2, 0.9, syllables), 0.02)
    counts = np.rint((sounding + pause) * fs_hz).astype(np.int64)
    n = min(int(SPEECH_S * fs_hz), int(counts.sum()))
    which = np.repeat(np.arange(syllables), counts)[:n]
    since = (np.arange(len(which)) - (np.cumsum(counts) - counts)[which]) / fs_hz
    part = np.clip(since / sounding[which], 0.0, 1.0)
    level = np.exp(0.45 * rng.standard_normal(syllables))[which] * np.sin(np.pi * part) ** 0.6
    pitch = rng.uniform(90, 210) * (1 + 0.12 * rng.standard_normal(syllables))[which]
    pitch = np.maximum(pitch * (1.1 - 0.2 * part), 60.0)
    since_pulse = (np.cumsum(pitch / fs_hz) % 1.0) / pitch
    wave: NDArray[Any] = np.zeros(n, dtype=np.complex128)
    for low, high, width, weight in (
        (300, 800, 80, 1),
        (900, 2000, 110, 0.6),
        (2100, 2700, 160, 0.3),
    ):
        centre = rng.uniform(low, high, syllables)[which]
        wave += weight * np.exp(since_pulse * (-np.pi * width + 2j * np.pi * centre))
    hiss = 0.35 * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
    wave = level * np.where((rng.random(syllables) < 0.22)[which], hiss, wave)
    spectrum = np.fft.fft(wave)
    frequency = np.fft.fftfreq(n, 1.0 / fs_hz)
    spectrum[(frequency < 300) | (frequency > 2700)] = 0.0
    wave = np.fft.ifft(spectrum)
    size = np.abs(wave) + 1e-12
    loud = np.percentile(size, 99.0)  # the level control flattens the peaks
    return np.asarray(wave / size * np.tanh(1.3 * size / loud), dtype=np.complex64)


def take_speech(over: Over, fs_hz: float, n: int) -> NDArray[np.complex64]:
    """Return n samples of speech that begin at a place of the over's own."""
    pool = make_speech(over.voice % VOICES, fs_hz)
    begin = int(over.start_s * 7919.0 * fs_hz) % len(pool)
    return np.resize(np.concatenate([pool[begin:], pool[:begin]]), n)


def key_cw(seconds: Array, over: Over) -> Array:
    """Return 1 where a hand key is down, in dots of 50 to 80 ms (n,)."""
    rng = np.random.default_rng(int(over.start_s * 1000) % 2**31)
    dot = rng.uniform(0.05, 0.08)
    units = np.where(rng.random(int(over.duration_s / dot) + 8) < 0.5, 1, 3)
    spaces = rng.choice([1, 1, 1, 3, 7], size=len(units))
    edges = np.cumsum(np.column_stack([units, spaces]).ravel()) * dot
    return np.asarray(np.searchsorted(edges, seconds, side="right") % 2 == 0, dtype=np.float64)


def shape_edges(keyed: Array, rise_s: float, fall_s: float, fs_hz: float) -> Array:
    """Round a 0/1 key line (n,) with a moving mean as long as the rise and fall (power)."""
    width = max(1, round(0.5 * (rise_s + fall_s) * fs_hz))
    total = np.concatenate([[0.0], np.cumsum(keyed)])
    begin = np.maximum(np.arange(len(keyed)) + 1 - width, 0)
    return np.asarray(((total[1:] - total[begin]) / width) ** 2)


def power(over: Over, seconds: Array, fs_hz: float) -> Array:
    """Return forward watts (n,) at `seconds` (n,) since key-down, all within the over."""
    droop = 1.0 - over.droop * -np.expm1(seconds * (-1.0 / over.droop_s))
    result = over.power_w * droop
    if over.mode == "cw":
        return result * shape_edges(key_cw(seconds, over), over.rise_s, over.fall_s, fs_hz)
    if over.mode == "ssb":
        size = np.abs(take_speech(over, fs_hz, len(seconds)))
        result *= size * size
    elif over.mode == "am":
        audio = 1.0 + 0.85 * take_speech(over, fs_hz, len(seconds)).real
        result *= audio * audio
    elif over.mode == "two-tone":
        result *= np.cos(np.pi * 733.0 * seconds) ** 2
    rise, fall = (min(int(s * fs_hz), len(seconds) // 3) for s in (over.rise_s, over.fall_s))
    if rise:
        result[:rise] *= np.sin(0.5 * np.pi * np.arange(1, rise + 1) / (rise + 1)) ** 4
    if fall:
        result[-fall:] *= np.cos(0.5 * np.pi * np.arange(1, fall + 1) / (fall + 1)) ** 4
    return result
