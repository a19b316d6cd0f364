"""Collects pairs and marks from the store for a chart of a capture or transmission."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np

from drivers.contract import SampleBlock
from logger.blocks import Noise
from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile, parse
from logger.charts.traces import RHO, SERIES, Traces, traces
from logger.errors import CalibrationError, StoreError, UsageError
from logger.physics.reflection import rho_of_swr
from logger.places import segment_khz, with_antenna
from logger.rows import CAPTURE_BEFORE_NS, Alarm, AlarmKind
from logger.stages.keying import RELEASE
from logger.stages.noise import NoiseTracker
from logger.stages.selection import AFTER_KEYED_NS
from logger.store.reader import Store
from logger.store.tables import ALARMS, CAPTURES, EXCURSIONS, SECONDS, TRANSMISSIONS, Record
from logger.utc import format_ns, parse_time

SECOND_NS = 1_000_000_000
ALL_PAIRS = 3000  # above this, pairs are drawn in columns
COLUMNS = 900  # number of these columns
NOISE_NS = 75 * SECOND_NS  # pairs with the key up, this long before, give the noise
OF_SECONDS = ("forward_w", "reflected_w", "swr", "swr_noise_low", "swr_noise_high")
USUAL = 20  # preceding transmissions
NEAR_EXCURSIONS = "r.time_ns BETWEEN ? AND ? ORDER BY r.time_ns"
NEAR_ALARMS = "r.raised_ns BETWEEN ? AND ? ORDER BY r.raised_ns"
LEAST_DETAIL_NS, MOST_DETAIL_NS = 50_000_000, 500_000_000  # shown on either side of an event

R = TypeVar("R", Record, Alarm)


class Mark(NamedTuple):
    """Labelled stretch of time, open if `end_ns` is None; `own` if the chart is about it."""

    begin_ns: int
    end_ns: int | None
    words: str
    own: bool


class Scene(NamedTuple):
    """Content of a chart over time.

    zero_ns      origin of the time axis
    span_ns      time shown; detail_ns is the part shown enlarged, None if none is
    usual        usual reflection coefficient and its origin, None if there is none
    limit_swr    SWR and limit_w reflected watts that an alarm was compared with, None if none was
    notes        remarks on the chart
    """

    title: str
    facts: list[str]
    zero_ns: int
    span_ns: tuple[int, int]
    overview: Traces
    relative: bool  # watts are relative
    floor_w: float
    reflected_noise_w: float
    usual: tuple[float, str] | None
    transmissions: list[Mark]
    excursions: list[Mark]
    alarms: list[Mark]
    notes: list[str]
    detail_ns: tuple[int, int] | None = None
    detail: Traces | None = None
    steps: bool = False  # columns are means of seconds
    limit_swr: float | None = None
    limit_w: float | None = None


def capture_of(store: Store, kind: str, row_id: int) -> int:
    """Return the capture of an alarm or excursion.

    Raises UsageError if there is no such row or it has no capture.
    """
    table = ALARMS if kind == "alarm" else EXCURSIONS
    rows = store.select(table, "r.id = ?", row_id)
    if not rows:
        raise UsageError(f"there is no {kind} {row_id}; `mismatchd export {table.name}` lists them")
    capture_id = rows[0].columns["capture_id"]
    if capture_id is None:
        raise UsageError(f"the raw pairs around {kind} {row_id} are no longer stored")
    return int(capture_id)


def of_capture(
    store: Store, capture_id: int, station: str, min_forward_w: float, present: CalibrationFile
) -> Scene:
    """Return the scene of a capture.

    Raises UsageError if there is no such capture, StoreError if none of its pairs are stored.
    """
    span_ns = store.capture(capture_id)
    (record,) = store.select(CAPTURES, "r.id = ?", capture_id)
    own = "r.capture_id = ? ORDER BY r.id"
    excursions, alarms = store.select(EXCURSIONS, own, capture_id), store.alarms(own, capture_id)
    event_ns = span_ns[0] + CAPTURE_BEFORE_NS
    transmissions = _transmissions(store, span_ns)
    current = _current(transmissions, event_ns)
    coupler = _coupler(store, current, present)
    pairs = list(store.archive.blocks(span_ns[0], span_ns[1] + 1))
    if not pairs:
        raise StoreError(f"{store.path}: no raw pairs of capture {capture_id} are stored")
    noise, source = _noise(store, coupler, span_ns[0], span_ns[1], min_forward_w)
    detail_ns = _detail(event_ns, max([event_ns, *(_end_ns(row) for row in excursions)]))
    near_excursions = store.select(EXCURSIONS, NEAR_EXCURSIONS, *detail_ns)
    overview = _traces(pairs, coupler, noise, span_ns)
    detail = list(store.archive.blocks(detail_ns[0], detail_ns[1] + 1))
    beside = excursions[0].columns["swr_beside"] if excursions else None
    usual = _usual(store, current)
    if beside is not None:
        usual = _rho(beside), f"just before and after, SWR {beside:.2f}"
    marks = _excursions(store, span_ns, capture_id), _alarms(store, span_ns, capture_id)
    limits = {alarm.kind: alarm.limit for alarm in alarms}
    return Scene(
        title=f"Capture {capture_id}",
        facts=[
            f"{station}, {record.columns['first_utc']} to {record.columns['last_utc']}",
            f"The event is at {format_ns(event_ns)}.",
            *map(_excursion_words, _first(excursions, near_excursions)),
            *map(_alarm_words, _first(alarms, store.alarms(NEAR_ALARMS, *detail_ns))),
        ],
        zero_ns=event_ns,
        span_ns=span_ns,
        detail_ns=detail_ns,
        overview=overview,
        detail=_traces(detail, coupler, noise, detail_ns),
        relative=coupler.relative_watts,
        floor_w=coupler.readable_floor_w(noise),
        reflected_noise_w=_noise_w(coupler, noise),
        usual=usual,
        limit_swr=limits.get(AlarmKind.HIGH_SWR),
        limit_w=limits.get(AlarmKind.HIGH_REFLECTED_POWER),
        transmissions=[_transmission_mark(row, row is current) for row in transmissions],
        excursions=marks[0],
        alarms=marks[1],
        notes=[source, *_column_note(overview), *_legend(usual, *marks)],
    )


def of_transmission(
    store: Store, transmission_id: int, station: str, min_forward_w: float, present: CalibrationFile
) -> Scene:
    """Return the scene of a transmission.

    Uses its pairs if all are stored, else the means of its seconds. Raises UsageError if there is
    no such transmission, StoreError if neither is stored.
    """
    rows = store.select(TRANSMISSIONS, "r.id = ?", transmission_id)
    if not rows:
        raise UsageError(
            f"there is no completed transmission {transmission_id};"
            " `mismatchd export transmissions` lists them"
        )
    (row,) = rows
    columns = row.columns
    start_ns, end_ns = row.time_ns, _ns(columns["end_utc"])
    around_ns = max((end_ns - start_ns) // 50, SECOND_NS // 5)
    span_ns = start_ns - around_ns, end_ns + around_ns
    coupler = _coupler(store, row, present)
    noise, source = _noise(store, coupler, start_ns, start_ns, min_forward_w)
    pairs = store.archive.blocks(start_ns, end_ns + 1)
    overview = _traces(pairs, coupler, noise, span_ns, columns["samples"])
    notes = [source, *_column_note(overview)]
    steps = overview.pairs < columns["samples"]
    if steps:
        overview = _from_seconds(store, row, end_ns)
        notes = [
            "The raw pairs are past retention: each step is the mean of a second, and its band the"
            " 95 % interval from noise."
        ]
        if not len(overview.time_ns):
            raise StoreError(
                f"{store.path}: neither pairs nor seconds of transmission {transmission_id} are"
                " stored"
            )
    usual = _usual(store, row)
    marks = _excursions(store, span_ns, None), _alarms(store, span_ns, None)
    facts = f"{station}, {columns['start_utc']} to {columns['end_utc']}"
    return Scene(
        title=f"Transmission {transmission_id}",
        facts=[facts, _transmission_words(columns)],
        zero_ns=start_ns,
        span_ns=span_ns,
        overview=overview,
        steps=steps,
        relative=coupler.relative_watts,
        floor_w=coupler.readable_floor_w(noise),
        reflected_noise_w=_noise_w(coupler, noise),
        usual=usual,
        transmissions=[_transmission_mark(row, True)],
        excursions=marks[0],
        alarms=marks[1],
        notes=[*notes, *_legend(usual, *marks)],
    )


# ---- pairs


def _traces(
    blocks: Sequence[SampleBlock] | Iterator[SampleBlock],
    coupler: Coupler,
    noise: Noise,
    span_ns: tuple[int, int],
    count: int | None = None,
) -> Traces:
    """Return all pairs if they are few, else columns."""
    if count is None:
        assert not isinstance(blocks, Iterator)
        count = sum(map(len, blocks))
    return traces(blocks, coupler, noise, span_ns, None if count <= ALL_PAIRS else COLUMNS)


def _from_seconds(store: Store, row: Record, end_ns: int) -> Traces:
    """Return means of seconds as columns; the last is repeated to extend its step to the end."""
    where = "r.time_ns BETWEEN ? AND ? AND r.transmission_id = ? ORDER BY r.time_ns"
    rows = store.select(SECONDS, where, row.time_ns, end_ns, row.id)
    if not rows:
        return Traces(np.empty(0, np.int64), np.empty((SERIES, 0)), np.empty((SERIES, 0)), 0, 0)
    table = np.array(
        [[second.columns[name] for name in OF_SECONDS] for second in (*rows, rows[-1])],
        dtype=np.float64,
    ).T
    table[RHO:] = rho_of_swr(table[RHO:])
    time_ns = np.array([*(second.time_ns for second in rows), end_ns], dtype=np.int64)
    return Traces(time_ns, table, table, SECOND_NS, len(rows))


def _noise(
    store: Store, coupler: Coupler, first_ns: int, last_ns: int, min_forward_w: float
) -> tuple[Noise, str]:
    """Return the noise of the converters and a remark on its origin.

    It is measured on pairs with the key up if there are enough of them.
    """
    content = coupler.content
    tracker = NoiseTracker(
        (content.noise.forward_v, content.noise.reflected_v),
        (content.forward.zero_v, content.reflected.zero_v),
    )
    keyed_ns = -(1 << 62)
    count = 0
    step_v = content.converter.step_v
    for block in store.archive.blocks(first_ns - NOISE_NS, last_ns + 1):
        forward_w = coupler.watts("forward", block.forward_v, block.aux)
        keyed = forward_w >= RELEASE * min_forward_w
        last = np.maximum.accumulate(np.where(keyed, block.time_ns, keyed_ns))
        keyed_ns = int(last[-1])
        quiet = block.time_ns - last > AFTER_KEYED_NS
        count += int(quiet.sum())
        steps = max(block.step_v[0], step_v), max(block.step_v[1], step_v)
        tracker.update(block.forward_v[quiet], block.reflected_v[quiet], steps)
    source = (
        f"measured on {count} pairs with the key up"
        if count >= 64
        else "taken from the calibration"
    )
    return tracker.noise(), (
        f"The light band is the 95 % interval of single pairs from noise, {source};"
        " directivity and calibration shift all of them alike and are left out."
    )


def _noise_w(coupler: Coupler, noise: Noise) -> float:
    """Return the standard deviation of a reflected reading about zero, watts."""
    return float(coupler.reflected.slope(coupler.reflected.zero_v)) * noise.sd_v[1]


def _column_note(traced: Traces) -> list[str]:
    if not traced.width_ns:
        return []
    width_ms = traced.width_ns / 1e6
    return [
        f"{traced.pairs} pairs: each stroke spans the lowest to the highest of those within"
        f" {width_ms:.3g} ms."
    ]


def _legend(
    usual: tuple[float, str] | None, excursions: list[Mark], alarms: list[Mark]
) -> Iterator[str]:
    if usual is not None:
        yield f"Dashed horizontal line: the level {usual[1]}."
    if excursions:
        yield "Grey: an excursion, from its first departing pair to the first pair after it."
    if alarms:
        yield "Dashed vertical line: an alarm is raised."


def _first(rows: list[R], nearby: list[R]) -> list[R]:
    """Return the chart's own rows, then others of about the same time."""
    ids = {row.id for row in rows}
    return rows + [row for row in nearby if row.id not in ids]


