"""Verifications in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from logger.physics.reflection import COVERAGE
from logger.utc import format_ns
from logger.verification.judgement import Judgement, Suspect, charts_of
from logger.verification.prediction import DB
from logger.verification.row import Verification
from logger.wording import capitalize

TITLES = {
    "forward": "Forward power",
    "usual": "Usual power before the check",
    "load": "Balance on the load",
    "open": "Balance into the open end",
}
SUSPECTS: dict[str, str] = {
    "forward": "the forward port",
    "reflected": "the reflected port",
    "both": "both ports alike",
    "transmitter": "the transmitter, or both ports alike,",
    "load": "the load, a plug or the directivity",
}
SINCE = {"transmitter": "at the first checks"}
ADVICE: dict[Suspect, str] = {
    "transmitter": "Read a reference meter at the next verification: it tells the transmitter from"
    " the coupler.",
    "load": "Unkeyed, clean and tighten the plugs of the load, and verify again.",
    "undetermined": "Verify again with a reference meter and an open end at low power: they tell"
    " the ports from the load and the transmitter.",
}
RECALIBRATE = "`mismatchd calibrate bench` makes a new calibration."


def figures(verifications: Sequence[Verification]) -> Iterator[str]:
    """Yield a sentence on each figure of the last verification."""
    last = verifications[-1]
    for name, (rows, chart) in charts_of(verifications).items():
        if rows[-1] is not last:
            continue
        shown = "reflected over forward"
        if name == "forward":
            shown = f"{last.forward_w:.3g} W"
        elif name == "usual":
            shown = f"{math.exp(chart.value[-1] / DB):.3g} W"
        if name == "forward" and last.reference_w is not None:
            shown += f" where the meter showed {last.reference_w:.3g} W"
        is_predicted = getattr(last, f"{name}_expected_u_db") is not None
        if len(rows) == 1 and not is_predicted:
            yield f"{TITLES[name]}: {shown}; the next checks are compared with it."
            continue
        zero = 0.0 if is_predicted else chart.target
        low, high = chart.target - zero - chart.reach[-1], chart.target - zero + chart.reach[-1]
        yield (
            f"{TITLES[name]}: {shown}, {_signed(chart.value[-1] - zero)} dB from the"
            f" {'calibration' if is_predicted else 'first checks'}"
            f" (limits {_signed(low)} to {_signed(high)})."
        )


def without_open(verifications: Sequence[Verification]) -> str:
    """Return what the last verification could not show without an open end."""
    _, chart = charts_of(verifications)["load"]
    return (
        "The SWR depends on the balance of the two ports. The load alone shows a drift of the"
        f" reflected port from {chart.reach[-1]:.1f} dB on, an open end at low power from 0.2 dB."
    )


def verdict(judgement: Judgement) -> list[str]:
    """Return the verdict in sentences, with what to do."""
    if judgement.port is None:
        return ["Fine: nothing differs from the calibration beyond the control limits."]
    lines = [f"{capitalize(judgement.verdict)}: {change(judgement)}."]
    if judgement.verdict == "recalibrate":
        lines.append(RECALIBRATE)
    elif judgement.port in ADVICE:
        lines.append(ADVICE[judgement.port])
    return lines


def change(judgement: Judgement) -> str:
    """Return what changed, by how much and since when."""
    assert judgement.drift_db is not None
    assert judgement.drift_u_db is not None
    way = "more" if judgement.drift_db > 0 else "less"
    size = f"{abs(judgement.drift_db):.2f} dB (±{COVERAGE * judgement.drift_u_db:.2f}, 95 %)"
    port = str(judgement.port)
    if port == "undetermined":
        likely = sorted(judgement.odds.items(), key=lambda item: -item[1])
        names = [f"{SUSPECTS[name]} ({share:.0%})" for name, share in likely if share >= 0.1]
        text = f"a change of {size} in {', or '.join(names)}"
    elif port == "load":
        text = f"{SUSPECTS[port]} changed, and the load reflects {size} {way}"
    else:
        verb = {"both": "read", "transmitter": "give"}.get(port, "reads")
        text = f"{SUSPECTS[port]} {verb} {size} {way} than {SINCE.get(port, 'at the calibration')}"
    if judgement.since_ns is None:
        return text
    since_day = format_ns(judgement.since_ns)[:10]
    if judgement.after_ns is None:
        return f"{text}, since {since_day}"
    after_day = format_ns(judgement.after_ns)[:10]
    when = f"on {since_day}" if after_day == since_day else f"between {after_day} and {since_day}"
    return f"{text}; changed {when}"


def entry(judgement: Judgement) -> str:
    """Return the text for the journal."""
    result = "fine" if judgement.port is None else f"{judgement.verdict}: {change(judgement)}"
    return f"coupler verified on the dummy load: {result}"


def _signed(db: float) -> str:
    return f"{round(db, 2) + 0.0:+.2f}"
