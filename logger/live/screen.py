"""The terminal view as lines of text, for a given width and height. Pure functions.

The reading comes first: the SWR with its interval and a verdict, then the interval on a scale of
the reflection coefficient, then the powers. What does not fit is omitted, the least urgent first.
No colours are used: urgent text is bold or in reverse video, and always in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any, NamedTuple

from rich.text import Text

from logger.live.figures import span_text, swr_text, verdict, watts_text
from logger.live.headline import fault_text, list_states
from logger.live.reading import LiveReading
from logger.live.reading_tracker import ReadingTracker
from logger.live.scale import BOXES, LETTERS, draw_figures, draw_span
from logger.live.status import ForwarderStatus, NotifierStatus, Status
from logger.rows import FaultState
from logger.store.faults import Headline
from logger.wording import count

NARROW = 60  # columns; below this, wording is short
MOST_TRANSMISSIONS = 8
FEW_LINES = 16  # below this, health is shown only if something is wrong
NO_PORT = "the port of the microcontroller bridge is missing; see `mismatchd ports`"
KEYS = "q quits, c clears the highest values"
DIM, STRONG, LOUD = "dim", "bold", "bold reverse"


class AlarmAge(NamedTuple):
    """Open alarm and its age."""

    id: int | None
    kind: str
    seconds: float


@dataclass(frozen=True)
class StationStatus:
    """State from the store and the daemon's status; `transmissions` as exported, newest first."""

    transmissions: Sequence[dict[str, Any]] = ()
    alarms: Sequence[AlarmAge] = ()
    status: Status | None = None
    trouble: str | None = None
    faults: Sequence[Headline] = ()


class Frame(NamedTuple):
    """Settings of the view: station, alarm limit, size and characters."""

    station: str
    swr_limit: float
    width: int
    height: int
    letters: bool = False  # use ASCII characters only
    zone: tzinfo = UTC  # of the times shown


def lines(
    frame: Frame, tracker: ReadingTracker, station: StationStatus, connected: bool, now_s: float
) -> list[Text]:
    """Return the screen: `height` lines of at most `width` characters."""
    top = [_head(frame, tracker, connected, now_s)]
    top += _reflection(frame, tracker, now_s) + _powers(frame, tracker)
    top += _faults(frame, station) + _alarms(frame, tracker, station)
    bottom = [*_health(frame, station, connected), Text(KEYS, DIM)]
    room = frame.height - len(top) - len(bottom)
    roomy = frame.height >= FEW_LINES
    middle = _transmissions(frame, station, room - 2 * roomy)
    gap = [Text("")] if roomy else []
    room_above = max(0, frame.height - len(bottom))
    shown = [*top[:1], *gap, *top[1:], *gap, *middle][:room_above]
    shown += [Text("")] * (room_above - len(shown)) + bottom
    for line in shown:
        line.truncate(frame.width, overflow="crop")
    return shown[: frame.height]


def plain(
    tracker: ReadingTracker,
    limit: float,
    connected: bool,
    now_s: float,
    faults: Sequence[Headline] = (),
    zone: tzinfo = UTC,
) -> str:
    """Return the reading as one line of text, for terminals without cursor control."""
    reading = tracker.newest
    if not connected:
        return "the daemon is not running; waiting for it"
    if reading is None or reading.time is None or tracker.silent(now_s):
        words = "no pairs"
    else:
        words = f"{_marked_clock(reading.time, zone)} {_key(reading)}"
        words += f", forward {watts_text(reading.forward_w)}"
        words += f", reflected {watts_text(reading.reflected_w)}"
        if reading.keyed:
            words += f", {_swr_words(reading)}"
            if reading.swr is not None:
                words += f", {verdict(reading.swr, limit)}"
    if faults:
        words += f"; {list_states(faults)}"
    alarms = "" if reading is None else ", ".join(reading.alarms)
    return words + (f"; ALARM {alarms}" if alarms else "")


