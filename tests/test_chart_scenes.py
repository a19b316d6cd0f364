"""Charts of captures and transmissions: what stands on them is what the store holds."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from drivers.contract import SampleBlock
from logger.blocks import Noise
from logger.calibration.coupler import Coupler
from logger.charts import scenes, timeline
from logger.charts.scenes import Scene
from logger.charts.traces import FORWARD, RHO, RHO_HIGH, RHO_LOW, measure, traces
from logger.physics.reflection import rho_of_swr
from logger.store.tables import ALARMS, EXCURSIONS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.test_recompute_raw import Case
from tests.test_selection import COUPLER, streams
from tests.test_store import ALWAYS

NOISE = Noise((0.0005, 0.0005), (0.0, 0.0))


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("scenes"))


@pytest.fixture
def store(case: Case) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(case.play(case.config, case.right))) as opened:
        yield opened


def capture(store: StoreWriter, case: Case, capture_id: int) -> Scene:
    return scenes.of_capture(store, capture_id, "harbour-workshop", 0.2, case.right)


def transmission(store: StoreWriter, case: Case, number: int) -> Scene:
    return scenes.of_transmission(store, number, "harbour-workshop", 0.2, case.right)


def rows(store: StoreWriter, table) -> list[dict[str, object]]:
    return [record.columns for record in store.records(table, *ALWAYS)]


def shown(axes: Axes, label: str) -> np.ndarray:
    (line,) = (line for line in axes.get_lines() if line.get_label() == label)
    return np.column_stack(line.get_data())


def words(figure: Figure) -> str:
    return " ".join(text.get_text() for text in figure.texts)


@settings(max_examples=30, deadline=None)
@given(whole=streams(), columns=st.integers(1, 40), cuts=st.lists(st.integers(1, 5999), max_size=9))
def test_columns_hold_the_extremes_for_any_cut(
    whole: SampleBlock, columns: int, cuts: list[int]
) -> None:
    span_ns = int(whole.time_ns[0]), int(whole.time_ns[-1]) + 1
    edges = sorted({0, len(whole), *(cut % len(whole) for cut in cuts)})
    blocks = [whole[a:b] for a, b in itertools.pairwise(edges)]
    found = traces(blocks, COUPLER, NOISE, span_ns, columns)
    values = measure(whole, COUPLER, NOISE)
    assert found.pairs == len(whole)
    place = (whole.time_ns - span_ns[0]) // found.width_ns
    kept = ~np.isnan(found.low[FORWARD])
    for number, low, high in zip(
        np.unique(place), found.low[:, kept].T, found.high[:, kept].T, strict=True
    ):
        part = values[:, place == number]
        for series, of_one, of_other in zip(part, low, high, strict=True):
            known = series[~np.isnan(series)]
            if not len(known):
                assert np.isnan([of_one, of_other]).all()
            else:
                assert (of_one, of_other) == (known.min(), known.max())
    every = traces(blocks, COUPLER, NOISE, span_ns, None)
    kept = ~np.isnan(every.low[FORWARD])
    assert np.array_equal(every.time_ns[kept], whole.time_ns)
    assert np.array_equal(every.high[:, kept], values, equal_nan=True)


def test_the_interval_of_single_pairs_holds_the_truth() -> None:
    rng = np.random.default_rng(4)
    n, truth = 20_000, 0.2
    volts = [
        float(law.volts(np.array([watts]))[0])
        for law, watts in ((COUPLER.forward, 4.0), (COUPLER.reflected, 4.0 * truth**2))
    ]
    block = SampleBlock(
        np.arange(n) * 5_000_000,
        volts[0] + rng.normal(0, NOISE.sd_v[0], n),
        volts[1] + rng.normal(0, NOISE.sd_v[1], n),
    )
    values = measure(block, COUPLER, NOISE)
    inside = (values[RHO_LOW] <= truth) & (truth <= values[RHO_HIGH])
    assert np.mean(inside) == pytest.approx(0.95, abs=0.006)
    assert np.mean(values[RHO]) == pytest.approx(truth, rel=0.01)


def test_a_capture_shows_its_pairs_and_marks(store: StoreWriter, case: Case) -> None:
    excursion = rows(store, EXCURSIONS)[4]
    scene = capture(store, case, int(str(excursion["capture_id"])))
    figure = timeline.draw(scene)
    assert len([axes for axes in figure.axes if axes.get_title(loc="left") == "the event"]) == 1
    power, reflection, marks, detail_power, detail, detail_marks, swr = figure.axes
    pairs = store.archive.blocks(scene.span_ns[0], scene.span_ns[1] + 1)
    forward_w = np.concatenate([Coupler(case.right).power(block)[0] for block in pairs])
    drawn = shown(power, "incident")
    drawn = drawn[~np.isnan(drawn[:, 1])]
    assert len(drawn) == len(forward_w)
    assert np.allclose(drawn[:, 1], np.maximum(forward_w, power.get_ylim()[0]))
    # The event begins at 0 and lasts as long as the store says, in ms.
    begin, end = next(
        (patch.get_x(), patch.get_x() + patch.get_width())
        for patch in detail.patches
        if patch.get_linewidth() > 0
    )
    assert (begin, end) == (0.0, pytest.approx(excursion["duration_ms"]))
    usual = float(rho_of_swr(float(str(excursion["swr_beside"]))))
    assert shown(reflection, "usual")[:, 1] == pytest.approx(usual)
    peak = np.nanmax(shown(detail, "reflection")[:, 1])
    assert peak >= float(rho_of_swr(float(str(excursion["swr_peak"])))) - 0.01
    assert swr.get_ylim() == detail.get_ylim() == reflection.get_ylim()
    assert power.get_xlim() == reflection.get_xlim() == marks.get_xlim()
    assert detail_power.get_xlim() == detail.get_xlim() == detail_marks.get_xlim()
    assert f"Excursion {excursion['id']}: " in words(figure)
    assert "harbour-workshop" in words(figure)


def test_an_alarm_is_marked_where_it_was_raised(store: StoreWriter, case: Case) -> None:
    alarm = next(row for row in rows(store, ALARMS) if row["kind"] == "high-swr")
    figure = timeline.draw(capture(store, case, int(str(alarm["capture_id"]))))
    for axes in figure.axes[:6]:
        assert any(
            line.get_xdata()[0] == line.get_xdata()[1] == 0.0
            for line in axes.get_lines()
            if len(line.get_xdata()) == 2
        )
    limit = shown(figure.axes[1], "limit")[0, 1]
    assert limit == pytest.approx(0.5)  # SWR 3
    assert f"Alarm {alarm['id']}: high-swr" in words(figure)
    names = [text.get_text() for text in figure.axes[2].texts]
    assert any("high-swr" in name for name in names)


def test_a_transmission_by_pairs_and_by_seconds(store: StoreWriter, case: Case) -> None:
    row = next(row for row in rows(store, TRANSMISSIONS) if row["samples"] > scenes.ALL_PAIRS)
    number = row["id"]
    by_pairs = transmission(store, case, number)
    assert by_pairs.overview.pairs == row["samples"]
    assert not by_pairs.steps
    store.archive.expire(ALWAYS[1], None)
    by_seconds = transmission(store, case, number)
    assert by_seconds.steps
    assert 0 < by_seconds.overview.pairs < 40
    highest, highest_pair = (np.nanmax(s.overview.high[FORWARD]) for s in (by_seconds, by_pairs))
    assert highest <= highest_pair
    for scene, said in ((by_pairs, "each stroke spans"), (by_seconds, "mean of a second")):
        figure = timeline.draw(scene)
        assert said in words(figure)
        assert f"Transmission {number}" in words(figure)
        assert len(figure.axes) == 4


@pytest.mark.parametrize("number", range(1, 15, 3))
def test_nothing_runs_off_the_sheet(store: StoreWriter, case: Case, number: int) -> None:
    """Words keep to the paper and apart from the panels, whatever there is to show."""
    drawn = [timeline.draw(transmission(store, case, number))]
    own = [row for row in rows(store, EXCURSIONS) if row["transmission_id"] == number]
    own += [row for row in rows(store, ALARMS) if row["transmission_id"] == number]
    drawn += [
        timeline.draw(capture(store, case, int(str(row["capture_id"]))))
        for row in own[:2] + own[-1:]
    ]
    for figure in drawn:
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        paper = figure.bbox
        for text in figure.texts:
            box = text.get_window_extent(renderer)
            assert paper.x0 < box.x0 < box.x1 < paper.x1
            assert paper.y0 < box.y0 < box.y1 < paper.y1
        for axes in figure.axes:
            box = axes.get_tightbbox(renderer)
            assert paper.x0 < box.x0 < box.x1 < paper.x1
            heading = [t for t in figure.texts if t.get_window_extent(renderer).y0 > box.y0]
            assert all(t.get_window_extent(renderer).y0 > box.y1 for t in heading)
