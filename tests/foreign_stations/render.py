"""Rendering: overs, openings and foreign signals of a station become a record with its truth.

Only stretches around signals are simulated (`before_s` before and `after_s` after each), at the
bridge's rate. Between them the stream is thinned to one idle pair every `idle_s`; with `idle_s=0`
the whole span is rendered at the full rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.foreign_stations.contact import Open
from tests.foreign_stations.detector import NODES, follow, look_up
from tests.foreign_stations.envelope import AUDIO_MODES, Over, power
from tests.foreign_stations.intruder import Intruder
from tests.foreign_stations.load import insert_series
from tests.foreign_stations.record import EPOCH_NS, Record, Truth
from tests.foreign_stations.station import Station

Array = NDArray[np.float64]
AUDIO_HZ = 6000.0  # least rate inside where audio shapes the envelope
EDGE_HZ = 1000.0  # and elsewhere
COARSE_S = 0.05  # interval of what is slow: wind, heat
GROUP = 300_000  # samples that go through the detectors at once, or more if these are slow


@dataclass(frozen=True)
class Condition:
    """What may change with time, constant during a stretch of record.

    `reflection_shift` adds to the reflection, `line_factor` multiplies it (loss of a wet line);
    `series_ohm` is a steady resistance of a contact, `hot_ohm` what a joint adds when warmed by
    `hot_w` for long, with the time constant `hot_s`.
    """

    forward_db: float = 0.0
    reflected_db: float = 0.0
    reflected_dead: bool = False
    power_factor: float = 1.0
    zero_shift_v: tuple[float, float] = (0.0, 0.0)
    shack_c: float = 20.0
    outdoor_c: float = 15.0
    wind: float = 1.0
    reflection_shift: complex = 0.0
    line_factor: complex = 1.0
    series_ohm: float = 0.0
    hot_ohm: float = 0.0
    hot_w: float = 4.0
    hot_s: float = 20.0


@dataclass
class Stretch:
    """A stretch at full rate: its start, its pairs, samples per pair, and what comes of it."""

    start_s: float
    pairs: int
    factor: int
    steady: NDArray[np.float32]
    forward_w: Array
    reflection: Array
    keyed: NDArray[np.bool_]
    channel: Array
    condition: Condition
    energies: list[float]
    changes: list[tuple[Open, float]]


def plan_stretches(
    station: Station, signals: Sequence[Over | Intruder], before_s: float, after_s: float,
    span_s: tuple[float, float] | None,
) -> list[tuple[float, float]]:  # fmt: skip
    """Return the (start, end) of the stretches at full rate, on the grid of the pairs."""
    if span_s is not None:
        return [span_s]
    spans: list[tuple[float, float]] = []
    for signal in sorted(signals, key=lambda s: s.start_s):
        begin = np.floor((signal.start_s - before_s) * station.rate_hz) / station.rate_hz
        end = signal.end_s + after_s
        if spans and begin <= spans[-1][1] + 1.0:
            spans[-1] = (spans[-1][0], max(spans[-1][1], end))
        else:
            spans.append((float(begin), end))
    return spans


def stretch_coarse(coarse: Array, factor: int, n: int) -> Array:
    """Interpolate an equally spaced series to `factor` times its rate (n,)."""
    ramp = np.arange(factor) / factor
    return (coarse[:-1, None] + np.diff(coarse)[:, None] * ramp).ravel()[:n]


def simulate(
    station: Station, span: tuple[float, float], overs: Sequence[Over], opens: Sequence[Open],
    intruders: Sequence[Intruder], condition: Condition, rng: np.random.Generator,
) -> Stretch:  # fmt: skip
    """Return a stretch up to the steady volts of both detectors (2, n)."""
    beats = any(i.start_s < o.end_s and o.start_s < i.end_s for i in intruders for o in overs)
    is_audio = beats or any(
        mode in AUDIO_MODES for mode in [o.mode for o in overs] + [i.mode for i in intruders]
    )
    factor = max(1, int(np.ceil((AUDIO_HZ if is_audio else EDGE_HZ) / station.rate_hz)))
    fs = station.rate_hz * factor
    pairs = int(np.ceil((span[1] - span[0]) * station.rate_hz)) + 1
    n = (pairs + 1) * factor
    slow = max(1, round(COARSE_S * fs))
    coarse = n // slow + 2

    def index(seconds: float) -> int:
        return int(np.clip(np.ceil((seconds - span[0]) * fs - 1e-6), 0, n))

    watts, keyed = np.zeros(n), np.zeros(n, dtype=np.bool_)
    channel = np.full(coarse, float(overs[0].channel if overs else station.channels[0]))
    parts = []
    for over in overs:
        part = slice(index(over.start_s), index(over.end_s))
        parts.append(part)
        seconds = (np.arange(part.start, part.stop) / fs) - (over.start_s - span[0])
        watts[part] = power(over, seconds, fs)
        keyed[part] = True
        channel[int(part.start / slow) :] = over.channel
    watts *= condition.power_factor

    load, coupler = station.load, station.coupler
    reflection = load.reflection(channel, slow / fs, condition.wind, condition.outdoor_c, rng)
    reflection = reflection * condition.line_factor + condition.reflection_shift
    ohm = np.full(coarse, condition.series_ohm)
    if condition.hot_ohm:
        mean = np.zeros(coarse)
        whole = n // slow
        mean[:whole] = watts[: whole * slow].reshape(whole, slow).mean(axis=1)
        keep = np.exp(-slow / fs / condition.hot_s)
        heat = lfilter([1.0 - keep], [1.0, -keep], mean / condition.hot_w)
        ohm += condition.hot_ohm * heat**1.5
    if condition.series_ohm or condition.hot_ohm:
        reflection = insert_series(reflection, ohm, load.contact_phase)
    gain = 10.0 ** (condition.forward_db / 20.0), 10.0 ** (condition.reflected_db / 20.0)

    match = np.abs(1.0 / (1.0 - reflection * load.source))
    size = np.sqrt(watts)
    forward_v, reflected_v = (
        size * stretch_coarse(port * match, slow, n)
        for port in (
            coupler.forward_gain * np.abs(1.0 + coupler.leak_forward * reflection),
            coupler.reflected_gain * np.abs(reflection + coupler.leak_reflected),
        )
    )
    watts *= stretch_coarse(match * match, slow, n)
    magnitude = stretch_coarse(np.abs(reflection), slow, n)

    changes = []
    events = [(index(o.start_s), index(o.start_s + o.duration_s)) for o in opens]
    events += [(index(i.start_s), index(i.end_s)) for i in intruders]
    for begin, end in join_spans(events):
        local = slice(begin, end)
        at = np.arange(begin, end) / slow
        here = np.interp(at, np.arange(coarse), reflection)
        rest = np.abs(here)
        series = np.zeros(end - begin)
        touched = []
        for contact in opens:
            first, last = index(contact.start_s), index(contact.start_s + contact.duration_s)
            if first < last and begin <= first < end:
                part = slice(first - begin, last - begin)
                series[part] = contact.resistance(last - first, fs)
                touched.append((contact, part))
        if touched:
            here = np.where(series > 0, insert_series(here, series, load.contact_phase), here)
        changes += [(o, float(np.mean(np.abs(here[p]) - rest[p]))) for o, p in touched]
        lift = np.abs(1.0 / (1.0 - here * load.source))
        wave = size[local] * lift
        forward = wave.astype(np.complex128)
        reverse = here * wave
        extra = [np.zeros(end - begin, dtype=np.complex128) for _ in range(2)]
        for intruder in intruders:
            first, last = index(intruder.start_s), index(intruder.end_s)
            if first < last and begin <= first < end:
                part = slice(first - begin, last - begin)
                foreign = intruder.wave(last - first, fs)
                if intruder.path == "antenna":
                    back = np.where(keyed[local][part], load.source, load.receiver)
                    reverse[part] += foreign
                    forward[part] += back * foreign
                for side, name in enumerate(("forward", "reflected")):
                    if intruder.path in ("both", name):
                        extra[side][part] += foreign
        forward_v[local], reflected_v[local] = coupler.ports(forward, reverse, (extra[0], extra[1]))
        watts[local] = wave * wave
        magnitude[local] = np.abs(here)

    steady = np.empty((2, n), dtype=np.float32)
    for side, (detector, volts) in enumerate(
        ((station.forward, forward_v), (station.reflected, reflected_v))
    ):
        volts *= gain[side] * ((NODES - 1) / detector.highest_v)
        steady[side] = look_up(detector.curve(condition.shack_c), volts)
    if condition.reflected_dead:
        steady[1] = 0.0
    energies = [float(watts[part].sum() / fs) for part in parts]
    picked = slice(0, pairs * factor, factor)
    return Stretch(
        span[0], pairs, factor, steady, watts[picked], magnitude[picked], keyed[picked],
        np.repeat(channel, slow)[:n][picked], condition, energies, changes,
    )  # fmt: skip


def join_spans(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the union of half-open index spans, in order, without empty ones."""
    result: list[tuple[int, int]] = []
    for begin, end in sorted(spans):
        if begin >= end:
            continue
        if result and begin <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((begin, end))
    return result


