"""The palette: contrasts, differences in grey and for colour-blind eyes, no other colours."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb

import logger
from logger.charts import palette
from logger.charts.palette import THEMES, VARIABLES

LIGHT, DARK = 0, 1
HUES = ("indigo", "brick", "teal", "ochre")
# Ratios against the paper, as the module states them.
STATED = {
    "indigo": (11.0, 5.8),
    "brick": (7.0, 7.8),
    "teal": (4.7, 10.6),
    "ochre": (3.2, 14.0),
    "ink": (17.7, 15.9),
    "grey": (7.8, 9.6),
}
# Machado, Oliveira and Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE Trans. Vis. Comput. Graph. 15 (2009), severity 1.0, for linear RGB; the figures
# were compared with those in colorspacious 1.1.2.
DEFICIENCIES = {
    "none": np.eye(3),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
}
# IEC 61966-2-1 (sRGB), D65.
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = TO_XYZ.sum(axis=1)


def linear(colour: str) -> np.ndarray:
    """Return linear RGB, shape (3,), by the transfer function of WCAG 2.2."""
    parts = np.array(to_rgb(colour))
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio by WCAG 2.2."""
    low, high = sorted(float(linear(colour) @ [0.2126, 0.7152, 0.0722]) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """Return CIE 1976 L*, a*, b* of linear RGB."""
    ratio = TO_XYZ @ rgb / WHITE
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def difference(one: str, other: str, deficiency: str) -> float:
    """Return the CIE 1976 colour difference of two colours as seen with a deficiency."""
    matrix = DEFICIENCIES[deficiency]
    seen = [lab(np.clip(matrix @ linear(colour), 0, 1)) for colour in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def test_the_measures_are_those_of_their_sources() -> None:
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21)
    assert contrast("#FFFFFF", "#777777") == pytest.approx(4.48, abs=0.005)  # WCAG technique G18
    assert lab(np.ones(3)) == pytest.approx([100, 0, 0], abs=1e-9)
    for matrix in DEFICIENCIES.values():
        assert matrix @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-5)  # white stays white


@pytest.mark.parametrize("name", STATED)
@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_contrasts_are_as_stated(name: str, theme: int) -> None:
    paper, colour = THEMES["paper"][theme], THEMES[name][theme]
    found = contrast(paper, colour)
    assert found == pytest.approx(STATED[name][theme], abs=0.06)
    assert re.search(rf" {name} +{STATED[name][0]} +{STATED[name][1]}\n", palette.__doc__ or "")
    assert found >= 3  # lines and marks, WCAG 1.4.11
    if (name, theme) != ("ochre", LIGHT):
        assert found >= 4.5  # words, WCAG 1.4.3
    if name in ("ink", "grey"):
        assert contrast(THEMES["shade"][theme], colour) >= 4.5


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_hues_stay_apart_in_grey_and_for_colour_blind_eyes(theme: int) -> None:
    for one, other in itertools.combinations(HUES, 2):
        colours = THEMES[one][theme], THEMES[other][theme]
        assert contrast(*colours) >= 1.3
        for deficiency in DEFICIENCIES:
            assert difference(*colours, deficiency) >= 20, (one, other, deficiency)


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_the_reading_stands_out_from_its_band_and_the_model_from_the_daily_values(
    theme: int,
) -> None:
    assert contrast(THEMES["brick"][theme], THEMES["straw"][theme]) >= 4
    light_or_dark = contrast(THEMES["teal"][theme], THEMES["ink"][theme])
    assert light_or_dark >= 1.4


def test_each_light_colour_has_one_variable() -> None:
    assert len(VARIABLES) == len(THEMES)


def test_no_other_colours_are_written_anywhere() -> None:
    root = Path(logger.__file__).parent
    found = {
        f"{path.name}: {colour}"
        for folder in ("charts", "report", "page")
        for path in (root / folder).rglob("*")
        if path.suffix in (".py", ".css", ".js", ".html") and path.name != "palette.py"
        for colour in re.findall(r"#(?:[0-9a-fA-F]{6}|[0-9a-fA-F]{3})\b(?![-\w])", path.read_text())
    }
    assert found == set()


def test_pages_use_only_variables_that_the_palette_has() -> None:
    root = Path(logger.__file__).parent
    used = {
        name
        for path in (root / "page/static/page.css", root / "report/html.py")
        for name in re.findall(r"var\(--([a-z-]+)\)", path.read_text())
    }
    assert used <= {*THEMES}
    for name, (light, dark) in THEMES.items():
        assert re.findall(rf"--{name}: (#\w+);", palette.style_sheet()) == [light, dark]
