"""Figures formatted with at most three digits, to be read from a distance."""

from __future__ import annotations

GOOD_SWR = 1.5  # an SWR below this needs no attention


def swr_text(swr: float) -> str:
    """Return an SWR as text."""
    return f"{swr:.2f}" if swr < 10 else f"{swr:.1f}" if swr < 100 else ">99"


def watts_text(watts: float | None) -> str:
    """Return a power as text; negative values, which are noise, are shown as zero."""
    if watts is None:
        return "- W"
    watts = max(watts, 0.0)
    return f"{watts:.2f} W" if watts < 100 else f"{watts:.0f} W"


def span_text(seconds: float) -> str:
    """Return a duration in its largest unit."""
    if seconds < 60:
        return f"{seconds:.3g} s" if seconds < 10 else f"{seconds:.0f} s"
    for unit, length in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= length:
            return f"{seconds / length:.0f} {unit}"
    return ""


def verdict(swr: float, limit: float) -> str:
    """Return "good", "fair" or "too high", by the threshold of a good SWR and the alarm limit."""
    return "good" if swr < GOOD_SWR else "fair" if swr < limit else "too high"
