"""Questions about forwarded rows, apart from any query language.

Unless `everywhere`, they concern the station and, where points have one, the channels chosen in the
dashboard. `by` are the tags that tell results apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Fold = Literal["last", "count", "max", "min", "mean", "median", "sum", "per hour"]

HAVE_CHANNEL = frozenset({"transmission", "second", "excursion"})
# A field that every point of a measurement has.
ALWAYS_PRESENT = {"transmission": "duration_s", "fault": "open"}
YEAR = "365d"  # a state is searched so far back


@dataclass(frozen=True, kw_only=True)
class Query:
    """Common to all questions."""

    measurement: str
    by: tuple[str, ...] = ()
    everywhere: bool = False

    @property
    def has_channel(self) -> bool:
        """True if the chosen channels apply."""
        return self.measurement in HAVE_CHANNEL and not self.everywhere


@dataclass(frozen=True, kw_only=True)
class Series(Query):
    """A value for each interval of the chart, or each `window`.

    `per hour` is the number of points per hour. A median needs a `by` with all tags, since medians
    cannot be combined.
    """

    field: str
    fold: Fold
    window: str | None = None


@dataclass(frozen=True, kw_only=True)
class Held(Query):
    """The value of a state, which lasts until its next point, for each interval.

    `is_total`: the sum over the groups of `by`.
    """

    field: str
    is_total: bool = False


@dataclass(frozen=True, kw_only=True)
class Latest(Query):
    """One value, of the last `window` before now."""

    field: str
    fold: Fold
    window: str


@dataclass(frozen=True, kw_only=True)
class Standing(Query):
    """The number of states that are 1 at the end of the range; `each` tag has one."""

    field: str
    each: str


@dataclass(frozen=True, kw_only=True)
class Rows(Query):
    """The newest point of each group with its fields, never mixed with fields of older points.

    `texts` are fields that some databases cannot hold. `window`: how far back from the end of the
    range, else the range.
    """

    fields: tuple[str, ...]
    texts: tuple[str, ...] = ()
    window: str | None = None


@dataclass(frozen=True, kw_only=True)
class Moments(Query):
    """Times of the points at which `field` has `value`; `text` says more where text can be held."""

    field: str
    value: int
    text: str

    @property
    def has_channel(self) -> bool:
        return False  # they concern all channels