def _coupler(store: Store, row: Record | None, present: CalibrationFile) -> Coupler:
    """Return the coupler by the calibration of a transmission, or by the present one."""
    columns = {"calibration_id": None, "frequency_khz": None} if row is None else row.columns
    name, khz = columns["calibration_id"], columns["frequency_khz"]
    text = store.calibrations().get(name) if name else None
    try:
        return Coupler(present if text is None else parse(text, f"calibration {name}"), khz)
    except CalibrationError:
        return Coupler(present, khz)


# ---- marks


def _detail(begin_ns: int, end_ns: int) -> tuple[int, int]:
    around_ns = min(max(3 * (end_ns - begin_ns), LEAST_DETAIL_NS), MOST_DETAIL_NS)
    if begin_ns == end_ns:
        around_ns = MOST_DETAIL_NS
    return begin_ns - around_ns, end_ns + around_ns


def _transmissions(store: Store, span_ns: tuple[int, int]) -> list[Record]:
    where = "r.start_ns <= ? AND r.end_ns >= ? ORDER BY r.start_ns"
    return store.select(TRANSMISSIONS, where, span_ns[1], span_ns[0])


def _current(rows: Sequence[Record], time_ns: int) -> Record | None:
    """Return the last transmission that began at or before a time, else the first."""
    earlier = [row for row in rows if row.time_ns <= time_ns]
    return earlier[-1] if earlier else next(iter(rows), None)