def _head(frame: Frame, tracker: ReadingTracker, connected: bool, now_s: float) -> Text:
    reading = tracker.newest
    if not connected:
        words, style = "DAEMON NOT RUNNING, waiting", LOUD
    elif reading is not None and tracker.silent(now_s):
        words, style = "NO PAIRS from the bridge", LOUD
    elif reading is None or reading.time is None:
        words, style = "waiting for a pair", STRONG
    else:
        words, style = _key(reading), "bold" if reading.keyed else ""
        words += f"  {_marked_clock(reading.time, frame.zone)}"
    name = frame.station[: max(0, frame.width - len(words) - 2)]
    pad = " " * max(1, frame.width - len(name) - len(words))
    return Text.assemble((name, "bold"), pad, (words, style))


def _clock(utc: str, zone: tzinfo) -> tuple[str, str]:
    """Return the time of day in a zone, and the name of the zone."""
    time = datetime.fromisoformat(utc).astimezone(zone)
    return f"{time:%H:%M:%S}", f"{time:%Z}"


def _marked_clock(utc: str, zone: tzinfo) -> str:
    return f"{utc[11:19]}Z" if zone is UTC else " ".join(_clock(utc, zone))


def _key(reading: LiveReading) -> str:
    channel = "" if reading.channel is None else f" ch {reading.channel}"
    return f"KEY DOWN{channel}" if reading.keyed else f"key up{channel}"


def _reflection(frame: Frame, tracker: ReadingTracker, now_s: float) -> list[Text]:
    """Return the SWR with its verdict, and its interval on the scale."""
    reading = tracker.keyed
    swr = low = high = None
    keyed = tracker.newest is not None and tracker.newest.keyed
    style = STRONG if keyed else DIM
    if reading is None:
        words = Text("SWR -  nothing keyed yet", DIM)
    else:
        swr, low, high = reading.swr, reading.swr_low, reading.swr_high
        words = Text(_swr_words(reading), style)
        if swr is not None:
            judged = verdict(swr, frame.swr_limit)
            words.append("  ").append(judged, LOUD if keyed and judged == "too high" else style)
        if not keyed:
            ago = f"  {span_text(max(0.0, now_s - tracker.keyed_s) // 1)} ago"
            words.append(ago if len(words) + len(ago) <= frame.width else ago[1:-4])
    signs = LETTERS if frame.letters else BOXES
    caption = f"reflection coefficient; {signs.limit} limit, SWR {frame.swr_limit:g}"
    return [
        words,
        Text(draw_span(swr, low, high, frame.swr_limit, frame.width, signs), style),
        Text(draw_figures(frame.width), DIM),
        Text(caption, DIM),
    ]


def _powers(frame: Frame, tracker: ReadingTracker) -> list[Text]:
    """Return the powers of the newest reading and the highest values since key-down."""
    reading, peaks = tracker.newest, tracker.peaks
    forward, reflected = (
        (None, None) if reading is None else (reading.forward_w, reading.reflected_w)
    )
    now = f"forward {watts_text(forward)}, reflected {watts_text(reflected)}"
    swr = "-" if peaks.swr is None else swr_text(peaks.swr)
    highest = f"{watts_text(peaks.forward_w)}, {watts_text(peaks.reflected_w)}, SWR {swr}"
    since = "highest" if frame.width < NARROW else "highest 0.1 s mean since key-down:"
    return [Text(now), Text(f"{since} {highest}", DIM)]


def _faults(frame: Frame, station: StationStatus) -> list[Text]:
    """Return one line about the faults that are not closed."""
    if not station.faults:
        return []
    faults = station.faults
    words = fault_text(faults[0]) if len(faults) == 1 else list_states(faults)
    if frame.letters:
        words = words.encode("ascii", "replace").decode()
    name, _, rest = words.partition(" ")
    words = f"{name.upper()} {rest}"
    if len(words) > frame.width:
        words = f"{words[: frame.width - 1]}{'.' if frame.letters else '…'}"
    is_open = any(fault.state == FaultState.OPEN for fault in faults)
    return [Text(words, LOUD if is_open else STRONG)]


