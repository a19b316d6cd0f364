"""Chart of a fault: excursions per hour on the air, level, signs, states, journal, captures.

Positions along the time axis are days since 1970-01-01. Every colour goes with its own shape,
stroke or hatching.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from datetime import UTC, timedelta, tzinfo
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from scipy.special import gammaincinv

from logger.blocks import Floats, Times
from logger.charts import sheet, timeline
from logger.charts.drift_panels import date_ticks
from logger.charts.fault_scene import Course, FaultScene, Note
from logger.charts.palette import BRICK, FAINT, GREY, INDIGO, INK, OCHRE, PAPER, SHADE, STRAW, TEAL
from logger.charts.scenes import Scene
from logger.charts.traces import RHO, RHO_HIGH, RHO_LOW
from logger.charts.values import attach
from logger.diagnosis.rules import title_of
from logger.live.figures import swr_text
from logger.local_time import at
from logger.physics.reflection import rho_of_swr, swr
from logger.rows import Fault, FaultState, Severity
from logger.store.journal import WORK
from logger.utc import DAY_NS, UNIT_NS, format_ns
from logger.wording import capitalize, count, join, likely

# Millimetres.
WIDTH, LABEL = 165.0, 13.0
FOOT, LIST_LINE = 10.0, 3.9
DATES, XLABEL, CAPTION, CAPTION_SMALL = 11.0, 9.0, 7.0, 8.5
LANE = 6.0
CAPTURES_HIGH, CAPTURES_HIGHER = 28.0, 48.0  # the latter if there are no excursions
LEVEL_HIGHEST = 135.0
RATE_SHARE = 0.42  # of the room for rate and level
WRAP, LIST_WRAP = 112, 118  # characters per line
MOST_FACTS, MOST_LISTED = 4, 10  # lines
TICKS, TICKS_SMALL = 9, 4
TOGETHER, TOGETHER_SMALL = 0.045, 0.12  # share of the time shown; closer marks share a label
COLUMNS = 400  # marks closer than such a share of the time are drawn as one
MOST_DOTS = 500  # transmissions; more are drawn in COLUMNS_OF_LEVEL columns
COLUMNS_OF_LEVEL = 160
MOST_CHANNELS = 3  # with a mark of their own
MOST_BINS = 60
LEAST_RHO, MOST_RHO = 0.12, 1.03

MINUTE_NS, HOUR_NS = UNIT_NS["m"], UNIT_NS["h"]
BINS_NS = (
    *(10_000_000_000, 30_000_000_000, MINUTE_NS, 5 * MINUTE_NS, 15 * MINUTE_NS),
    *(HOUR_NS, 3 * HOUR_NS, 6 * HOUR_NS, 12 * HOUR_NS),
    *(DAY_NS, 2 * DAY_NS, 7 * DAY_NS, 30 * DAY_NS, 365 * DAY_NS),
)
STEPS_NS = (
    *(10_000_000_000, 30_000_000_000),
    *(MINUTE_NS * step for step in (1, 2, 5, 10, 15, 30)),
    *(HOUR_NS * step for step in (1, 2, 3, 6, 12)),
)
DAYS_ONLY = 4  # days; longer spans are labelled with dates alone
BLANK: dict[str, Any] = {"fc": PAPER, "ec": "none", "pad": 0.6}
LOOKS: tuple[dict[str, Any], ...] = (
    {"color": TEAL, "marker": "D", "ms": 3.0, "mew": 0},
    {"color": INDIGO, "marker": "o", "ms": 3.2, "mew": 0},
    {"color": BRICK, "marker": "^", "ms": 3.6, "mew": 0},
    {"color": GREY, "marker": "x", "ms": 3.0, "mew": 0.8},
)
STATES: dict[FaultState, dict[str, Any]] = {
    FaultState.OPEN: {"fc": BRICK, "ec": BRICK},
    FaultState.QUIET: {"fc": PAPER, "ec": INK, "hatch": "...."},
    FaultState.VERIFYING: {"fc": PAPER, "ec": OCHRE, "hatch": "//////"},
    FaultState.CLOSED: {"fc": TEAL, "ec": TEAL},
}


class Rates(NamedTuple):
    """Excursions per hour on the air in bins with transmissions; ends in ns, 95 % interval."""

    begin_ns: Times
    width_ns: int
    rate: Floats
    low: Floats
    high: Floats


def draw(scene: FaultScene) -> Figure:
    """Draw a fault on an upright A4 sheet."""
    with sheet.style():
        figure = sheet.blank()
        top = _heading(figure, scene)
        bottom = _list_notes(figure, scene)
        if scene.captures:
            high = CAPTURES_HIGH if len(scene.excursions_ns) else CAPTURES_HIGHER
            _captures(figure, scene, bottom + XLABEL, high)
            bottom += XLABEL + high + CAPTION
        _panels(figure, scene, sheet.LEFT, WIDTH, bottom + DATES, top, is_small=False)
    return figure


def small(scene: FaultScene, width: float, height: float) -> Figure:
    """Draw the course of a fault alone, without its captures, `width` by `height` mm.

    Changes and journal entries keep their numbers.
    """
    with sheet.style():
        figure = sheet.blank(width, height)
        _panels(figure, scene, 18.5, width - 18.5 - 12.0, DATES, height - 2.0, is_small=True)
    return figure


def list_notes(scene: FaultScene) -> list[str]:
    """Return the changes and journal entries as lines, in order of their numbers."""
    return [f"{_minute(note.time_ns, scene.zone)} {note.kind}: {note.text}" for note in scene.notes]


def _heading(figure: Figure, scene: FaultScene) -> float:
    """Write title and facts; return the upper edge for the panels, mm."""
    fault = scene.fault
    sheet.write_title(figure, f"Fault {fault.id}: {fault.state}")
    lines = [line for fact in _facts(scene) for line in textwrap.wrap(fact, WRAP)]
    if len(lines) > MOST_FACTS:
        lines[MOST_FACTS - 1 :] = [_shorten(" ".join(lines[MOST_FACTS - 1 :]), WRAP)]
    return sheet.write_lines(figure, sheet.TITLE - 7, lines) - 1


def _facts(scene: FaultScene) -> Iterator[str]:
    fault = scene.fault
    signs = count(fault.alarms or 0, "alarm")
    if fault.excursions:
        signs += f" and {count(fault.excursions, 'excursion')}"
        signs += f", {fault.open_time_s or 0.0:.3g} s in total"
    channels = (fault.channels or "").split()
    if channels:
        signs += f", on channel{'s' * (len(channels) > 1)} {join(channels)}"
    first = f"{_minute(scene.first_ns, scene.zone)} {at(scene.first_ns, scene.zone):%Z}"
    yield f"{scene.station}, first sign {first}, {fault.severity}; {signs}."
    yield f"{fault.summary.rstrip('.')}."
    cause = probable_cause(fault)
    if cause is not None:
        yield cause


def probable_cause(fault: Fault) -> str | None:
    """Return the probable cause of a fault as a sentence, None if its summary names it."""
    if fault.probable_cause is None or fault.probability is None:
        return None
    title = title_of(fault.probable_cause)
    if title in fault.summary:
        return None
    words = f"{likely(fault.probability)} {title}"
    return f"{capitalize(words)} ({100 * fault.probability:.0f} %)."


def _list_notes(figure: Figure, scene: FaultScene) -> float:
    """List changes and journal at the foot; return the lower edge for the panels, mm."""
    lines = [f"{number}  {line}" for number, line in enumerate(list_notes(scene), 1)]
    if len(lines) > MOST_LISTED:
        half = MOST_LISTED // 2
        omitted = len(lines) - 2 * half + 1
        rest = f"… {omitted} more: `mismatchd faults show {scene.fault.id}`"
        lines = [*lines[: half - 1], rest, *lines[-half:]]
    if scene.captured > len(scene.captures):
        captures = count(scene.captured, "capture")
        if scene.captures:
            lines.append(f"{len(scene.captures)} of {captures} drawn, spread over the fault.")
        else:
            lines.append(f"No raw pairs of its {captures} are stored.")
    short = (_shorten(line, LIST_WRAP) for line in reversed(lines))
    return sheet.write_lines(figure, FOOT, short, -LIST_LINE, fontsize=7.5, color=GREY) + 1


def _shorten(text: str, most: int) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def _utc(time_ns: int) -> str:
    return f"{format_ns(time_ns)[:19]}Z"  # the page shows it in the viewer's zone


def _minute(time_ns: int, zone: tzinfo) -> str:
    return f"{at(time_ns, zone):%Y-%m-%d %H:%M}"


def _panels(
    figure: Figure,
    scene: FaultScene,
    left: float,
    width: float,
    bottom: float,
    top: float,
    *,
    is_small: bool,
) -> None:
    """Draw rate (if there are excursions), level and lanes, one above the other."""
    caption = CAPTION_SMALL if is_small else CAPTION
    lanes = _lanes(scene)
    lanes_high = LANE * len(lanes)
    if not len(scene.excursions_ns):
        bottom = max(bottom, top - LEVEL_HIGHEST - lanes_high - 2 * caption)
    panels = [sheet.panel(figure, left, bottom, width, lanes_high)]
    _draw_lanes(panels[0], scene, lanes, TOGETHER_SMALL if is_small else TOGETHER)
    sheet.legend_above(
        panels[0],
        0.96,
        handles=[
            Patch(**STATES[state], label=state)
            for state in FaultState
            if any(stretch.state == state for stretch in scene.states)
        ],
        ncols=4,
        frameon=False,
        fontsize=7,
    )
    bottom += lanes_high + caption
    room = top - bottom
    level_high = room - caption
    if len(scene.excursions_ns):
        rate_high = RATE_SHARE * (room - 2 * caption)
        level_high = room - 2 * caption - rate_high
        base = bottom + level_high + caption
        panels.append(sheet.panel(figure, left, base, width, rate_high))
        _draw_rates(panels[-1], scene, is_small=is_small)
    panels.append(sheet.panel(figure, left, bottom, width, level_high))
    _draw_level(panels[-1], scene, is_small=is_small)
    begin, end = scene.span_ns[0] / DAY_NS, scene.span_ns[1] / DAY_NS
    times = ticks(scene.span_ns, TICKS_SMALL if is_small else TICKS, scene.zone)
    for axes in panels:
        axes.set_xlim(begin, end)
        sheet.label_axis(axes.xaxis, times)
        axes.tick_params(axis="x", labelbottom=axes is panels[0])
        axes.yaxis.set_label_coords(-LABEL / width, 0.5)
        _mark_notes(axes, scene.notes)


def ticks(span_ns: tuple[int, int], most: int, zone: tzinfo = UTC) -> list[tuple[float, str]]:
    """Return positions and labels of round times; the date stands below where it changes.

    Days are those of UTC, as in the trends.
    """
    begin_ns, end_ns = span_ns
    if end_ns - begin_ns > DAYS_ONLY * DAY_NS:
        places = date_ticks((begin_ns // DAY_NS + 1, end_ns // DAY_NS), most)
        return [(np.floor(place), label) for place, label in places]
    step_ns = next((s for s in STEPS_NS if (end_ns - begin_ns) / s <= most), DAY_NS)
    labels: list[tuple[float, str]] = []
    former = ""
    ahead_ns = (at(begin_ns, zone).utcoffset() or timedelta()) // timedelta(microseconds=1) * 1000
    first_ns = -(-(begin_ns + ahead_ns) // step_ns) * step_ns - ahead_ns
    for time_ns in range(first_ns, end_ns + 1, step_ns):
        time = at(time_ns, zone)
        date = f"{time:%Y-%m-%d}" + ("" if zone is UTC else f" {time:%Z}")
        clock = f"{time:%H:%M:%S}" if step_ns < MINUTE_NS else f"{time:%H:%M}"
        labels.append((time_ns / DAY_NS, f"{clock}\n{'' if date == former else date}"))
        former = date
    return labels


def _mark_notes(axes: Axes, notes: Sequence[Note]) -> None:
    """Mark changes by dashed and work by solid lines through a panel."""
    for note in notes:
        if note.is_change:
            look: dict[str, Any] = {"color": GREY, "lw": 0.7, "ls": (0, (4, 2))}
        elif note.kind in WORK:
            look = {"color": INK, "lw": 1.3}
        else:
            continue
        axes.axvline(note.time_ns / DAY_NS, zorder=1.8, **look)


# ---- excursions per hour on the air


def rates(scene: FaultScene) -> Rates:
    """Return the excursions per hour on the air in bins of a round width."""
    begin_ns, end_ns = scene.span_ns
    width_ns = next((w for w in BINS_NS if (end_ns - begin_ns) / w <= MOST_BINS), BINS_NS[-1])
    edges_ns = np.arange(begin_ns // width_ns, end_ns // width_ns + 2) * width_ns
    on_air_ns = np.zeros(len(edges_ns) - 1)
    for course in scene.courses:
        # Time on the air up to each edge, as transmissions may lie on both sides of it.
        up_to = [
            np.clip(edge - course.start_ns, 0, course.end_ns - course.start_ns).sum()
            for edge in edges_ns
        ]
        on_air_ns += np.diff(up_to)
    numbers = np.histogram(scene.excursions_ns, edges_ns)[0].astype(float)
    is_on_air = on_air_ns > 0
    numbers, hours = numbers[is_on_air], on_air_ns[is_on_air] / HOUR_NS
    low = np.where(numbers > 0, gammaincinv(np.maximum(numbers, 1), 0.025), 0.0)
    return Rates(
        edges_ns[:-1][is_on_air],
        width_ns,
        numbers / hours,
        low / hours,
        gammaincinv(numbers + 1, 0.975) / hours,
    )


def _draw_rates(axes: Axes, scene: FaultScene, *, is_small: bool) -> None:
    measured = rates(scene)
    width = measured.width_ns / DAY_NS
    middle = measured.begin_ns / DAY_NS + width / 2
    axes.bar(middle, measured.rate, 0.86 * width, color=BRICK, lw=0, zorder=2.2, label="excursions")
    axes.vlines(middle, measured.low, measured.high, color=INK, lw=0.8, zorder=3, label="95 %")
    is_none = measured.rate == 0
    axes.plot(
        middle[is_none],
        np.zeros(is_none.sum()),
        ls="",
        marker="_",
        ms=3.5,
        mew=1.2,
        color=TEAL,
        zorder=3.2,
        clip_on=False,
        label="none",
    )
    attach(
        axes,
        middle,
        measured.rate,
        [
            f"{_utc(begin_ns)} to {_utc(begin_ns + measured.width_ns)}: {_rate(rate)} excursions"
            f" per hour on the air ({_rate(low)} to {_rate(high)})"
            for begin_ns, rate, low, high in zip(
                measured.begin_ns.tolist(), measured.rate, measured.low, measured.high, strict=True
            )
        ],
    )
    sheet.linear(axes, "y", 0.0, 1.15 * max(measured.rate.max(initial=0.0), 1.0), most=5)
    unit = "per hour on the air" if not is_small else "per hour"
    axes.set_ylabel(unit)
    title = f"excursions per hour on the air, every {_bin_words(measured.width_ns)}"
    if is_small:
        sheet.legend_above(axes, 0.97, ncols=3, frameon=False, fontsize=7)
    else:
        axes.set_title(title)
        sheet.legend_beside_title(axes, 3)


def _rate(per_hour: float) -> str:
    return f"{per_hour:.3g}" if per_hour < 1000 else f"{per_hour:.0f}"


def _bin_words(width_ns: int) -> str:
    for unit, words in (("d", "day"), ("h", "hour"), ("m", "minute"), ("s", "second")):
        number = width_ns // UNIT_NS[unit]
        if number:
            return words if number == 1 else f"{number} {words}s"
    raise AssertionError(width_ns)


# ---- level


def _draw_level(axes: Axes, scene: FaultScene, *, is_small: bool) -> None:
    for begin, end in _open_spans(scene):
        axes.axvspan(begin, end, fc=SHADE, lw=0, zorder=0.5)
    courses = [*scene.courses[:MOST_CHANNELS], *_merge(scene.courses[MOST_CHANNELS:])]
    number = sum(len(course.rho) for course in courses)
    for course, look in zip(courses, LOOKS, strict=False):
        if number > MOST_DOTS:
            course = _in_columns(course, scene.span_ns)
        x = course.start_ns / DAY_NS
        axes.vlines(x, course.rho, course.peak, color=FAINT, lw=0.8, zorder=1.6)
        axes.plot(x, course.rho, ls="", label=course.name, zorder=2.6, **look)
        swrs, peaks = swr(course.rho), swr(course.peak)
        words = [
            f"{_utc(start_ns)}, {course.name}: SWR {swr_text(mean)}, highest {swr_text(peak)}"
            for start_ns, mean, peak in zip(course.start_ns.tolist(), swrs, peaks, strict=True)
        ]
        attach(axes, x, course.rho, words)
        if course.usual is not None:
            axes.axhline(course.usual, color=look["color"], lw=0.8, ls=(0, (5, 2)), zorder=2)
    axes.vlines([], [], [], color=FAINT, label="highest")
    if any(course.usual is not None for course in courses):
        axes.plot([], [], color=INK, lw=0.8, ls=(0, (5, 2)), label="before")
    if _open_spans(scene):
        axes.bar([0], [0], color=SHADE, label="alarm open")
    highest = [max(_greatest(course.peak), course.usual or 0.0) for course in courses]
    top = min(1.12 * max([LEAST_RHO, *highest]), MOST_RHO)
    sheet.linear(axes, "y", 0.0, top, most=6)
    if not number:
        sheet.note(axes, 0.5, "no transmissions", color=GREY)
    axes.set_ylabel("reflection coeff." if is_small else "reflection coefficient")
    _, height = sheet.size_inches(axes)
    marks = ((float(rho_of_swr(s)), "∞" if s > 100 else f"{s:g}") for s in timeline.SWRS)
    close = max(timeline.CLOSE, timeline.LABEL_INCHES / height) * top
    sheet.second_scale(axes, marks, close, "SWR")
    if is_small:
        sheet.legend_above(axes, 0.98, ncols=4, frameon=False, fontsize=6.5, labelspacing=0.2)
    else:
        axes.set_title("level")
        sheet.legend_beside_title(axes, 7)


def _open_spans(scene: FaultScene) -> list[tuple[float, float]]:
    """Return the spans with an open alarm that are long enough to be seen, overlaps merged."""
    spans: list[tuple[float, float]] = []
    for alarm in scene.alarms:
        end_ns = alarm.cleared_ns or scene.span_ns[1]
        if end_ns - alarm.raised_ns <= _pixel_ns(scene):
            continue
        begin, end = alarm.raised_ns / DAY_NS, end_ns / DAY_NS
        if spans and begin <= spans[-1][1]:
            begin, end = spans[-1][0], max(end, spans.pop()[1])
        spans.append((begin, end))
    return spans


def _pixel_ns(scene: FaultScene) -> int:
    """Return the time that is too short to be seen as an area."""
    return (scene.span_ns[1] - scene.span_ns[0]) // COLUMNS


def _greatest(values: Floats) -> float:
    return float(np.nanmax(values)) if np.isfinite(values).any() else 0.0


def _merge(courses: Sequence[Course]) -> list[Course]:
    """Return the courses of further channels as one, in an empty list if there are none."""
    if len(courses) < 2:
        return list(courses)
    order = np.argsort(np.concatenate([course.start_ns for course in courses]), kind="stable")
    return [
        Course(
            "others",
            np.concatenate([course.start_ns for course in courses])[order],
            np.concatenate([course.end_ns for course in courses])[order],
            np.concatenate([course.rho for course in courses])[order],
            np.concatenate([course.peak for course in courses])[order],
            None,
        )
    ]


def _in_columns(course: Course, span_ns: tuple[int, int]) -> Course:
    """Return median and highest of the transmissions in each of COLUMNS_OF_LEVEL columns."""
    width_ns = (span_ns[1] - span_ns[0]) // COLUMNS_OF_LEVEL + 1
    readable = np.isfinite(course.rho)
    start_ns, end_ns = course.start_ns[readable], course.end_ns[readable]
    rho, peak = course.rho[readable], course.peak[readable]
    place = (start_ns - span_ns[0]) // width_ns
    first = np.flatnonzero(np.diff(place, prepend=-1))
    if not len(first):
        return course
    medians = np.array([np.median(part) for part in np.split(rho, first[1:])])
    highest = np.fmax.reduceat(peak, first)
    return Course(course.name, start_ns[first], end_ns[first], medians, highest, course.usual)


# ---- lanes


def _lanes(scene: FaultScene) -> list[str]:
    lanes = ["on air", "excursions", "alarms", "state", "journal"]
    return lanes if len(scene.excursions_ns) else [lane for lane in lanes if lane != "excursions"]


def _draw_lanes(axes: Axes, scene: FaultScene, lanes: list[str], close: float) -> None:
    """Draw transmissions, signs, states and journal, a lane each."""
    axes.set_ylim(len(lanes) - 0.5, -0.6)
    sheet.label_lanes(axes, lanes)
    lane = {name: number for number, name in enumerate(lanes)}
    starts = [course.start_ns for course in scene.courses]
    _tick(axes, scene, np.concatenate(starts) if starts else np.array([]), lane["on air"], GREY)
    if "excursions" in lane:
        _tick(axes, scene, scene.excursions_ns, lane["excursions"], BRICK)
    _draw_alarms(axes, scene, lane["alarms"])
    for stretch in scene.states:
        begin, end = stretch.begin_ns / DAY_NS, stretch.end_ns / DAY_NS
        axes.barh(lane["state"] + 0.2, end - begin, 0.45, begin, lw=0.6, **STATES[stretch.state])
    for note in scene.notes:
        if not note.is_change:
            wide = 2.0 if note.kind in WORK else 0.9
            x = note.time_ns / DAY_NS
            axes.plot([x], [lane["journal"] + 0.25], marker="|", ms=6, mew=wide, color=INK)
    for note in scene.notes:
        place = lane["state" if note.is_change else "journal"]
        attach(
            axes,
            [note.time_ns / DAY_NS],
            [place],
            [f"{_utc(note.time_ns)} {note.kind}: {note.text}"],
        )
    for alarm in scene.alarms:
        words = f"{_utc(alarm.raised_ns)} alarm {alarm.id}: {alarm.kind}"
        attach(axes, [alarm.raised_ns / DAY_NS], [lane["alarms"]], [words])
    for is_change, name in ((True, "state"), (False, "journal")):
        numbers = [n for n, note in enumerate(scene.notes, 1) if note.is_change is is_change]
        for x, label in _label_notes(scene, numbers, close):
            is_first = x * DAY_NS - scene.span_ns[0] < 0.03 * (scene.span_ns[1] - scene.span_ns[0])
            side = "left" if is_first else "center"
            axes.text(x, lane[name] - 0.27, label, ha=side, va="center", fontsize=6.5, bbox=BLANK)


def _tick(axes: Axes, scene: FaultScene, times_ns: Times, lane: int, colour: str) -> None:
    width_ns = _pixel_ns(scene)
    columns = np.unique(np.asarray(times_ns, dtype=np.int64) // max(width_ns, 1))
    x = columns * max(width_ns, 1) / DAY_NS
    axes.vlines(x, lane - 0.25, lane + 0.25, color=colour, lw=0.7)


def _draw_alarms(axes: Axes, scene: FaultScene, lane: int) -> None:
    """Draw how long alarms were open, and when they were raised; critical ones are filled."""
    for span in _open_spans(scene):
        axes.plot(span, [lane, lane], color=BRICK, lw=1.6)
    columns: dict[int, tuple[float, bool]] = {}
    for alarm in scene.alarms:
        place = alarm.raised_ns // max(3 * _pixel_ns(scene), 1)
        raised, critical = columns.get(place, (alarm.raised_ns / DAY_NS, False))
        columns[place] = raised, critical or alarm.severity == Severity.CRITICAL
    for raised, critical in columns.values():
        fill = BRICK if critical else PAPER
        axes.plot([raised], [lane], marker="v", color=BRICK, mfc=fill, ms=5, mew=0.8)


def _label_notes(
    scene: FaultScene, numbers: Sequence[int], close: float
) -> Iterator[tuple[float, str]]:
    """Yield positions and labels of notes; those close in time share a label."""
    near_ns = close * (scene.span_ns[1] - scene.span_ns[0])
    groups: list[list[int]] = []
    for number in numbers:
        time_ns = scene.notes[number - 1].time_ns
        if groups and time_ns - scene.notes[groups[-1][0] - 1].time_ns < near_ns:
            groups[-1].append(number)
        else:
            groups.append([number])
    for group in groups:
        label = f"{group[0]}" if len(group) == 1 else f"{group[0]}–{group[-1]}"
        yield scene.notes[group[0] - 1].time_ns / DAY_NS, label


# ---- captures


def _captures(figure: Figure, scene: FaultScene, bottom: float, high: float) -> None:
    """Draw the reflection around the events of captures, one beside the other."""
    gap = 4.0
    width = (WIDTH + gap) / 4 - gap
    details = [capture.detail for capture in scene.captures]
    top = max([LEAST_RHO, *(_greatest(traces.high[RHO]) for traces in details if traces)])
    for number, capture in enumerate(scene.captures):
        left = sheet.LEFT + number * (width + gap)
        axes = sheet.panel(figure, left, bottom, width, high)
        when = _minute(capture.zero_ns, scene.zone)[5:]
        _draw_capture(axes, capture, min(1.15 * top, MOST_RHO), when)
        if number:
            axes.tick_params(labelleft=False)
        else:
            axes.set_ylabel("reflection")
            axes.yaxis.set_label_coords(-LABEL / width, 0.5)


def _draw_capture(axes: Axes, capture: Scene, top: float, when: str) -> None:
    traces, span_ns = capture.detail, capture.detail_ns
    assert traces is not None
    assert span_ns is not None
    x = (traces.time_ns - capture.zero_ns) / 1e6
    low, high = ((edge - capture.zero_ns) / 1e6 for edge in span_ns)
    sheet.linear(axes, "x", low, high, most=3)
    sheet.linear(axes, "y", 0.0, top, most=4)
    axes.fill_between(x, traces.low[RHO_LOW], traces.high[RHO_HIGH], color=STRAW, lw=0)
    timeline.draw_line(
        axes, x, traces.low[RHO], traces.high[RHO], capture, traces, color=BRICK, lw=0.9
    )
    if capture.usual is not None:
        axes.axhline(capture.usual[0], color=INK, lw=0.8, ls="--")
    axes.set_xlabel("ms from the event", fontsize=7)
    axes.tick_params(labelsize=7)
    axes.set_title(f"{capture.title.lower()}, {when}", fontsize=7.5, fontweight="normal")