def _transmission_mark(row: Record, own: bool) -> Mark:
    return Mark(row.time_ns, _ns(row.columns["end_utc"]), "", own)


def _excursions(store: Store, span_ns: tuple[int, int], capture_id: int | None) -> list[Mark]:
    return [
        Mark(row.time_ns, _end_ns(row), "", capture_id in (None, row.columns["capture_id"]))
        for row in store.select(EXCURSIONS, NEAR_EXCURSIONS, *span_ns)
    ]


def _alarms(store: Store, span_ns: tuple[int, int], capture_id: int | None) -> list[Mark]:
    return [
        Mark(alarm.raised_ns, alarm.cleared_ns, alarm.kind, capture_id in (None, alarm.capture_id))
        for alarm in store.alarms(NEAR_ALARMS, *span_ns)
    ]


def _usual(store: Store, row: Record | None) -> tuple[float, str] | None:
    """Return the usual reflection coefficient, from earlier transmissions, and its origin."""
    if row is None:
        return None
    where, values = same_place(row.channel, row.columns["frequency_khz"], row.antenna)
    earlier = store.select(
        TRANSMISSIONS,
        f"r.start_ns < ? AND r.swr IS NOT NULL AND {where} ORDER BY r.start_ns DESC LIMIT {USUAL}",
        row.time_ns,
        *values,
    )
    if not earlier:
        return None
    middle = float(np.median([record.columns["swr"] for record in earlier]))
    where = with_antenna("" if row.channel is None else f"channel {row.channel}", row.antenna)
    where = where and f" on {where}"
    preceding = f"{len(earlier)} transmissions" if len(earlier) > 1 else "transmission"
    return _rho(middle), f"of the previous {preceding}{where}, SWR {middle:.2f}"


