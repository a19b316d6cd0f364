"""Failing plugs: the resistance in series with the line or across it, and its timing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np

from drivers.simulated.operator import KeyDown
from drivers.simulated.randomness import Stream, generator
from drivers.simulated.station import SOUND, Contact, FloatArray, NotNegative, Positive

Where = Literal["shack-plug", "antenna-plug"]
Kind = Literal["open", "short", "resistance", "heating", "intermittent"]

DEFAULT_OHM: dict[Kind, float] = {
    "open": 1e6,
    "short": 0.0,
    "resistance": 50.0,
    "heating": 80.0,
    "intermittent": 1e6,
}
WINDOW_S = 10.0  # intermittent breaks are drawn independently for each such span
HEAT_SPAN = 14.0  # heating time constants after which a joint has cooled (1e-6 left)


class Fault(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """One fault of one plug; without `duration_s` it is permanent.

    open          `ohm` in series (default 1e6)
    short         `ohm` across the line (default 0)
    resistance    `ohm` in series (default 50)
    heating       in series, approaching `ohm` (default 80) with time constant `heat_s` while
                  keyed and returning to 0 at rest
    intermittent  `ohm` in series (default 1e6) for moments of about `length_ms` (half to one and a
                  half times that), on average `rate_per_s` of them
    """

    at_s: Annotated[NotNegative, msgspec.Meta(description="Start of the fault.")] = 0.0
    duration_s: Annotated[
        Positive | None, msgspec.Meta(description="Length of the fault; without it, permanent.")
    ] = None
    where: Annotated[Where, msgspec.Meta(description="Plug that fails.")] = "shack-plug"
    kind: Annotated[Kind, msgspec.Meta(description="Kind of the failure.")]
    ohm: Annotated[
        NotNegative | None,
        msgspec.Meta(description="Resistance; the default depends on the kind."),
    ] = None
    heat_s: Annotated[Positive, msgspec.Meta(description="Time constant of a heating joint.")] = (
        20.0
    )
    rate_per_s: Annotated[
        NotNegative, msgspec.Meta(description="Mean number of breaks per second, if intermittent.")
    ] = 0.5
    length_ms: Annotated[
        float, msgspec.Meta(gt=0, le=5000, description="Mean length of a break, if intermittent.")
    ] = 20.0

    @property
    def end_s(self) -> float:
        """End of the fault in seconds; infinite if permanent."""
        return np.inf if self.duration_s is None else self.at_s + self.duration_s


@dataclass(frozen=True, slots=True)
class BadContact:
    """A span in which a plug is bad; times in seconds since the start of the simulation."""

    start_s: float
    end_s: float
    fault: Fault


def bad_contacts(
    faults: Sequence[Fault], seed: int, since_s: float, until_s: float
) -> list[BadContact]:
    """Return the bad contacts that overlap the span, in order; each intermittent break is one."""
    spans: list[BadContact] = []
    for place, fault in enumerate(faults):
        if fault.at_s >= until_s or fault.end_s <= since_s:
            continue
        if fault.kind != "intermittent":
            spans.append(BadContact(fault.at_s, fault.end_s, fault))
            continue
        spans += _breaks(fault, place, seed, max(since_s, fault.at_s), min(until_s, fault.end_s))
    return sorted(spans, key=lambda span: span.start_s)


def _breaks(
    fault: Fault, place: int, seed: int, since_s: float, until_s: float
) -> list[BadContact]:
    breaks = []
    # A break is shorter than a window, so only one that began in the window before can still last.
    for window in range(max(0, int(since_s // WINDOW_S) - 1), int(until_s // WINDOW_S) + 1):
        rng = generator(seed, Stream.CONTACT, place, window)
        count = int(rng.poisson(fault.rate_per_s * WINDOW_S))
        starts = np.sort(rng.uniform(0.0, WINDOW_S, size=count)) + window * WINDOW_S
        lengths = fault.length_ms * 1e-3 * rng.uniform(0.5, 1.5, size=count)
        breaks += [
            BadContact(float(start), min(float(start + length), fault.end_s), fault)
            for start, length in zip(starts, lengths, strict=True)
            if start >= fault.at_s and start < until_s and start + length > since_s
        ]
    return breaks


def warmth(
    key_downs: Sequence[KeyDown], since_s: float, heat_s: float, t_s: FloatArray
) -> FloatArray:
    """Return the temperature of a joint, 0 (cold) to 1: first order, driven from `since_s` on.

    The system is linear, so the rise and fall of all key-downs add up.
    """
    total = np.zeros_like(t_s)
    for key_down in key_downs:
        for edge, sign in ((key_down.end_s, 1.0), (key_down.start_s, -1.0)):
            total += sign * np.exp(-np.maximum(t_s - max(edge, since_s), 0.0) / heat_s)
    return total


def contact_at(
    spans: Sequence[BadContact], where: Where, key_downs: Sequence[KeyDown], t_s: FloatArray
) -> Contact:
    """Return the state of one plug at increasing times, arrays like `t_s` (or SOUND).

    `spans` and `key_downs` must contain all that affect these times, see `heat_memory_s`.
    """
    local = [span for span in spans if span.fault.where == where]
    if not local:
        return SOUND
    series, across = np.zeros_like(t_s), np.zeros_like(t_s)  # ohms and siemens add up
    for span in local:
        first, last = np.searchsorted(t_s, (span.start_s, span.end_s))
        fault = span.fault
        ohm = DEFAULT_OHM[fault.kind] if fault.ohm is None else fault.ohm
        if fault.kind == "short":
            across[first:last] += 1 / max(ohm, 1e-6)
        elif fault.kind == "heating":
            warm = warmth(key_downs, span.start_s, fault.heat_s, t_s[first:last])
            series[first:last] += ohm * warm
        else:
            series[first:last] += ohm
    with np.errstate(divide="ignore"):
        return Contact(series, 1 / across)


def heat_memory_s(faults: Sequence[Fault]) -> float:
    """Return the time in seconds over which past key-downs affect a heating joint."""
    return max(
        (HEAT_SPAN * fault.heat_s for fault in faults if fault.kind == "heating"), default=0.0
    )