def sample(volts: NDArray[np.float32], position: Array | None, factor: int, pairs: int) -> Array:
    """Return volts (pairs,) at fractional positions, or at every `factor`-th sample."""
    if position is None:
        return volts[: pairs * factor : factor].astype(np.float64)
    return np.asarray(look_up(volts, position))


def group_stretches(stretches: Sequence[Stretch], station: Station) -> Iterator[list[Stretch]]:
    """Yield lists of stretches of one inner rate, large enough for `follow` to be fast."""
    decay_s = max(station.forward.decay_s, station.reflected.decay_s)
    for factor in sorted({s.factor for s in stretches}):
        most = max(GROUP, int(800 * decay_s * factor * station.rate_hz))
        group: list[Stretch] = []
        total = 0
        for stretch in (s for s in stretches if s.factor == factor):
            group.append(stretch)
            total += stretch.steady.shape[1]
            if total > most:
                yield group
                group, total = [], 0
        if group:
            yield group


def render(
    station: Station,
    overs: Sequence[Over],
    opens: Sequence[Open] = (),
    intruders: Sequence[Intruder] = (),
    condition: Condition | Callable[[float], Condition] | None = None,
    *,
    seed: int = 0,
    start_ns: int = EPOCH_NS,
    span_s: tuple[float, float] | None = None,
    idle_s: float = 1.0,
    before_s: float = 3.0,
    after_s: float = 5.0,
) -> Record:
    """Return the record of signals whose times are seconds from `start_ns`.

    `condition` may be a function of the second at which a stretch begins. Overs must not overlap.
    With `span_s` idle pairs fill the whole of it.
    """
    rng = np.random.default_rng([2, seed])
    overs = sorted(overs, key=lambda o: o.start_s)
    opens = sorted(opens, key=lambda o: o.start_s)
    intruders = sorted(intruders, key=lambda i: i.start_s)
    whole = span_s if idle_s == 0 else None
    spans = plan_stretches(station, [*overs, *intruders], before_s, after_s, whole)
    at = condition if callable(condition) else (lambda _: condition or Condition())
    stretches = [
        simulate(
            station,
            span,
            [o for o in overs if span[0] <= o.start_s < span[1]],
            [o for o in opens if span[0] <= o.start_s < span[1]],
            [i for i in intruders if span[0] <= i.start_s < span[1]],
            at(span[0]),
            rng,
        )
        for span in spans
    ]
    volts: dict[int, NDArray[np.float32]] = {}
    attack = np.array([station.forward.attack_s, station.reflected.attack_s])
    decay = np.array([station.forward.decay_s, station.reflected.decay_s])
    for group in group_stretches(stretches, station):
        joined = np.concatenate([s.steady for s in group], axis=1)
        fs = station.rate_hz * group[0].factor
        followed = follow(joined, fs, attack, decay)
        for side, detector in enumerate((station.forward, station.reflected)):
            followed[side] = detector.delay(followed[side], fs)
        begin = 0
        for s in group:
            width = s.steady.shape[1]
            volts[id(s)] = followed[:, begin : begin + width]
            begin += width
    pieces = []
    cursor = span_s[0] if span_s else None
    for s in stretches:
        if cursor is not None:
            pieces.append(idle_pairs(station, cursor, s.start_s, idle_s, at, rng))
        pieces.append(read_stretch(station, s, volts[id(s)], rng))
        cursor = s.start_s + s.pairs / station.rate_hz
    if span_s and idle_s:
        pieces.append(idle_pairs(station, cursor or 0.0, span_s[1], idle_s, at, rng))
    seconds, forward_v, reflected_v, keyed, watts, reflection, channel, shack = (
        np.concatenate([piece[i] for piece in pieces]) for i in range(8)
    )
    time_ns = start_ns + np.rint(seconds * 1e6).astype(np.int64) * 1000
    changes = [c for s in stretches for c in s.changes]
    truth = Truth(
        keyed.astype(np.bool_),
        watts,
        reflection,
        tuple(overs),
        np.array([e for s in stretches for e in s.energies]),
        tuple(o for o, _ in changes),
        np.array([c for _, c in changes]),
        tuple(intruders),
    )
    return Record(
        start_ns,
        time_ns,
        forward_v,
        reflected_v,
        channel if station.reports_channel else None,
        shack if station.reports_temperature else None,
        truth,
    )


