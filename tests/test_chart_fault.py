"""Charts of faults: what stands on the sheets is what the store holds."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from logger.charts import fault, fault_scene, sheet
from logger.charts.fault_scene import FaultScene
from logger.errors import UsageError
from logger.rows import FaultState
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS, UNIT_NS, parse_time
from tests import fault_cases
from tests.fault_cases import FIRST_NS, SECOND
from tests.station import mismatchd
from tests.test_fault_store import write
from tests.test_faults import GAP, alarm, broken, over, spell, start_of
from tests.test_recompute_raw import Case

CASES = fault_cases.cases()


@cache
def big(name: str) -> Figure:
    return fault.draw(CASES[name])


@cache
def small(name: str) -> Figure:
    return fault.small(CASES[name], 100, 118)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("faults"))


@pytest.fixture
def played(case: Case) -> Iterator[StoreWriter]:
    """A store with pairs."""
    with closing(StoreWriter.open(case.play(case.config, case.right))) as opened:
        yield opened


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


def scene_of(store: StoreWriter, case: Case, number: int = 1) -> FaultScene:
    return fault_scene.of_fault(store, number, "harbour-workshop", 0.2, case.right)


def panel(figure: Figure, label: str) -> Axes:
    """The panel whose y axis has this label."""
    return next(axes for axes in figure.axes if axes.get_ylabel() == label)


def lanes(figure: Figure) -> Axes:
    return figure.axes[0] if not figure.axes[0].get_ylabel() else figure.axes[-1]


def misplaced(figure: Figure) -> tuple[list[str], list[list[str]]]:
    """Words that leave the paper, and pairs of words that overlap."""
    with sheet.style():
        figure.draw_without_rendering()
        renderer = FigureCanvasAgg(figure).get_renderer()
        texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
        boxes = np.array([text.get_window_extent(renderer).extents for text in texts])
    left, bottom, right, top = boxes.T
    outside = (left < 0) | (bottom < 0) | (right > figure.bbox.width) | (top > figure.bbox.height)
    over = (left[:, None] < right) & (left < right[:, None])
    over &= (bottom[:, None] < top) & (bottom < top[:, None])
    return (
        [texts[n].get_text() for n in np.flatnonzero(outside)],
        [[texts[n].get_text() for n in pair] for pair in np.argwhere(np.triu(over, 1))],
    )


@pytest.mark.parametrize("draw", [big, small])
@pytest.mark.parametrize("name", CASES)
def test_no_words_overlap_and_none_leave_the_paper(
    draw: Callable[[str], Figure], name: str
) -> None:
    assert misplaced(draw(name)) == ([], [])


@pytest.mark.parametrize("name", CASES)
def test_panels_share_the_time_axis_and_keep_apart(name: str) -> None:
    for figure in (big(name), small(name)):
        main = [axes for axes in figure.axes if axes.get_position().width > 0.5]
        assert len({axes.get_xlim() for axes in main}) == 1
        boxes = sorted({tuple(axes.get_position().extents) for axes in main}, key=lambda b: b[1])
        assert all(below[3] < above[1] for below, above in pairwise(boxes)), name
        assert boxes[0][1] > 0
        assert boxes[-1][3] < 1


def test_excursions_are_counted_per_hour_on_the_air() -> None:
    scene = CASES["days"]
    measured = fault.rates(scene)
    assert measured.width_ns == 6 * UNIT_NS["h"]
    edges = np.append(measured.begin_ns, measured.begin_ns[-1] + measured.width_ns)
    (course,) = scene.courses
    for begin_ns, rate, low, high in zip(
        edges, measured.rate, measured.low, measured.high, strict=False
    ):
        end_ns = begin_ns + measured.width_ns
        inside = (np.maximum(course.start_ns, begin_ns), np.minimum(course.end_ns, end_ns))
        hours = np.maximum(inside[1] - inside[0], 0).sum() / UNIT_NS["h"]
        number = ((begin_ns <= scene.excursions_ns) & (scene.excursions_ns < end_ns)).sum()
        assert rate == pytest.approx(number / hours)
        assert low <= rate <= high
    # The exact 95 % interval of a Poisson mean: 0 counted is 0 to 3.69, 10 are 4.80 to 18.39.
    one = CASES["a minute"]._replace(excursions_ns=np.full(10, FIRST_NS + 21 * SECOND))
    measured = fault.rates(one)
    at = measured.rate.argmax()
    hours = 10 / measured.rate[at]
    assert (measured.low[at] * hours, measured.high[at] * hours) == pytest.approx(
        (4.795, 18.390), abs=0.001
    )
    assert measured.high[measured.rate == 0].min() > 0


def test_without_excursions_there_is_no_panel_for_them() -> None:
    assert "per hour on the air" in {axes.get_ylabel() for axes in big("days").axes}
    assert "per hour on the air" not in {axes.get_ylabel() for axes in big("years").axes}
    words = {text.get_text() for text in big("without transmissions").findobj(Text)}
    assert "no transmissions" in words


def test_the_level_before_is_drawn_and_many_transmissions_are_columns() -> None:
    level = panel(big("days"), "reflection coefficient")
    (dots,) = (line for line in level.lines if line.get_label() == "channel 20")
    assert len(dots.get_xdata()) == len(CASES["days"].courses[0].rho)
    many = panel(big("months"), "reflection coefficient")
    drawn = [line for line in many.lines if str(line.get_label()).startswith(("channel", "others"))]
    assert [line.get_label() for line in drawn] == [
        *(f"channel {n}" for n in (20, 21, 22)),
        "others",
    ]
    assert all(0 < len(line.get_xdata()) <= 161 for line in drawn)
    dashed = [line for line in level.lines if set(line.get_ydata()) == {0.1}]
    assert dashed


def test_a_loose_plug_that_was_repaired(store: StoreWriter, case: Case) -> None:
    repair_ns = start_of(30) - 60 * SECOND
    rows = [*spell(0, 3), *broken(3), *spell(4, 30, every=2), *spell(30, 80)]
    write(store, rows, [repair_ns])
    scene = scene_of(store, case)
    assert scene.fault.state == FaultState.CLOSED
    assert [(stretch.state) for stretch in scene.states] == ["open", "verifying", "closed"]
    assert scene.states[1].begin_ns == repair_ns
    assert [note.kind for note in scene.notes if not note.is_change] == ["repair"]
    assert {"opened", "repaired", "closed"} == {note.kind for note in scene.notes if note.is_change}
    assert len(scene.excursions_ns) == scene.fault.excursions
    assert scene.span_ns[0] < scene.first_ns == start_of(3) + SECOND
    closed_ns = parse_time(str(scene.fault.closed_utc), 0)
    assert closed_ns <= scene.span_ns[1] < closed_ns + 2 * GAP
    (course,) = scene.courses
    assert course.usual == pytest.approx((1.21 - 1) / (1.21 + 1))
    assert set(np.round(course.rho, 6)) == {round(0.21 / 2.21, 6)}
    figure = fault.draw(scene)
    words = " ".join(text.get_text() for text in figure.texts)
    assert "Fault 1: closed" in words
    assert "repair: a plug" in words
    assert "Fixed (99 %)" in words
    assert misplaced(figure) == ([], [])


def test_a_fault_of_one_alarm_that_is_still_open(store: StoreWriter, case: Case) -> None:
    write(store, [alarm("no-data", start_of(0))])
    scene = scene_of(store, case)
    assert scene.courses == []
    assert scene.span_ns[0] < start_of(0) < scene.span_ns[1]
    assert misplaced(fault.draw(scene)) == ([], [])
    write(store, [over(3)])  # the fault is shown up to the last transmission
    assert scene_of(store, case).span_ns[1] > start_of(3)
    with pytest.raises(UsageError, match="there is no fault 7"):
        scene_of(store, case, 7)


def test_captures_are_drawn_while_their_pairs_are_stored(played: StoreWriter, case: Case) -> None:
    scene = scene_of(played, case)
    assert 0 < len(scene.captures) == min(scene.captured, 4)
    figure = fault.draw(scene)
    events = [axes for axes in figure.axes if axes.get_xlabel() == "ms from the event"]
    assert len(events) == len(scene.captures)
    for axes, capture in zip(events, scene.captures, strict=True):
        assert axes.get_title("left").startswith(capture.title.lower())
        low, high = axes.get_xlim()
        assert low < 0 < high
        assert np.nanmax([np.nanmax(line.get_ydata()) for line in axes.lines]) > 0.3
    assert misplaced(figure) == ([], [])
    played.database.execute("DELETE FROM segments")
    scene = scene_of(played, case)
    assert scene.captures == []
    words = " ".join(text.get_text() for text in fault.draw(scene).texts)
    assert re.search(r"No raw pairs of its \d+ captures? are stored\.", words)


def test_times_are_round_and_the_date_stands_where_it_changes() -> None:
    span_ns = FIRST_NS + 20 * SECOND, FIRST_NS + 8 * UNIT_NS["h"]
    labels = fault.ticks(span_ns, 9)
    assert [label for _, label in labels] == [
        *("20:00\n2026-03-01", "21:00\n", "22:00\n", "23:00\n"),
        *("00:00\n2026-03-02", "01:00\n", "02:00\n", "03:00\n"),
    ]
    assert all(span_ns[0] <= place * DAY_NS <= span_ns[1] for place, _ in labels)
    days = fault.ticks((FIRST_NS, FIRST_NS + 30 * DAY_NS), 9)
    assert len(days) <= 9
    assert all(place == round(place) for place, _ in days)


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_the_same_fault_gives_the_same_file(tmp_path: Path, suffix: str) -> None:
    files = [tmp_path / f"{n}{suffix}" for n in range(2)]
    for path in files:
        sheet.save(fault.draw(CASES["an hour"]), path)
    assert files[0].read_bytes() == files[1].read_bytes()


def test_the_command(played: StoreWriter, case: Case, tmp_path: Path) -> None:
    config = tmp_path / "config.yaml"
    config.write_text(
        re.sub(r"store: .*", f"store: {{path: {played.path}}}", case.path.read_text())
    )
    done = mismatchd("chart", "fault", "1", "-c", config, "-o", tmp_path / "fault.png")
    assert done.stderr.endswith("fault.png\n")
    assert (tmp_path / "fault.png").stat().st_size > 20_000
    done = mismatchd("chart", "fault", "99", "-c", config, "-o", tmp_path / "no.png", check=False)
    assert (done.returncode, "there is no fault 99" in done.stderr) == (2, True)
