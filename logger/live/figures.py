"""Figures as a person reads them from a distance: three digits, no more."""

from __future__ import annotations

GOOD_SWR = 1.5  # an SWR below this needs no attention


def swr_text(swr: float) -> str:
    """An SWR."""
    return f"{swr:.2f}" if swr < 10 else f"{swr:.1f}" if swr < 100 else ">99"


def watts_text(watts: float | None) -> str:
    """A power; noise about zero is zero."""
    if watts is None:
        return "- W"
    watts = max(watts, 0.0)
    return f"{watts:.2f} W" if watts < 100 else f"{watts:.0f} W"


def span_text(seconds: float) -> str:
    """A length of time in its largest unit."""
    if seconds < 60:
        return f"{seconds:.3g} s" if seconds < 10 else f"{seconds:.0f} s"
    for unit, length in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= length:
            return f"{seconds / length:.0f} {unit}"
    return ""


def verdict(swr: float, limit: float) -> str:
    """Return "good", "fair" or "too high", against what is good and the limit of the alarm."""
    return "good" if swr < GOOD_SWR else "fair" if swr < limit else "too high"
