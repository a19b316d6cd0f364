"""Description of a reading of the installed line in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logger.feedline.measurement import (
    TOGETHER_NS,
    Bounds,
    LineLoss,
    is_comparable,
    mean_of,
    verdict,
)
from logger.utc import format_ns

DOUBTS = {
    "clipped": "a reading was at the end of the converter's range: use less power",
    "extrapolated": "a reading was outside the range that the calibration covers",
    "unsettled": "the carrier was too short for the detectors to settle",
    "gap": "pairs were missing",
}
# Common practice, no single source. The cheapest check comes first.
MORE = (
    "More than the cable should lose. First check that the antenna was really off, and the length"
    " and type of cable; then look for water at the far plug and in the braid (dark, dull copper),"
    " a kink, a crushed place or a bad plug; then measure a part of the line alone."
)
LESS = (
    "Less than the cable should lose: check its length and type. If they are right, check the"
    " coupler: `mismatchd calibrate bench`."
)
FITS = "This fits the cable: the measurement shows no water and no bad joint."
NEED = (
    "To compare with the nominal loss, give cable and length (`feedline:"
    " {cable: RG-58, length_m: 18}` in the configuration, or --cable and --length) and the"
    " frequency."
)

BOTH_ENDS = (
    "A full measurement takes two readings, one with the far end open and one with it shorted: if"
    " the line is not exactly 50 ohms, one shows too much loss and the other too little."
)
ENDS = {
    "open": "Take the antenna off the far end of the line and leave the line's plug open.",
    "short": "Take the antenna off the far end of the line and short the line's plug: pin to"
    " sleeve, the shortest way.",
}


def entry(far_end: str) -> str:
    """Return the journal entry of a measurement."""
    return f"feedline measured with its far end {far_end}: antenna disconnected and reconnected"


def findings(reading: LineLoss, flags: str, history: Sequence[LineLoss]) -> Iterator[str]:
    """Yield sentences about a reading.

    `flags` are those of its carrier, `history` all earlier readings, oldest first.
    """
    frequency = "" if reading.frequency_khz is None else f" at {reading.frequency_khz / 1e3:g} MHz"
    yield f"The line loses {words(reading.bounds)} one way{frequency} (SWR {reading.swr:.2f})."
    if reading.loss_high_db is None:
        yield (
            "The reflection is so weak that the coupler's directivity could account for all of it:"
            " no upper bound."
        )
    for flag in flags.split():
        if flag in DOUBTS:
            yield f"Doubtful: {DOUBTS[flag]}."
    if reading.nominal_db is not None:
        nominal = words(
            Bounds(reading.nominal_db, reading.nominal_low_db or 0.0, reading.nominal_high_db)
        )
        cable = f"{reading.length_m:g} m of {reading.cable}"
        yield f"Nominal for {cable}: {nominal}, according to the sources."
    yield {"more": MORE, "less": LESS, "fits": FITS, "unknown": NEED}[verdict(reading)]
    comparable = [earlier for earlier in history if is_comparable(reading, earlier)]
    yield from _with_other_end(reading, comparable)
    yield from _with_earlier(reading, comparable)


def words(bounds: Bounds) -> str:
    """Return a loss with its interval as text."""
    if bounds.loss_db is None:
        return f"more than {bounds.low_db:.2f} dB"
    if bounds.high_db is None:
        return f"{bounds.loss_db:.2f} dB (at least {bounds.low_db:.2f})"
    if bounds.low_db == bounds.high_db:
        return f"{bounds.loss_db:.2f} dB"
    return f"{bounds.loss_db:.2f} dB ({bounds.low_db:.2f} to {bounds.high_db:.2f})"


def _with_other_end(reading: LineLoss, history: Sequence[LineLoss]) -> Iterator[str]:
    for earlier in reversed(history):
        is_recent = abs(reading.time_ns - earlier.time_ns) < TOGETHER_NS
        if earlier.far_end != reading.far_end and is_recent:
            mean = mean_of(reading.bounds, earlier.bounds)
            if mean is not None:
                yield f"Mean of the readings with far end open and shorted: {words(mean)}."
            return
    other_end = "shorted" if reading.far_end == "open" else "open"
    yield (
        f"Now measure with the far end {other_end} as well, within the hour. One alone can be"
        " wrong: if the line is not exactly 50 ohms, one shows too much loss and the other too"
        " little. Their mean is right."
    )


def _with_earlier(reading: LineLoss, history: Sequence[LineLoss]) -> Iterator[str]:
    for earlier in reversed(history):
        is_earlier = reading.time_ns - earlier.time_ns >= TOGETHER_NS
        if earlier.far_end == reading.far_end and is_earlier:
            day = format_ns(earlier.time_ns)[:10]
            yield f"Last reading of the same kind, on {day}: {words(earlier.bounds)}."
            return
