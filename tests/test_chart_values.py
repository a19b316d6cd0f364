"""Values of charts on the page: each point has its words where it is drawn."""

from __future__ import annotations

import re

import numpy as np
import pytest
from matplotlib.figure import Figure

from logger.charts import calibration, drift, fault, sheet, timeline
from logger.charts.values import MOST, attach, list_values
from logger.page.drawings import for_page
from logger.store.writer import StoreWriter
from tests import drift_cases, fault_cases
from tests.test_chart_scenes import case, store, transmission
from tests.test_charts import fitted
from tests.test_recompute_raw import Case

__all__ = ["case", "store"]  # fixtures

Point = tuple[float, float, str]
FAULTS, ACCOUNTS = fault_cases.cases(), drift_cases.cases()


def panels(text: str) -> list[tuple[list[float], list[Point]]]:
    """Frames and points, parsed as the page does."""
    parsed = []
    for block in text.split("\n\n"):
        frame, *lines = block.split("\n")
        points = [line.split(" ", 2) for line in lines]
        parsed.append(
            (
                [float(edge) for edge in frame.split()],
                [(float(x), float(y), w) for x, y, w in points],
            )
        )
    return parsed


def bare(figure: Figure) -> bytes:
    """The SVG of the figure."""
    return sheet.svg(figure).encode()


def test_points_lie_where_they_are_drawn() -> None:
    with sheet.style():
        figure = sheet.blank(100, 50)
        axes = sheet.panel(figure, 10, 5, 80, 40)
        axes.set(xlim=(0, 8), ylim=(1, 10), yscale="log")
        axes.plot([2, 6], [10**0.5, 20], ls="", marker="o", clip_on=False)
    before = bare(figure)
    words = ["in the\nmiddle ", "left out", "above the scale", "outside"]
    attach(axes, [2, np.nan, 6, 9], [10**0.5, 2, 20, 2], words)
    assert bare(figure) == before  # nothing is drawn
    (((left, top, right, bottom), points),) = panels(list_values(figure))
    mm = 72 / 25.4
    assert np.allclose((left, top, right, bottom), np.array([10, 5, 90, 45]) * mm, rtol=2e-3)
    assert [text for *_, text in points] == ["in the middle", "above the scale"]
    assert np.allclose(points[0][:2], np.array([30, 25]) * mm, rtol=2e-3)
    assert np.allclose(points[1][:2], np.array([70, 5]) * mm, rtol=2e-3)
    uses = re.findall(
        rb'<use xlink:href="#\w+" x="([\d.]+)" y="([\d.]+)" style="fill: #1f77b4', before
    )
    assert np.allclose([float(number) for number in uses[0]], points[0][:2], rtol=2e-3)


def test_a_page_gets_them_as_one_attribute() -> None:
    with sheet.style():
        figure = sheet.blank(100, 50)
        attach(sheet.panel(figure, 10, 5, 80, 40), [0.5], [0.5], ['<b title="x">&'])
    svg = for_page(bare(figure), "x", "name", list_values(figure))
    assert 'data-values="' in svg
    assert "&lt;b title=&quot;x&quot;&gt;&amp;" in svg
    assert "data-values" not in for_page(bare(figure), "x", "name")


def test_a_transmission_tells_power_and_reflection(store: StoreWriter, case: Case) -> None:
    number = max(
        store.database.query("SELECT id, samples FROM transmissions"), key=lambda row: row[1]
    )[0]
    scene = transmission(store, case, number)
    power, reflection, lanes = panels(list_values(timeline.small(scene, 100, 118)))
    assert 100 < len(power[1]) <= MOST
    assert len(reflection[1]) <= len(power[1])
    assert re.fullmatch(
        r"[\d.]+ s: incident \d+\.\d\d(?: to \d+\.\d\d)? W.*, reflected .*W", power[1][60][2]
    ), power[1][60]
    told = re.search(r"reflection (0\.\d+), SWR (?:[\d.]+ to )?([\d.]+)", reflection[1][60][2])
    assert told, reflection[1][60]
    rho = float(told[1])
    assert float(told[2]) == pytest.approx((1 + rho) / (1 - rho), abs=0.02)
    # The greatest reflection of all pairs is not thinned out.
    highest = np.nanmax(scene.overview.high[2])
    assert f"reflection {highest:.3f}" in " ".join(text for *_, text in reflection[1])
    assert any("on air" in text for *_, text in lanes[1])


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_tells_its_course(name: str) -> None:
    scene = FAULTS[name]
    text = list_values(fault.small(scene, 100, 118))
    assert len(text) < 120_000
    if scene.notes:  # one that shares its place with a later one may be missing
        note = scene.notes[-1]
        assert f"{note.kind}: {' '.join(note.text.split())}" in text
    if any(np.isfinite(course.rho).any() for course in scene.courses):
        assert re.search(
            r"\nZ?[\d.]+ [\d.]+ \d{4}-\d\d-\d\dT[\d:]+Z, .*: SWR [\d.>]+, highest", text
        )
    if len(scene.excursions_ns):
        assert re.search(r"excursions per hour on the air \([\d.e+]+ to [\d.e+]+\)", text)


@pytest.mark.parametrize("name", ACCOUNTS)
def test_drift_tells_the_days_and_the_level(name: str) -> None:
    account = ACCOUNTS[name]
    channel = account.channels[0]
    told = panels(list_values(drift.small(account, channel, 100, 84)))
    days = max((points for _, points in told), key=lambda points: len(points))
    assert len(days) <= len(channel.days.day)
    assert re.match(r"\d{4}-\d\d-\d\d: SWR [\d.>]+, \d+ transmissions?", days[-1][2])
    if len(channel.trend.curve.day) > 1:
        assert re.search(r"; level [\d.]+ \([\d.]+ to [\d.]+\)$", days[-1][2])


def test_a_calibration_tells_its_points_and_claims() -> None:
    content = fitted()
    told = panels(list_values(calibration.draw(content)))
    assert len(told) == 5  # laws and residuals of both ports, claims
    words = [text for _, points in told for *_, text in points]
    assert any(
        re.match(r"matched: [\d.]+ V, [\d.]+ W, law [+−][\d.]+ dB \(±", text) for text in words
    )
    assert any(re.match(r"[\d.]+ W, a single pair: SWR \d", text) for text in words)
