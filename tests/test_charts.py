"""Charts: what stands on the sheets, and the files written."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import matplotlib
import msgspec
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from logger.calibration import bench_points, file
from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile
from logger.calibration.fit import fit
from logger.calibration.quality import bench_noise, residuals, smallest_swr
from logger.charts import calibration, sheet
from logger.errors import UsageError
from tests import coupler_model as model
from tests.deadlines import scale
from tests.station import CALIBRATION, mismatchd, write_config

LAWS = ("law", "law, extrapolated")
FORMATS = (".png", ".svg", ".pdf")


def fitted(
    conditions: tuple[str, ...] = model.ALL,
    spoil: dict[int, dict[str, float]] | None = None,
    *,
    powers: int = 8,
    detail: bool = False,
    highest_v: float = np.inf,
    marked: bool = False,
    **options: float,
) -> CalibrationFile:
    """The calibration of one invented coupler.

    spoil      factors for columns of rows; highest_v, where the converter clips
    marked     powers are marks only; options, for the fit
    """
    rng = np.random.default_rng([7, 3])
    coupler = model.random_coupler(rng)
    rows = model.bench_rows(coupler, rng, conditions, powers=powers, detail=detail)
    for number, factors in (spoil or {}).items():
        rows[number] |= {name: rows[number][name] * by for name, by in factors.items()}
    for row in rows:
        row |= {name: min(row[name], highest_v) for name in ("forward_v", "reflected_v")}
    marks = itertools.cycle(range(1, powers + 1))
    if marked:
        rows = [row | {"power_w": next(marks) if row["power_w"] else 0} for row in rows]
    reference = "none" if marked else "watts"
    bench = bench_points.parse(model.csv_text(rows), "points.csv")
    return fit(bench, reference=reference, **options).content


def by_hand(**more: object) -> CalibrationFile:
    """A file that no fit has made, with the least there can be."""
    return msgspec.structs.replace(file.parse(CALIBRATION, "coupler.yaml"), **more)


def corrected(content: CalibrationFile) -> CalibrationFile:
    """With an interpolant where the forward law would not hold."""
    volts = np.geomspace(0.02, 0.7, 33)
    knots = [(float(v), float(-(v**2))) for v in volts]
    port = msgspec.structs.replace(content.forward, correction=knots)
    return msgspec.structs.replace(content, forward=port)


BANDS = [(7100.0, 0.0), (14200.0, -1.1), (28400.0, -2.0)]


def contents() -> dict[str, CalibrationFile]:
    """All that a sheet may have to show."""
    plain = fitted(detail=True)
    bare = without_covariance(plain)
    nothing = {"directivity": None, "converter": file.Converter()}
    wordy = dict.fromkeys(("coupler", "reference"), "of the harbour workshop " * 9)
    by_band = msgspec.structs.replace(bare.forward, coupling_by_khz=BANDS, r_is_per_c=0.06)
    loud = file.PortVolts(forward_v=0.05, reflected_v=0.05)
    poor = file.Directivity(reflected_db=2.0, forward_db=2.0)
    return {
        "plain": plain,
        "matched only": without_covariance(fitted(("matched",))),
        "relative": fitted(("matched", "reversed"), marked=True),
        "outlier": without_covariance(
            fitted(spoil={6: {"forward_v": 1.3}, 14: {"reflected_v": 0.97}})
        ),
        "clipped": without_covariance(
            fitted(highest_v=0.42, full_scale_v=0.42, step_v=0.0008),
        ),
        "200 points": without_covariance(fitted(powers=50)),
        "interpolant": corrected(bare),
        "bands": msgspec.structs.replace(bare, forward=by_band, temperature_c=21.5),
        "poor directivity": msgspec.structs.replace(bare, directivity=poor),
        "deaf": msgspec.structs.replace(bare, noise=loud, directivity=None),
        "not by a fit": without_misses(bare),
        "by hand": by_hand(),
        "by hand, nothing known": by_hand(**nothing),
        "by hand, no noise": by_hand(converter=file.Converter()),
        "by hand, many words": by_hand(instrument=wordy | {"converter": "a $ b $ c_d"}),
    }


class Case(NamedTuple):
    """A calibration, applied and drawn."""

    content: CalibrationFile
    coupler: Coupler
    figure: Figure


@pytest.fixture(scope="module")
def cases() -> dict[str, Case]:
    return {
        name: Case(content, Coupler(content), calibration.draw(content))
        for name, content in contents().items()
    }


def without_covariance(content: CalibrationFile) -> CalibrationFile:
    """Quicker to work with; two of the sheets are enough to show it."""
    return msgspec.structs.replace(content, covariance=None)


def without_misses(content: CalibrationFile) -> CalibrationFile:
    """As if a person had written the points down."""
    rows = [
        {name: value for name, value in row.items() if not name.endswith("_db")}
        for row in content.bench_points
    ]
    return msgspec.structs.replace(content, bench_points=rows)


def panel(figure: Figure, title: str) -> Axes:
    (found,) = (axes for axes in figure.axes if axes.get_title(loc="left").startswith(title))
    return found


def points(axes: Axes, crossed: bool = False) -> list[tuple[float, float]]:
    """All bench points of a panel, or those crossed out."""
    shapes = "x+" if crossed else "os^v"
    return [
        xy
        for line in axes.lines
        if str(line.get_marker()) in shapes
        for xy in zip(line.get_xdata(), line.get_ydata(), strict=True)
    ]


def words(figure: Figure) -> str:
    return "\n".join(text.get_text() for text in figure.findobj(Text))


def inside(axes: Axes, xy: tuple[float, float]) -> bool:
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    return bool(left < xy[0] < right and bottom < xy[1] < top)


def test_no_words_overlap_and_none_leave_the_paper(cases: dict[str, Case]) -> None:
    for name, (_, _, figure) in cases.items():
        with sheet.style():
            figure.draw_without_rendering()
            renderer = FigureCanvasAgg(figure).get_renderer()
            texts = [t for t in figure.findobj(Text) if t.get_text() and t.get_visible()]
            left, bottom, right, top = np.array(
                [text.get_window_extent(renderer).extents for text in texts]
            ).T
        outside = (left < 0) | (bottom < 0)
        outside |= (right > figure.bbox.width) | (top > figure.bbox.height)
        assert [texts[n].get_text() for n in np.flatnonzero(outside)] == [], name
        over = (left[:, None] < right) & (left < right[:, None])
        over &= (bottom[:, None] < top) & (bottom < top[:, None])
        pairs = np.argwhere(np.triu(over, 1))
        assert [[texts[n].get_text() for n in pair] for pair in pairs] == [], name


@pytest.mark.parametrize("port", [0, 1])
def test_the_laws_show_all_points_and_the_calibrated_range(
    port: int, cases: dict[str, Case]
) -> None:
    side = ("forward", "reflected")[port]
    for name, (content, coupler, _) in cases.items():
        law = coupler.forward if port == 0 else coupler.reflected
        axes = panel(cases[name].figure, f"{side} detector")
        unit = "W (relative)" if name == "relative" else "W"
        assert axes.get_xlabel() == f"{side} reading less its zero, V"
        assert axes.get_ylabel() == f"{('incident', 'reflected')[port]} power, {unit}"
        assert axes.get_xscale() == axes.get_yscale() == "log"
        shown = points(axes)
        found = residuals(coupler)[port]
        if found:
            assert sorted(v for v, _ in shown) == sorted(one.volts for one in found)
        assert all(inside(axes, xy) for xy in shown), name
        # A point is as far from the law as its residual.
        off_db = [
            10 * np.log10(float(law.watts(np.array([v + law.zero_v]))[0]) / w) for v, w in shown
        ]
        if found:
            assert sorted(off_db) == pytest.approx(sorted(one.residual_db for one in found))
        solid, dashed = (line for line in axes.lines if line.get_label() in LAWS)
        end_v = getattr(content.valid, f"{side}_v")[1] - law.zero_v
        assert solid.get_xdata()[-1] == dashed.get_xdata()[0] == end_v
        assert dashed.get_linestyle() == "--"
        for line in (solid, dashed):
            watts = law.exact_watts(np.asarray(line.get_xdata()) + law.zero_v)
            assert line.get_ydata() == pytest.approx(watts, rel=1e-9)
        plain = [line for line in axes.lines if line.get_label() == "without its correction"]
        assert len(plain) == (name == "interpolant" and port == 0)


def test_points_of_a_file_not_made_by_a_fit_are_shown_as_they_are(cases: dict[str, Case]) -> None:
    content = cases["not by a fit"].content
    rows = [row for row in content.bench_points if row["power_w"] > 0]
    for side, heard in (("forward", {"matched"}), ("reflected", {"reversed"})):
        zero_v = getattr(content, side).zero_v
        expected = [
            (row[f"{side}_v"] - zero_v, row["power_w"])
            for row in rows
            if row["condition"] in heard | {"open", "short"}
        ]
        axes = panel(cases["not by a fit"].figure, f"{side} detector")
        shown = np.array(sorted(points(axes)))
        assert shown == pytest.approx(np.array(sorted(expected)))
    assert "No residuals: the file was not made by a fit." in words(cases["not by a fit"].figure)
    assert "No residuals: the file has no bench points." in words(cases["by hand"].figure)


def test_residuals_with_their_bars(cases: dict[str, Case]) -> None:
    for name, (_, coupler, _) in cases.items():
        for side, found in zip(("forward", "reflected"), residuals(coupler), strict=True):
            if not found:
                continue
            axes = panel(cases[name].figure, f"residuals, {side}")
            shown = points(axes)
            assert len(shown) == len(found)
            assert all(inside(axes, xy) for xy in shown)
            low, high = axes.get_ylim()
            on_scale = [one for one in found if low < one.residual_db < high]
            assert {one.point for one in found if not one.left_out} <= {
                one.point for one in on_scale
            }
            values = [db for _, db in shown]
            assert all(
                any(db == pytest.approx(one.residual_db) for db in values) for one in on_scale
            )
            ((bars,),) = (container.lines[2] for container in axes.containers)
            spans = [(x[0], x[1]) for x in (part[:, 1] for part in bars.get_segments())]
            assert [(top - bottom) / 2 for bottom, top in spans] == pytest.approx(
                [1.96 * one.error_db for one in found]
            )
            if name != "relative":
                assert sorted(w for w, _ in shown) == sorted(one.watts for one in found)
            left_out = [one for one in found if one.left_out]
            assert len(points(axes, crossed=True)) == len(left_out)
    assert (
        panel(cases["plain"].figure, "residuals, forward").get_ylabel() == "law minus reference, dB"
    )
    assert panel(cases["plain"].figure, "residuals, forward").get_xlabel() == "incident power, W"
    assert "no bench points for this port" in words(cases["matched only"].figure)


def test_omitted_points_are_named(cases: dict[str, Case]) -> None:
    outlier, clipped = cases["outlier"].figure, cases["clipped"].figure
    assert "left out: outlier" in words(outlier)
    assert "left out: clipped" not in words(outlier)
    assert "left out: clipped" in words(clipped)
    assert "end of range" in words(clipped)
    note = panel(outlier, "residuals, forward").get_title(loc="right")
    assert note.startswith("off scale: +1.")
    assert len(points(panel(outlier, "forward detector"), crossed=True)) == 1


def test_the_smallest_swr_and_the_floor(cases: dict[str, Case]) -> None:
    for name, (content, coupler, _) in cases.items():
        axes = panel(cases[name].figure, "smallest SWR")
        curves = {str(line.get_label()): line for line in axes.lines}
        floor_w = coupler.readable_floor_w(bench_noise(coupler))
        if name == "by hand, nothing known":
            assert not curves
            assert "nothing can be claimed" in words(cases[name].figure)
            continue
        for label, pairs in (("a single pair", 1), ("mean of 100 pairs", 100)):
            watts = np.asarray(curves[label].get_xdata())
            swr = np.asarray(curves[label].get_ydata())
            assert swr == pytest.approx(smallest_swr(coupler, watts, pairs))
            assert np.isfinite(swr).all()
            assert swr.max() < axes.get_ylim()[1]
            if floor_w:
                assert watts[0] == pytest.approx(floor_w)
        if floor_w:
            assert axes.get_xlim()[0] < floor_w < axes.get_xlim()[1]
            assert f"readable floor {floor_w:.3g} W" in words(cases[name].figure)
        else:
            assert "no floor is shown" in words(cases[name].figure)
        assert axes.get_xlim()[1] > content.valid.forward_w[1]
        assert ("Directivity is not known" in words(cases[name].figure)) == (
            content.directivity is None
        )
    assert "above the highest power of the bench" in words(cases["deaf"].figure)
    assert "may be too optimistic" in words(cases["outlier"].figure)
    assert "may be too optimistic" not in words(cases["plain"].figure)
    assert (
        panel(cases["relative"].figure, "smallest").get_xlabel() == "incident power, W (relative)"
    )


def test_the_heading_has_the_figures(cases: dict[str, Case]) -> None:
    for name, (content, _, _) in cases.items():
        shown = words(cases[name].figure)
        assert file.identify(content) in shown
        assert content.date in shown
        assert ("Watts are relative" in shown) == (name == "relative")
    content, shown = cases["plain"].content, words(cases["plain"].figure)
    assert content.covariance is not None
    assert content.directivity is not None
    sd = dict(
        zip(
            content.covariance.parameters,
            np.sqrt(np.diag(np.array(content.covariance.matrix))),
            strict=True,
        )
    )
    for side in ("forward", "reflected"):
        port = getattr(content, side)
        zero_u = 1e3 * sd[f"{side}.zero_v"]
        assert f"{1e3 * port.zero_v:.3f} ± {zero_u:.3f}" in shown
        assert f"{port.coupling_db:.3f} ± {sd[f'{side}.coupling_db']:.3f}" in shown
        assert f"{1e3 * port.n_vt_v:.2f} ± {1e3 * sd[f'{side}.n_vt_v']:.2f}" in shown
    assert f"{content.directivity.reflected_db:.1f} ± " in shown
    assert "shows watts, class 5 %, readings scatter by" in shown
    assert "step 0.806 mV, full scale 3.3 V" in shown
    assert "14200 kHz −1.10 dB" in words(cases["bands"].figure)
    assert "21.5 °C" in words(cases["bands"].figure)
    assert "step not known, full scale not known" in words(cases["by hand, nothing known"].figure)
    assert "a $ b $ c_d" in words(cases["by hand, many words"].figure)


def test_the_same_calibration_gives_the_same_bytes(tmp_path: Path, cases: dict[str, Case]) -> None:
    content, _, once = cases["bands"]
    again = calibration.draw(content)
    for suffix in FORMATS:
        for name, figure in (("once", once), ("again", again)):
            sheet.save(figure, tmp_path / f"{name}{suffix}")
        first, second = ((tmp_path / f"{n}{suffix}").read_bytes() for n in ("once", "again"))
        assert first == second
        assert len(first) > 10_000
        for moment in (b"CreationDate", b"dc:date"):
            assert moment not in first


def test_a_persons_own_settings_neither_count_nor_change(
    tmp_path: Path, cases: dict[str, Case]
) -> None:
    sheet.save(calibration.draw(cases["by hand"].content), tmp_path / "usual.png")
    with matplotlib.rc_context({"axes.facecolor": "black", "savefig.dpi": 30, "font.size": 30}):
        before = dict(matplotlib.rcParams)
        sheet.save(calibration.draw(cases["by hand"].content), tmp_path / "own.png")
        assert dict(matplotlib.rcParams) == before
    assert (tmp_path / "own.png").read_bytes() == (tmp_path / "usual.png").read_bytes()


def test_a_sheet_is_a4(cases: dict[str, Case]) -> None:
    assert cases["plain"].figure.get_size_inches() * 25.4 == pytest.approx((210, 297))


@pytest.mark.parametrize("name", ["chart.jpg", "chart", "missing/chart.png"])
def test_unwritable_chart_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=name) as refused:
        sheet.save(sheet.blank(), tmp_path / name)
    assert "\n" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("low", "high"), [(0.9, 1.1), (2, 9), (0.03, 4), (1e-5, 30)])
def test_numbers_on_logarithmic_axes(low: float, high: float) -> None:
    axes = sheet.panel(sheet.blank(), 20, 20, 100, 100)
    sheet.logarithmic(axes, "x", low, high)
    labelled = [tick for tick in axes.xaxis.get_majorticklocs() if low <= tick <= high]
    assert 2 <= len(labelled) <= 8
    assert axes.get_xlim() == (low, high)


# ---- the command


def refused(*arguments: str | Path) -> str:
    done = mismatchd("chart", "calibration", *arguments, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    return line


def test_chart_calibration_of_the_configuration_and_of_a_file(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    done = mismatchd("chart", "calibration", "-c", config, "-o", tmp_path / "one.png")
    assert done.stdout == ""
    assert "one.png" in done.stderr
    of_file = ("--calibration", tmp_path / "coupler.yaml")
    mismatchd("chart", "calibration", *of_file, "-o", tmp_path / "two.png")
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()


def test_chart_calibration_refuses_in_one_line(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    assert "chart.jpg" in refused("-c", config, "-o", tmp_path / "chart.jpg")
    missing = tmp_path / "missing.yaml"
    assert "missing.yaml" in refused("--calibration", missing, "-o", tmp_path / "a.png")
    (tmp_path / "coupler.yaml").unlink()
    assert "coupler.yaml" in refused("-c", config, "-o", tmp_path / "a.png")


def test_only_charts_import_the_drawing_library() -> None:
    program = (
        "import sys, logger.cli.commands.chart_calibration, logger.cli.commands.calibrate_fit;"
        "sys.exit('matplotlib' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", program], check=True, timeout=scale(60))
