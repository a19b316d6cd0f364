"""Colours of all charts, the report and the page, for light and for dark paper.

The charts use the light colours by name; `THEMES` and `style_sheet` give pages the same colours as
CSS variables. The four hues are computed: a hue angle in Oklab (Ottosson, "A perceptual color space
for image processing", 2020) at the lightness that gives the wanted contrast against the paper. The
contrasts (ratios after WCAG 2.2) are graded, so that the hues also differ in grey:

 hue                light paper   dark paper
 indigo                11.0          5.8
 brick                  7.0          7.8
 teal                   4.7         10.6
 ochre                  3.2         14.0
 ink                   17.7         15.9
 grey                   7.8          9.6

Ochre on light paper is for lines and marks, not for text. `tests/test_palette.py` computes these
figures, and the distance between the hues with deuteranopia and protanopia.
"""

from __future__ import annotations

PAPER, INK, GREY = "#FFFFFF", "#15191C", "#4C5359"
FAINT, GRID, SHADE, STRAW = "#A9AEB1", "#CDD0D1", "#ECEDEA", "#F2E2BC"  # fills and fine lines
INDIGO, BRICK, TEAL, OCHRE = "#392A91", "#A2312B", "#018370", "#BC861A"

# CSS variable: colours on light and on dark paper.
THEMES = {
    "paper": (PAPER, "#14181B"),
    "ink": (INK, "#F1F2EE"),
    "grey": (GREY, "#B9BFC4"),
    "faint": (FAINT, "#6C757C"),
    "grid": (GRID, "#3A4147"),
    "shade": (SHADE, "#252B30"),
    "straw": (STRAW, "#4A3E1E"),
    "indigo": (INDIGO, "#8888EF"),
    "brick": (BRICK, "#FF897E"),
    "teal": (TEAL, "#7AD8C3"),
    "ochre": (OCHRE, "#FAE479"),
}
# CSS variable of each chart colour; keys are in lower case.
VARIABLES = {light.lower(): name for name, (light, _) in THEMES.items()}


def style_sheet() -> str:
    """Return the colours as CSS variables, with dark ones for screens that prefer them."""
    light, dark = (
        " ".join(f"--{name}: {pair[which]};" for name, pair in THEMES.items()) for which in (0, 1)
    )
    return (
        f":root {{ color-scheme: light dark; {light} }}\n"
        f"@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}"
    )