Piece = tuple[Array, Array, Array, NDArray[np.bool_], Array, Array, Array, Array]


def read_stretch(
    station: Station, s: Stretch, volts: NDArray[np.float32], rng: np.random.Generator
) -> Piece:
    """Return what the bridge prints for a stretch of detector volts (2, n)."""
    rate = station.rate_hz
    seconds = s.start_s + np.arange(s.pairs) / rate
    position: list[Array | None] = [None, None]
    if station.jitter_s or station.skew_s:
        shake = np.zeros(s.pairs)
        if station.jitter_s:
            shake = np.clip(station.jitter_s * rng.standard_normal(s.pairs), 0, 0.4 / rate)
        base = np.arange(s.pairs) * s.factor + shake * rate * s.factor
        position = [base, base + station.skew_s * rate * s.factor]
        seconds = seconds + shake
    printed = []
    for side in (0, 1):
        pin = sample(volts[side], position[side], s.factor, s.pairs)
        pin += s.condition.zero_shift_v[side]
        printed.append(station.converter.read(pin, seconds, side, rng))
    if station.stamp_jitter_s:
        stamp = station.stamp_jitter_s * rng.standard_normal(s.pairs)
        seconds = seconds + np.clip(stamp, -0.25 / rate, 0.25 / rate)
    shack = np.full(s.pairs, round(s.condition.shack_c, 1))
    return (seconds, *printed, s.keyed, s.forward_w, s.reflection, s.channel, shack)  # type: ignore[return-value]


def idle_pairs(
    station: Station, begin_s: float, end_s: float, idle_s: float,
    at: Callable[[float], Condition], rng: np.random.Generator,
) -> Piece:  # fmt: skip
    """Return thinned pairs of the silent station between two stretches."""
    margin = 0.5 / station.rate_hz
    seconds = np.arange(begin_s + margin, end_s - margin, idle_s) if idle_s else np.zeros(0)
    condition = at(begin_s)
    n = len(seconds)
    forward_v, reflected_v = (
        station.converter.read(np.full(n, condition.zero_shift_v[side]), seconds, side, rng)
        for side in (0, 1)
    )
    rest = abs(station.load.at_middle * condition.line_factor + condition.reflection_shift)
    return (
        seconds, forward_v, reflected_v, np.zeros(n, dtype=np.bool_), np.zeros(n),
        np.full(n, rest), np.full(n, float(station.channels[0])),
        np.full(n, round(condition.shack_c, 1)),
    )  # fmt: skip
