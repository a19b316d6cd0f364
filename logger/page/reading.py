"""Text and scale positions that the live page shows for a reading. Pure functions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from logger.live.figures import span_text, swr_text, verdict, watts_text
from logger.live.reading_tracker import ReadingTracker
from logger.physics.reflection import rho_of_swr

HIGHEST = 999.0  # shown if all power is reflected
FRESH_S = 1.2  # oldest pair by which the page says whether the key is down; see stream.js
UNKNOWN = "UNKNOWN: do not touch"
MARKS = (1.0, 1.5, 2.0, 3.0, 5.0, 10.0)


def place(swr: float) -> float:
    """Return the position of an SWR on a scale linear in the reflection coefficient, 0 to 1."""
    return round(float(rho_of_swr(min(max(1.0, swr), HIGHEST))), 4)


def live_state(
    tracker: ReadingTracker, connected: bool, now_s: float, limit: float
) -> dict[str, Any]:
    """Return the state of the live page.

    state    key down, key up or UNKNOWN, the latter with its `reason`
    known    True if the newest pair is fresh, `age_ms` old
    utc      time of the newest pair, which the browser shows in its zone instead of `time`
    verdict  on the SWR, by the threshold of a good SWR and the alarm limit
    bar      positions of lower bound, SWR and upper bound
    rho      reflection coefficient while the key is down, else null
    """
    newest, keyed, peaks = tracker.newest, tracker.keyed, tracker.peaks
    reason = _doubt(tracker, connected, now_s)
    known = not reason
    down = known and newest is not None and newest.keyed
    state: dict[str, Any] = {
        "state": UNKNOWN if reason else "key down" if down else "key up",
        "reason": reason,
        "known": known,
        "age_ms": round(1000 * (now_s - tracker.pairs_s)) if known else 0,
        "down": down,
        "utc": newest.time if newest is not None else None,
        "time": f"{newest.time[11:19]} UTC" if newest is not None and newest.time else "",
        "channel": "" if newest is None or newest.channel is None else f"channel {newest.channel}",
        "forward": watts_text(None if newest is None else newest.forward_w),
        "reflected": watts_text(None if newest is None else newest.reflected_w),
        "peak_forward": watts_text(peaks.forward_w),
        "peak_reflected": watts_text(peaks.reflected_w),
        "peak_swr": "-" if peaks.swr is None else swr_text(peaks.swr),
        "alarms": [] if newest is None or not connected else list(newest.alarms),
        "swr": "-",
        "interval": "nothing keyed yet",
        "verdict": "",
        "ago": "",
        "bar": None,
        "rho": None,
    }
    if keyed is None:
        return state
    if not down:
        state["ago"] = f"{span_text(max(0.0, now_s - tracker.keyed_s) // 1)} ago"
    if keyed.swr is None or keyed.swr_low is None or keyed.swr_high is None:
        return state | {"interval": "SWR not readable at this power"}
    return state | {
        "swr": swr_text(keyed.swr),
        "interval": f"95 % interval: {swr_text(keyed.swr_low)} to {swr_text(keyed.swr_high)}",
        "verdict": verdict(keyed.swr, limit),
        "bar": [place(value) for value in (keyed.swr_low, keyed.swr, keyed.swr_high)],
        "rho": place(keyed.swr) if down else None,
    }


def scale(limit: float) -> Sequence[tuple[float, str]]:
    """Return positions and labels of the scale's marks, except those just above the alarm limit."""
    return [(place(mark), f"{mark:g}") for mark in MARKS if mark < limit or mark > 1.3 * limit]


def _doubt(tracker: ReadingTracker, connected: bool, now_s: float) -> str:
    """Return why nothing is known about the key, empty if a fresh pair tells its state."""
    if not connected:
        return "The daemon is not running."
    if tracker.newest is None or tracker.newest.time is None:
        return "Waiting for the first pair."
    if now_s - tracker.heard_s > FRESH_S:
        return "The daemon does not respond."
    if now_s - tracker.pairs_s > FRESH_S:
        return "No pairs from the microcontroller bridge."
    return ""