def same_place(
    channel: int | None, frequency_khz: float | None, antenna: str | None
) -> tuple[str, tuple[Any, ...]]:
    """Return the condition, over `r`, and its values for transmissions comparable with one."""
    if channel is not None or frequency_khz is None:
        return "r.antenna IS ? AND r.channel IS ?", (antenna, channel)
    edges = (float(edge) for edge in segment_khz(np.array(frequency_khz)))
    where = "r.antenna IS ? AND r.channel IS NULL AND r.frequency_khz >= ? AND r.frequency_khz < ?"
    return where, (antenna, *edges)


def _end_ns(row: Record) -> int:
    return row.time_ns + round((row.columns["duration_ms"] or 0.0) * 1e6)


def _excursion_words(row: Record) -> str:
    columns = row.columns
    swr = f"SWR {_swr(columns['swr_peak'])}, {_swr(columns['swr_beside'])} before and after"
    length = f"{columns['duration_ms'] or 0.0:.4g} ms"
    return f"Excursion {columns['id']}: {length}, {swr}{_channel(columns)}"


def _alarm_words(alarm: Alarm) -> str:
    return f"Alarm {alarm.id}: {alarm.kind}, {alarm.severity}: {alarm.detail}"


def _transmission_words(columns: dict[str, float]) -> str:
    low, high = _swr(columns["swr_low"]), _swr(columns["swr_high"])
    swr = f"SWR {_swr(columns['swr'])} ({low} to {high}), highest {_swr(columns['swr_max'])}"
    watts = f"{columns['forward_w_mean']:.3g} W incident"
    parts = [f"{columns['duration_s']:.4g} s", watts, swr if columns["swr"] else "no SWR readable"]
    return ", ".join(parts) + _channel(columns) + (f"; {columns['flags']}" * bool(columns["flags"]))


def _channel(columns: dict[str, Any]) -> str:
    channel = columns["channel"]
    name = with_antenna("" if channel is None else f"channel {channel}", columns["antenna"])
    return name and f", {name}"


def _swr(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"


def _rho(swr: float) -> float:
    return float(rho_of_swr(swr))


def _ns(text: str) -> int:
    return parse_time(text, 0)