def _alarms(frame: Frame, tracker: ReadingTracker, station: StationStatus) -> list[Text]:
    alarms = {alarm.kind: alarm for alarm in station.alarms}
    kinds = tracker.newest.alarms if tracker.newest is not None else tuple(alarms)
    if not kinds:
        return [Text("no alarm" if station.trouble is None else "", DIM)]
    words = []
    for kind in kinds:
        alarm = alarms.get(kind)
        words.append(kind if alarm is None else f"{kind} ({alarm.id}, {span_text(alarm.seconds)})")
    rows, row = [], "ALARM"
    for word in words:
        if len(row) + 1 + len(word) > frame.width and row != "ALARM":
            rows.append(Text(row, LOUD))
            row = "     "
        row += f" {word}"
    return [*rows, Text(row, LOUD)]


def _transmissions(frame: Frame, station: StationStatus, room: int) -> list[Text]:
    if room < 1:
        return []
    narrow = frame.width < NARROW
    shown = station.transmissions[: min(room - 1, MOST_TRANSMISSIONS)]
    zone = _clock(shown[0]["start_utc"], frame.zone)[1] if shown else "UTC"
    head = f"{f'start {zone}':9.11}   time  ch  watts   SWR"
    if not narrow:
        head = f"transmissions  {head}    95 %            highest"
    rows = [Text(head[: frame.width], DIM)]
    for row in shown:
        channel = "-" if row["channel"] is None else str(row["channel"])
        watts = row["forward_w_mean"]
        clock, _ = _clock(row["start_utc"], frame.zone)
        words = f"{clock} {span_text(row['duration_s']):>7}{channel:>4}"
        words += f"{watts_text(watts).removesuffix(' W'):>7}"
        words += "     -" if row["swr"] is None else f"{swr_text(row['swr']):>6}"
        if not narrow:
            words = " " * 15 + words
            if row["swr"] is not None:
                interval = f"{swr_text(row['swr_low'])} to {swr_text(row['swr_high'])}"
                words += f"    {interval:16}{swr_text(row['swr_max'])}"
        rows.append(Text(words))
    if len(rows) == 1:
        rows = [Text("no transmissions stored yet", DIM)]
    return rows


def _health(frame: Frame, station: StationStatus, connected: bool) -> list[Text]:
    status = station.status
    if station.trouble is not None:
        return [Text(station.trouble, STRONG)]
    if status is None or not connected:
        return []
    troubles = []
    if not status.pairs_per_s and status.counters.get("link_lost"):
        troubles.append(NO_PORT)
    if status.store_error:
        troubles.append(f"store: {status.store_error}")
    if status.rows_dropped:
        troubles.append(f"{count(status.rows_dropped, 'row')} dropped")
    outlets: list[ForwarderStatus | NotifierStatus] = [*status.forwarders, *status.notifiers]
    troubles += [f"{outlet.name}: {outlet.last_error}" for outlet in outlets if outlet.failing]
    if troubles:
        return [Text("; ".join(troubles), STRONG)]
    if frame.height < FEW_LINES:
        return []
    words = f"{status.pairs_per_s:g} pairs/s, up {span_text(status.running_s)}"
    words += f", {count(status.gaps, 'gap')}, clock {status.clock.times}"
    return [Text(words, DIM)]


def _swr_words(reading: LiveReading) -> str:
    if reading.swr is None or reading.swr_low is None or reading.swr_high is None:
        return "SWR not readable at this power"
    interval = f"{swr_text(reading.swr_low)} to {swr_text(reading.swr_high)}"
    return f"SWR {swr_text(reading.swr)} ({interval})"
