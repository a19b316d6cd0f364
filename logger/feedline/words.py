"""Comparison of cables as lines of text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logger.feedline.cables import Attenuation
from logger.feedline.comparison import Choice, Terms
from logger.feedline.loss import highest_swr_at_shack

HEAD = (
    ("cable", "", "matched", "total", "sources", "SWR at", "SWR at", "reaches the", "lost"),
    ("", "m", "dB", "dB", "dB", "antenna", "shack", "antenna", "S-units"),
)
WIDTHS = (9, 5, 8, 7, 12, 8, 7, 14, 8)
HIGH_SWR = 2.0  # from here on the real loss of a short line may differ much from the formula


def table(rows: Sequence[Choice], terms: Terms) -> Iterator[str]:
    """Yield the conditions, a heading and one line per choice."""
    where = "antenna" if terms.at_antenna else "shack"
    yield (
        f"{terms.frequency_mhz:g} MHz, SWR {terms.swr:g} at the {where}, {terms.power_w:g} W net"
        " into the line"
    )
    yield ""
    for cells in (*HEAD, *map(_cells, rows)):
        first, *rest = zip(cells, WIDTHS, strict=True)
        yield (first[0].ljust(first[1]) + "".join(cell.rjust(width) for cell, width in rest))


def sources(cables: Sequence[Attenuation]) -> Iterator[str]:
    """Yield the published attenuation of each cable and its sources."""
    for cable in cables:
        yield (
            f"{cable.cable}: {_spread(cable.nominal, cable.low, cable.high)} dB per 100 m"
            f" ({', '.join(cable.sources)})"
        )


def remarks(rows: Sequence[Choice], cables: Sequence[Attenuation], lengths: int) -> Iterator[str]:
    """Yield remarks on the limits of the figures; `rows` hold `lengths` lengths of each cable."""
    for row in rows:
        if row.total_db is None:
            yield (
                f"{row.length_m:g} m of {row.cable}: even an open or a short at the far end shows"
                f" no more than SWR {highest_swr_at_shack(row.matched_db):.2f} at the shack; a"
                f" reading of {row.swr_shack:g} there means another line or a faulty coupler"
            )
    for number, row in enumerate(rows):
        half_wave_m = cables[number // lengths].half_wave_m
        if row.length_m < half_wave_m and (row.swr_antenna or 1.0) >= HIGH_SWR:
            yield (
                f"{row.length_m:g} m of {row.cable} is shorter than a half wave ({half_wave_m:.1f}"
                " m): with a high SWR it may lose less or more than this, depending on where the"
                " current is strong."
            )
            return


def _cells(row: Choice) -> tuple[str, ...]:
    def figure(value: float | None, decimals: int = 2) -> str:
        return "-" if value is None else f"{value:.{decimals}f}"

    arrives = "-"
    if row.arrives_w is not None and row.arrives_percent is not None:
        arrives = f"{row.arrives_w:.3g} W {row.arrives_percent:3.0f} %"
    spread = "-"
    if row.total_low_db is not None or row.total_high_db is not None:
        spread = f"{figure(row.total_low_db)}-{figure(row.total_high_db)}"
    return (
        row.cable,
        f"{row.length_m:g}",
        figure(row.matched_db),
        figure(row.total_db),
        spread,
        figure(row.swr_antenna),
        figure(row.swr_shack),
        arrives,
        figure(row.s_units),
    )


def _spread(nominal: float, low: float, high: float) -> str:
    return f"{nominal:.3g}" if low == high else f"{nominal:.3g}, {low:.3g} to {high:.3g},"
