"""Drift charts: what stands on the sheets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from logger.charts import drift, sheet
from logger.charts.drift_panels import LOSSES_DB
from logger.charts.sheet import BLUE, GREEN, INK, VERMILION
from logger.reflection import return_loss_db, rho_of_swr
from logger.trend.account import DAY_NS, Account
from tests.drift_cases import cases

CASES = cases()
BIG = {name: drift.draw(account) for name, account in CASES.items()}
SMALL = {
    f"{name}, small": drift.small(account, account.channels[0], 100, 84)
    for name, account in CASES.items()
}


def readings(figure: Figure) -> list[Axes]:
    """The panels of daily values as read."""
    return [a for a in figure.axes if any(t.get_label() == "daily value" for t in a.lines)][1::2]


def line(axes: Axes, label: str) -> np.ndarray:
    (found,) = (one for one in axes.lines if one.get_label() == label)
    return np.column_stack(found.get_data())


@pytest.mark.parametrize("name", [*BIG, *SMALL])
def test_no_words_overlap_and_none_leave_the_paper(name: str) -> None:
    figure = (BIG | SMALL)[name]
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
        for axes, channel in zip(readings(BIG[name]), account.channels, strict=True):
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


def test_what_is_far_out_leaves_the_scale_to_the_others() -> None:
    (axes,) = readings(BIG["one 999"])
    assert axes.get_ylim()[1] < 2
    (arrow,) = (one for one in axes.lines if one.get_label() == "beyond the scale")
    assert arrow.get_marker() == "^"
    assert list(arrow.get_xdata()) == [CASES["one 999"].channels[0].days.day[0] + 0.5]


def test_the_model_and_the_rest_without_season() -> None:
    account = CASES["three years"]
    curve = account.channels[0].trend.curve
    (axes,) = readings(BIG["three years"])
    np.testing.assert_array_equal(line(axes, "model")[:, 1], curve.swr)
    below = next(a for a in BIG["three years"].axes if a.get_title(loc="left").startswith("season"))
    np.testing.assert_allclose(line(below, "model")[:, 1], curve.swr - curve.season)
    used = account.channels[0].days
    season = curve.season[used.day - curve.day[0]]
    np.testing.assert_allclose(line(below, "daily value")[:, 1], used.swr - season)


def test_return_loss_stands_where_its_swr_is() -> None:
    figure = BIG["three years"]
    (axes,) = readings(figure)
    right = next(a for a in figure.axes if a.get_ylabel() == "return loss, dB")
    places = right.yaxis.get_majorticklocs()
    words = [right.yaxis.get_major_formatter()(place, n) for n, place in enumerate(places)]
    assert right.get_ylim() == axes.get_ylim()
    assert len(places) >= 3
    for place, word in zip(places, words, strict=True):
        assert int(word) in LOSSES_DB
        assert float(return_loss_db(rho_of_swr(place))) == pytest.approx(int(word))


def test_entries_alarms_and_steps_are_marked() -> None:
    account: Account = CASES["stepped"]
    (axes,) = readings(BIG["stepped"])
    upright = [
        one
        for one in axes.lines
        if len(set(one.get_xdata())) == 1 and one.get_marker() in ("", "None", None)
    ]
    places = {float(one.get_xdata()[0]): one.get_linestyle() for one in upright}
    for entry in account.entries:
        solid = entry.kind in ("repair", "adjustment")
        assert places[entry.time_ns / DAY_NS] == ("-" if solid else ":")
    (step,) = account.channels[0].trend.steps
    assert places[step.day] == "--"
    words = "\n".join(text.get_text() for text in BIG["stepped"].findobj(Text))
    assert "1 2024-06-18 repair" in words
    assert "repair: new plug at the balcony" in words
    lanes = next(a for a in BIG["many alarms"].axes if len(a.lines) > 20)
    raised = [one for one in lanes.lines if one.get_marker() == "v"]
    assert len(raised) == len(CASES["many alarms"].alarms)
    words = "\n".join(text.get_text() for text in BIG["many alarms"].findobj(Text))
    assert "Alarms: high-swr 7" in words


def test_weather_has_strips_only_where_it_is_known() -> None:
    def labels(name: str) -> set[str]:
        return {axes.get_ylabel() for axes in BIG[name].axes}

    assert {"air\n°C", "rain\nmm"} <= labels("three years")
    assert not {"air\n°C", "rain\nmm"} & labels("stepped")


def test_colours_differ_in_grey_too() -> None:
    """By relative luminance (WCAG 2.1), or else by their strokes: model, limit, step and repair."""

    def luminance(colour: str) -> float:
        parts = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)
        ]
        return float(np.dot(parts, [0.2126, 0.7152, 0.0722]))

    strokes = {BLUE: "-", GREEN: "-.", VERMILION: "--", INK: "-"}
    for one, other in ((BLUE, GREEN), (BLUE, VERMILION), (BLUE, INK), (GREEN, VERMILION)):
        ratio = (luminance(one) + 0.05) / (luminance(other) + 0.05)
        assert strokes[one] != strokes[other] or max(ratio, 1 / ratio) > 3


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_account_gives_the_same_file(tmp_path: Path, suffix: str) -> None:
    files = [tmp_path / f"{n}{suffix}" for n in range(2)]
    for path in files:
        sheet.save(drift.draw(CASES["one month"]), path)
    assert files[0].read_bytes() == files[1].read_bytes()
