"""Chart of a capture or a transmission over time: power, reflection, excursions and alarms."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.blocks import Floats, Times
from logger.charts import sheet
from logger.charts.palette import BRICK, GREY, INDIGO, INK, PAPER, SHADE, STRAW
from logger.charts.scenes import Mark, Scene
from logger.charts.traces import FORWARD, REFLECTED, RHO, RHO_HIGH, RHO_LOW, Traces
from logger.charts.values import MOST, attach
from logger.live.figures import span_text, swr_text, watts_text
from logger.physics.reflection import rho_of_swr, swr
from logger.wording import count

# Millimetres, heights from the lower edge.
WHOLE, HALF, RIGHT = 165.0, 76.0, 112.0
POWER = 165.0  # up to the heading
REFLECTION, REFLECTION_HIGH = 76.0, 81.0
MARKS, MARKS_HIGH = 45.0, 25.0
FOOT = 27.0
LABEL = 13.0  # distance of axis labels from the left frames
WRAP = 112  # characters per line
MOST_FACTS = 6  # lines

RANGE = 1e-5  # least share of the highest power that is shown
LEAST_W = 1e-3  # the power scale extends at least this far
LEAST_RHO, MOST_RHO = 0.12, 1.08  # bounds of the upper end of the reflection scale
SWRS = (1.0, 1.1, 1.2, 1.3, 1.5, 2.0, 3.0, 5.0, 10.0, 999.0)
CLOSE, LABEL_INCHES = 0.045, 0.14  # least distance of SWR labels: share of scale; inches
MS_BELOW_NS = 2_000_000_000  # shorter spans are in ms
FEW = 150  # pairs, up to which each is a dot
TOGETHER = 0.12  # share of the time shown; alarms closer than this share a label,
TOGETHER_SMALL = 0.4  # and in a narrow chart
LANES = ("on air", "excursions", "alarms")


def draw(scene: Scene) -> Figure:
    """Draw a scene on an upright A4 sheet."""
    with sheet.style():
        figure = sheet.blank()
        top = _heading(figure, scene)
        overview, detail = scene.overview, scene.detail
        if detail is None or scene.detail_ns is None:
            panels = _panels(figure, sheet.LEFT, WHOLE, top)
            _column(panels, scene, overview, scene.span_ns, first=True, last=True)
        else:
            panels = _panels(figure, sheet.LEFT, HALF, top)
            _column(panels, scene, overview, scene.span_ns, first=True, last=False)
            panels = _panels(figure, RIGHT, HALF, top)
            _column(panels, scene, detail, scene.detail_ns, first=False, last=True)
        lines = textwrap.wrap(" ".join(scene.notes), WRAP)
        sheet.write_lines(figure, FOOT, lines, color=GREY, fontsize=8)
    return figure


def small(scene: Scene, width: float, height: float, *, detail: bool = False) -> Figure:
    """Draw the panels of a scene, or of its detail, alone, `width` by `height` mm."""
    left, right, below, high, above, between = 18.5, 13.0, 11.0, 14.0, 6.0, 8.0
    traces, span_ns = (scene.detail, scene.detail_ns) if detail else (scene.overview, scene.span_ns)
    assert traces is not None
    assert span_ns is not None
    room = height - below - high - 2 * between - above
    places = (
        (below + high + between + 0.55 * room + between - 2.0, 0.45 * room),
        (below + high + between - 2.0, 0.55 * room),
        (below, high),
    )
    with sheet.style():
        figure = sheet.blank(width, height)
        panels = [
            sheet.panel(figure, left, bottom, width - left - right, tall) for bottom, tall in places
        ]
        for axes in panels:
            axes.yaxis.set_label_coords(-12.5 / (width - left - right), 0.5)
        _column(panels, scene, traces, span_ns, first=True, last=True, close=TOGETHER_SMALL)
        for axes in panels[:2]:
            sheet.legend_above(axes, 0.98, ncols=4, frameon=False, fontsize=7)
    return figure


def _heading(figure: Figure, scene: Scene) -> float:
    """Write title and facts; return the upper edge for the panels, mm."""
    sheet.write_title(figure, scene.title)
    lines = [line for fact in scene.facts for line in textwrap.wrap(fact, WRAP)]
    if len(lines) > MOST_FACTS:
        lines[MOST_FACTS - 1 :] = [f"… and {count(len(lines) - MOST_FACTS + 1, 'more line')}"]
    return sheet.write_lines(figure, sheet.TITLE - 7, lines, fontsize=8.5) - 8


def _panels(figure: Figure, left: float, width: float, top: float) -> list[Axes]:
    """Return panels for power, reflection and marks, one above the other, labels aligned."""
    places = (POWER, top - POWER), (REFLECTION, REFLECTION_HIGH), (MARKS, MARKS_HIGH)
    panels = [sheet.panel(figure, left, bottom, width, height) for bottom, height in places]
    for axes in panels:
        axes.yaxis.set_label_coords(-LABEL / width, 0.5)
    return panels


def _column(
    panels: list[Axes],
    scene: Scene,
    traces: Traces,
    span_ns: tuple[int, int],
    *,
    first: bool,
    last: bool,
    close: float = TOGETHER,
) -> None:
    """Draw three panels with a common time axis.

    The first column of the sheet has the labels on its left, the last those on its right.
    """
    short = span_ns[1] - span_ns[0] < MS_BELOW_NS
    unit_ns, unit = (1_000_000, "ms") if short else (1_000_000_000, "s")

    def time(ns: Times | int) -> Any:
        return (ns - scene.zero_ns) / unit_ns

    power, reflection, marks = panels
    for axes in panels:
        axes.set_xlim(time(span_ns[0]), time(span_ns[1]))
        axes.tick_params(labelbottom=axes is marks)
        _events(axes, scene, span_ns, time)
    _power(power, scene, traces, time, words=first)
    _reflection(reflection, scene, traces, time, first=first, last=last)
    _lanes(marks, scene, span_ns, time, close, words=first)
    _attach_values(panels, scene, traces, lambda ns: f"{time(ns):.4g} {unit}", time)
    if not (first and last):
        power.set_title("the capture" if first else "the event")
    marks.set_xlabel(f"{unit} from {'key-down' if scene.detail_ns is None else 'the event'}")


def _events(axes: Axes, scene: Scene, span_ns: tuple[int, int], time: Any) -> None:
    """Mark excursions as bands and alarms as lines through all panels."""
    least = (time(span_ns[1]) - time(span_ns[0])) / 400  # so that it is visible
    for mark in scene.excursions:
        begin, end = time(mark.begin_ns), time(mark.end_ns or mark.begin_ns)
        outline = {"ec": GREY, "lw": 0.8} if mark.own else {"lw": 0}
        axes.axvspan(begin, max(end, begin + least), fc=SHADE, **outline)
    for mark in scene.alarms:
        axes.axvline(time(mark.begin_ns), color=INK, lw=1.1, ls=(0, (6, 2)), zorder=3)


def _band(axes: Axes, x: Floats, low: Floats, high: Floats, steps: bool, **look: Any) -> None:
    axes.fill_between(x, low, high, step="post" if steps else None, lw=0, **look)


def draw_line(
    axes: Axes, x: Floats, low: Floats, high: Floats, scene: Scene, traces: Traces, **look: Any
) -> None:
    """Draw a line through all pairs; a column of several is a stroke from minimum to maximum."""
    look = {"lw": 1.0, **look}
    if scene.steps:
        axes.plot(x, high, drawstyle="steps-post", **look)
    elif traces.width_ns:
        strokes = np.column_stack([low, high]).ravel()
        axes.plot(np.repeat(x, 2), strokes, solid_joinstyle="round", **{**look, "lw": 0.9})
    else:
        dots: dict[str, Any] = {"marker": ".", "ms": 3.0} if len(x) <= FEW else {}
        axes.plot(x, high, **dots, **look)


def _power(axes: Axes, scene: Scene, traces: Traces, time: Any, *, words: bool) -> None:
    greatest_w = max(
        _greatest(scene.overview, FORWARD), _greatest(scene.overview, REFLECTED), LEAST_W
    )
    least_w = max(greatest_w * RANGE, min(scene.reflected_noise_w, 0.01 * greatest_w))
    sheet.logarithmic(axes, "y", least_w, 3 * greatest_w)
    x = time(traces.time_ns)
    for series, colour, label, width in (
        (FORWARD, INK, "incident", 1.3),
        (REFLECTED, BRICK, "reflected", 0.9),
    ):
        low, high = (np.maximum(trace[series], least_w) for trace in (traces.low, traces.high))
        draw_line(axes, x, low, high, scene, traces, color=colour, lw=width, label=label)
    if scene.limit_w is not None:
        axes.axhline(scene.limit_w, color=INDIGO, lw=1.1, ls="-.", label="limit")
    if words:
        axes.set_ylabel("W (relative)" if scene.relative else "W")
    else:
        axes.tick_params(labelleft=False)
    sheet.legend_beside_title(axes, 3)


def _greatest(traces: Traces, series: int) -> float:
    values = traces.high[series]
    return float(np.nanmax(values)) if np.isfinite(values).any() else 0.0


def _reflection(
    axes: Axes, scene: Scene, traces: Traces, time: Any, *, first: bool, last: bool
) -> None:
    most = max(_greatest(scene.overview, RHO), LEAST_RHO / 1.2)
    if scene.usual is not None:
        most = max(most, scene.usual[0])
    if scene.limit_swr is not None:
        most = max(most, float(rho_of_swr(scene.limit_swr)))
    top = min(1.2 * most, MOST_RHO)
    axes.set_ylim(0.0, top)
    x = time(traces.time_ns)
    readable = np.isfinite(traces.high[RHO])
    if not readable.any():
        words = f"incident power is below the readable\nfloor of {scene.floor_w:.2g} W"
        sheet.note(axes, 0.5, words, bbox={"fc": PAPER, "ec": "none"})
    _band(
        axes,
        x,
        traces.low[RHO_LOW],
        traces.high[RHO_HIGH],
        scene.steps,
        color=STRAW,
        label="95 % from noise",
    )
    draw_line(
        axes, x, traces.low[RHO], traces.high[RHO], scene, traces, color=BRICK, label="reflection"
    )
    if scene.usual is not None:
        axes.axhline(scene.usual[0], color=INK, lw=1.0, ls="--", label="usual")
    if scene.limit_swr is not None:
        limit = float(rho_of_swr(scene.limit_swr))
        axes.axhline(limit, color=INDIGO, lw=1.1, ls="-.", label="limit")
    if first:
        axes.set_ylabel("reflection coefficient")
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(-0.01, 0.985),
            ncols=4,
            frameon=False,
            columnspacing=1.0,
            handlelength=1.8,
        )
    else:
        axes.tick_params(labelleft=False)
    if last:
        _, height = sheet.size_inches(axes)
        marks = ((float(rho_of_swr(swr)), "∞" if swr > 100 else f"{swr:g}") for swr in SWRS)
        sheet.second_scale(axes, marks, max(CLOSE, LABEL_INCHES / height) * top, "SWR")


def _lanes(
    axes: Axes, scene: Scene, span_ns: tuple[int, int], time: Any, close: float, *, words: bool
) -> None:
    """Draw transmissions, excursions and alarms, one lane each."""
    axes.set_ylim(-0.6, len(LANES) - 0.5)
    axes.invert_yaxis()
    sheet.label_lanes(axes, LANES)
    axes.tick_params(axis="y", labelleft=words)
    for lane, marks in enumerate((scene.transmissions, scene.excursions, scene.alarms)):
        for mark in marks:
            _stretch(axes, lane, mark, span_ns, time)
    for begin_ns, names in _together(scene.alarms, span_ns, close):
        is_late = begin_ns - span_ns[0] > 0.6 * (span_ns[1] - span_ns[0])
        axes.annotate(
            names,
            (time(begin_ns), LANES.index("alarms")),
            (-3 if is_late else 3, 3),
            textcoords="offset points",
            ha="right" if is_late else "left",
            va="bottom",
            fontsize=7,
        )


def _together(alarms: list[Mark], span_ns: tuple[int, int], close: float) -> list[tuple[int, str]]:
    """Return times and labels of alarms; alarms close in time share a label."""
    groups: list[tuple[int, list[str]]] = []
    for mark in alarms:
        if not span_ns[0] <= mark.begin_ns <= span_ns[1]:
            continue
        if groups and mark.begin_ns - groups[-1][0] < close * (span_ns[1] - span_ns[0]):
            groups[-1][1].append(mark.words)
        else:
            groups.append((mark.begin_ns, [mark.words]))
    return [
        (begin_ns, f"{names[0]}, …" if len(names) > 2 else ", ".join(names))
        for begin_ns, names in groups
    ]


def _stretch(axes: Axes, lane: int, mark: Mark, span_ns: tuple[int, int], time: Any) -> None:
    end_ns = span_ns[1] if mark.end_ns is None else mark.end_ns
    if end_ns < span_ns[0] or mark.begin_ns > span_ns[1]:
        return
    colour = INK if mark.own else GREY
    begin, end = time(max(mark.begin_ns, span_ns[0])), time(min(end_ns, span_ns[1]))
    axes.plot([begin, end], [lane, lane], color=colour, lw=2.2, solid_capstyle="butt")
    if mark.begin_ns >= span_ns[0]:
        axes.plot([begin], [lane], marker="|", color=colour, ms=8, mew=1.2)


def _attach_values(
    panels: list[Axes], scene: Scene, traces: Traces, moment: Callable[[int], str], time: Any
) -> None:
    """Attach values: of many columns, in each stretch that with the greatest reflection."""
    rho = np.nan_to_num(traces.high[RHO], nan=-1.0)
    parts = np.array_split(np.arange(len(rho)), min(len(rho), MOST)) if len(rho) else []
    places = np.array([part[np.argmax(rho[part])] for part in parts], dtype=int)
    times_ns, low, high = traces.time_ns[places], traces.low[:, places], traces.high[:, places]
    moments = [moment(time_ns) for time_ns in times_ns.tolist()]
    unit = " (relative)" if scene.relative else ""
    incident, reflected = (_spans(low[n], high[n], watts_text) for n in (FORWARD, REFLECTED))
    swrs = _spans(swr(low[RHO]), swr(high[RHO]), swr_text)
    noise = _spans(swr(low[RHO_LOW]), swr(high[RHO_HIGH]), swr_text)
    attach(
        panels[0],
        time(times_ns),
        high[FORWARD],
        [
            f"{t}: incident {f}, reflected {r}{unit}"
            for t, f, r in zip(moments, incident, reflected, strict=True)
        ],
    )
    attach(
        panels[1],
        time(times_ns),
        high[RHO],
        [
            f"{t}: reflection {rho:.3f}, SWR {value}; 95 % from noise {band}"
            for t, rho, value, band in zip(moments, high[RHO], swrs, noise, strict=True)
        ],
    )
    lanes = (scene.transmissions, scene.excursions, scene.alarms)
    for lane, (name, marks) in enumerate(zip(LANES, lanes, strict=True)):
        words = [
            f"{moment(mark.begin_ns)}: {mark.words or name.rstrip('s')}{_length(mark)}"
            for mark in marks
        ]
        attach(panels[2], [time(mark.begin_ns) for mark in marks], [lane] * len(marks), words)


def _spans(low: Floats, high: Floats, text: Callable[[float], str]) -> list[str]:
    ends = zip(map(text, low.tolist()), map(text, high.tolist()), strict=True)
    return [last if first == last else f"{first} to {last}" for first, last in ends]


def _length(mark: Mark) -> str:
    return "" if mark.end_ns is None else f", {span_text((mark.end_ns - mark.begin_ns) / 1e9)}"
