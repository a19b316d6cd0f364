"""Drift charts: what stands on the sheets."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.markers import TICKDOWN
from matplotlib.patches import Polygon
from matplotlib.text import Text

from logger.charts import drift, sheet
from logger.charts.drift_panels import LOSSES_DB
from logger.charts.palette import BRICK, INK, PAPER
from logger.physics.reflection import return_loss_db, rho_of_swr
from logger.trend.outcome import Step
from logger.utc import DAY_NS
from tests import drift_cases
from tests.trends import FIRST, days

CASES = drift_cases.cases()


@cache
def big(name: str) -> Figure:
    return drift.draw(CASES[name])


@cache
def small(name: str) -> Figure:
    account = CASES[name]
    return drift.small(account, account.channels[0], 100, 84)


def readings(figure: Figure) -> list[Axes]:
    """The panels of channels."""
    return [a for a in figure.axes if any(t.get_label() == "daily value" for t in a.lines)]


def line(axes: Axes, label: str) -> np.ndarray:
    (found,) = (one for one in axes.lines if one.get_label() == label)
    return np.column_stack(found.get_data())


@pytest.mark.parametrize("draw", [big, small])
@pytest.mark.parametrize("name", CASES)
def test_no_words_overlap_and_none_leave_the_paper(
    draw: Callable[[str], Figure], name: str
) -> None:
    figure = draw(name)
    with sheet.style():
        figure.draw_without_rendering()
        renderer = FigureCanvasAgg(figure).get_renderer()
        texts = [t for t in figure.findobj(Text) if t.get_text() and t.get_visible()]
        boxes = np.array([text.get_window_extent(renderer).extents for text in texts])
    left, bottom, right, top = boxes.T
    outside = (left < 0) | (bottom < 0) | (right > figure.bbox.width) | (top > figure.bbox.height)
    assert [texts[n].get_text() for n in np.flatnonzero(outside)] == []
    over = (left[:, None] < right) & (left < right[:, None])
    over &= (bottom[:, None] < top) & (bottom < top[:, None])
    pairs = np.argwhere(np.triu(over, 1))
    assert [[texts[n].get_text() for n in pair] for pair in pairs] == []


def test_all_days_are_shown_or_pointed_at() -> None:
    for name, account in CASES.items():
        for axes, channel in zip(readings(big(name)), account.channels, strict=True):
            inside = line(axes, "daily value")
            beyond = [one for one in axes.lines if str(one.get_marker()) in "^v"]
            pointed = sum(len(one.get_xdata()) for one in beyond)
            used = channel.days
            assert len(inside) + pointed == len(used.day), name
            shown = dict(zip(used.day + 0.5, used.swr, strict=True))
            assert all(shown[x] == y for x, y in inside), name
            low, high = axes.get_ylim()
            assert ((low <= inside[:, 1]) & (inside[:, 1] <= high)).all()
            assert pointed <= 5, name


def test_outliers_do_not_stretch_the_scale() -> None:
    (axes,) = readings(big("one 999"))
    assert axes.get_ylim()[1] < 2
    (arrow,) = (one for one in axes.lines if one.get_label() == "off the scale")
    assert arrow.get_marker() == "^"
    assert list(arrow.get_xdata()) == [CASES["one 999"].channels[0].days.day[0] + 0.5]


def test_level_and_course_of_the_season_are_in_one_panel() -> None:
    curve = CASES["three years"].channels[0].trend.curve
    (axes,) = readings(big("three years"))
    drawn = line(axes, "season")
    drawn = drawn[np.isfinite(drawn[:, 1])]  # interrupted at steps
    np.testing.assert_array_equal(drawn[:, 1], curve.swr)
    np.testing.assert_allclose(line(axes, "level")[:, 1], curve.swr - curve.season)


def test_with_less_than_a_year_there_is_the_level_alone() -> None:
    (axes,) = readings(big("one month"))
    assert next(one.get_label() for one in axes.lines if one.get_color() == INK) == "level"
    assert not [one for one in axes.lines if one.get_label() == "season"]
    assert "season unknown so far" in axes.get_title("right")


def test_figures_of_each_channel_stand_above_it() -> None:
    trend = CASES["three years"].channels[0].trend
    (axes,) = readings(big("three years"))
    words = axes.get_title("right")
    assert f"level {trend.level:.2f}" in words
    assert f"{trend.slope_per_year:+.3f} a year" in words
    assert f"season ±{trend.season_amplitude:.2f}" in words


def test_an_empty_lane_says_so() -> None:
    words = {text.get_text() for text in big("one day").findobj(Text)}
    assert {"no entries", "no alarms"} <= words
    words = {text.get_text() for text in big("three years").findobj(Text)}
    assert not {"no entries", "no alarms"} & words


def test_return_loss_stands_where_its_swr_is() -> None:
    figure = big("three years")
    (axes,) = readings(figure)
    right = next(a for a in figure.axes if a.get_ylabel() == "return loss, dB")
    places = right.yaxis.get_majorticklocs()
    words = [right.yaxis.get_major_formatter()(place, n) for n, place in enumerate(places)]
    assert right.get_ylim() == axes.get_ylim()
    assert len(places) >= 3
    for place, word in zip(places, words, strict=True):
        assert int(word) in LOSSES_DB
        assert float(return_loss_db(rho_of_swr(place))) == pytest.approx(int(word))


def wedges(axes: Axes) -> list[Polygon]:
    return [patch for patch in axes.patches if isinstance(patch, Polygon)]


def test_a_step_is_a_wedge_on_the_days_in_which_it_may_lie() -> None:
    day = FIRST + 500
    for explained, fill in ((None, BRICK), ("repair: new plug", PAPER)):
        step = Step(day, day - 60, day + 30, 1.5, 1.8, explained)
        figure = drift.draw(drift_cases.account(days(1096, step=(500, 0.3)), step=step))
        (axes,) = readings(figure)
        (wedge,) = wedges(axes)
        (left, low), (tip, high), (right, level) = wedge.get_xy()[:3]
        assert (left, tip, right) == (day - 60, day, day + 31)
        assert low == level == 0.0 < high < 0.2
        assert to_hex(wedge.get_facecolor()).upper() == fill
    exact = Step(day, day, day, 1.5, 1.8, None)
    (axes,) = readings(drift.draw(drift_cases.account(days(1096), step=exact)))
    (wedge,) = wedges(axes)
    assert wedge.get_xy()[2, 0] - wedge.get_xy()[0, 0] > 1096 / 165  # at least 1 mm of 165


def test_the_level_is_interrupted_at_a_step_and_drawn_in_ink_with_a_hatched_interval() -> None:
    (axes,) = readings(big("stepped"))
    (step,) = CASES["stepped"].channels[0].trend.steps
    (level,) = (one for one in axes.lines if one.get_label() == "level")
    drawn = line(axes, "level")
    (gap,) = np.flatnonzero(np.isnan(drawn[:, 1]))
    assert drawn[gap - 1, 0] < step.day < drawn[gap + 1, 0]
    assert level.get_color() == INK
    (interval,) = (one for one in axes.collections if one.get_label() == "95 %")
    assert interval.get_hatch()
    assert len(interval.get_facecolor()) == 0 or interval.get_facecolor()[0, 3] == 0
    assert len(interval.get_paths()) == 2


def test_repairs_are_ticks_of_the_journal_lane_and_of_the_upper_edge() -> None:
    figure = big("stepped")
    entries = CASES["stepped"].entries
    (axes,) = readings(figure)
    (ticks,) = (one for one in axes.lines if one.get_marker() == TICKDOWN)
    work = [one.time_ns / DAY_NS for one in entries if one.kind in ("repair", "adjustment")]
    assert list(ticks.get_xdata()) == work
    lanes = next(a for a in figure.axes if not a.get_ylabel() and len(a.lines) == len(entries))
    assert [one.get_marker() for one in lanes.lines] == ["|"] * len(entries)
    widths = [one.get_markeredgewidth() for one in lanes.lines]
    bold = [entry.kind in ("repair", "adjustment") for entry in entries]
    assert [width == max(widths) for width in widths] == bold


def test_entries_and_alarms_are_listed() -> None:
    words = "\n".join(text.get_text() for text in big("stepped").findobj(Text))
    assert "1 2024-06-18 repair" in words
    assert "repair: new plug at the balcony" in words
    lanes = next(a for a in big("many alarms").axes if len(a.lines) > 20)
    raised = [one for one in lanes.lines if one.get_marker() == "v"]
    assert len(raised) == len(CASES["many alarms"].alarms)
    words = "\n".join(text.get_text() for text in big("many alarms").findobj(Text))
    assert "Alarms: high-swr 7" in words


def test_weather_has_strips_only_where_it_is_known() -> None:
    def labels(name: str) -> set[str]:
        return {axes.get_ylabel() for axes in big(name).axes}

    assert {"air\n°C", "rain\nmm"} <= labels("three years")
    assert not {"air\n°C", "rain\nmm"} & labels("stepped")


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_account_gives_the_same_file(tmp_path: Path, suffix: str) -> None:
    files = [tmp_path / f"{n}{suffix}" for n in range(2)]
    for path in files:
        sheet.save(drift.draw(CASES["one month"]), path)
    assert files[0].read_bytes() == files[1].read_bytes()
