"""Statements that store rows, and the values for them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any, get_args, get_type_hints

import msgspec
import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats
from logger.rows import SECOND_FIGURES, Health, SecondRows, Transmission
from logger.store.sqlite import insert

WATT_DECIMALS = 4  # also for SWR and joules
VOLT_DECIMALS = 6
DECIMALS = {
    "forward_v": VOLT_DECIMALS,
    "reflected_v": VOLT_DECIMALS,
    "coupler_temperature_c": 2,
}
SECOND_DECIMALS = np.array([[DECIMALS.get(name, WATT_DECIMALS)] for name in SECOND_FIGURES])


class Columns:
    """Columns for the fields of a kind of row: the plain ones, then figures, which are rounded."""

    def __init__(self, kind: type[msgspec.Struct], *omitted: str) -> None:
        fields = {name: kind for name, kind in get_type_hints(kind).items() if name not in omitted}
        figures = [name for name, kind in fields.items() if float in (kind, *get_args(kind))]
        plain = [name for name in fields if name not in figures]
        self.names = (*plain, *figures)
        self.figures = figures
        self._plain, self._figures = attrgetter(*plain), attrgetter(*figures)
        self._decimals = np.array([DECIMALS.get(name, WATT_DECIMALS) for name in figures])

    def values(self, rows: Sequence[Any]) -> list[tuple[Any, ...]]:
        """Return the values to store of each row."""
        figures = round_figures([self._figures(row) for row in rows], self._decimals)
        return [
            (*self._plain(row), *line) for row, line in zip(rows, figures.tolist(), strict=True)
        ]


def upsert(table: str, fields: Sequence[str], key: str, *preserved: str) -> str:
    """Return the statement that inserts a row, or updates that of `key` if it differs.

    Forwarders resend updated rows, so one that does not differ must not be updated.
    """
    others = [name for name in fields if name not in (key, *preserved)]
    changes = ", ".join(f"{name} = excluded.{name}" for name in others)
    old = ", ".join(f"{table}.{name}" for name in others)
    new = ", ".join(f"excluded.{name}" for name in others)
    return (
        f"{insert(table, fields)}"
        f" ON CONFLICT ({key}) DO UPDATE SET {changes} WHERE ({old}) IS NOT ({new})"
    )


def round_figures(values: Sequence[Any] | Floats, decimals: NDArray[np.intp] | int) -> Floats:
    """Round figures for storage; None and infinities become NaN, which SQLite stores as NULL.

    The last bits of a mean depend on the cut of the blocks, and means of a bridge's printed
    decimals often lie halfway between two stored values: these must be rounded alike, too.
    """
    scale = 10.0 ** np.asarray(decimals)
    figures = np.array(values, dtype=np.float64)
    figures[np.isinf(figures)] = np.nan
    return np.rint((figures + 1e-4 / scale) * scale) / scale + 0.0  # no minus zero either


def second_values(rows: Sequence[SecondRows], ids: Mapping[int, int]) -> Iterator[tuple[Any, ...]]:
    """Return the values of each second, beginning with the id of its transmission by its start."""
    figures = np.concatenate([row.figures for row in rows], axis=1)
    return zip(
        itertools.chain.from_iterable([ids[row.start_ns]] * len(row) for row in rows),
        *(
            np.concatenate(columns).tolist()
            for columns in zip(
                *((row.time_ns, row.samples, row.flags) for row in rows), strict=True
            )
        ),
        *round_figures(figures, SECOND_DECIMALS).tolist(),
        strict=True,
    )


TRANSMISSION = Columns(Transmission)
HEALTH = Columns(Health)
UPSERT_TRANSMISSION = upsert("transmissions", TRANSMISSION.names, "start_ns")
# The state so far does not replace a later one of a transmission that is replayed. It is written
# every second, and an index on columns that it does not set needs no write.
UPSERT_ONGOING = (
    upsert("transmissions", TRANSMISSION.names, "start_ns", "ended")
    + " AND NOT transmissions.ended AND excluded.end_ns >= transmissions.end_ns"
)
CLOSE = "UPDATE transmissions SET ended = 1, flags = flags | ? WHERE ended = 0"
UPSERT_MEMORY = upsert("memories", ("rule", "content"), "rule")
UPSERT_SECOND = upsert(
    "seconds", ("transmission_id", "time_ns", "samples", "flags", *SECOND_FIGURES), "time_ns"
)
EXCURSION_FIGURES = ("duration_ms", "swr_peak", "swr_beside")
EXCURSION_LINKS = ("transmission_id", "channel", "capture_id", "fault_id")
UPSERT_EXCURSION = upsert(
    "excursions", ("time_ns", *EXCURSION_FIGURES, *EXCURSION_LINKS), "time_ns"
)
INSERT_HEALTH = (
    f"INSERT INTO health ({', '.join(HEALTH.names)}) SELECT {', '.join('?' * len(HEALTH.names))}"
    f" WHERE NOT EXISTS (SELECT 1 FROM health WHERE time_ns = ?{HEALTH.names.index('time_ns') + 1})"
)
