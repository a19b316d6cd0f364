"""Text about adjusting an antenna."""

from __future__ import annotations

from collections.abc import Iterator

from logger.physics.estimate import Estimate
from logger.tune.advice import TuningAdvice
from logger.tune.cutting import FAR_SWR, MARGIN
from logger.tune.estimate import interval
from logger.tune.positions import STEP, Adjustment, ChannelReading, Position, Unit
from logger.tune.session import TuningSession, TuningState
from logger.tune.suspicion import Sign
from logger.wording import count

CUT_CAUTION = "A cut cannot be undone: cut no further than this, and read again."
LONGER_AGAIN = (
    "A cut cannot be undone, but a longer tip, or a coil or capacity hat, makes it longer again."
)
END_OF_TRAVEL = " It is at the end of its travel, so try the other direction first."
UNKEY = "Release the key first; nobody may touch a keyed antenna."
# Common practice, no single source; the cheapest check first.
SIGNS: dict[Sign, str] = {
    "unmoved": (
        "The setting changed but the readings did not: they do not come from the part that is"
        " adjusted. Suspect the feedline (a short or an open braid in a plug), the ground or the"
        " coupler. Next check: with the key up put a dummy load in the antenna's place at the far"
        " end. If the SWR stays the same, suspect the line or its plugs (`mismatchd feedline"
        " measure` measures its loss) or, if it stays with the dummy load directly at the coupler,"
        " the coupler. If the SWR is good with the dummy load, suspect the antenna's ground:"
        " radials, bonding of the mast, the clamp of what is adjusted."
    ),
    "deaf": (
        "The SWR is low and does not change with the setting. That does not prove a well-tuned"
        " antenna: a line that absorbs power, or a coupler with a dead detector, reads the same."
        " Next check: `mismatchd feedline measure` with the far end open; nearly all power must"
        " come back."
    ),
    "level": (
        "The SWR is high, and the same on the lowest and the highest channel: the length is about"
        " right; the remaining mismatch has another cause. Next check: the ground (radials, bonding"
        " of the mast, the braid at the antenna's plug), then a dummy load in the antenna's place"
        " (connect it with the key up): a high SWR into it points to the line or the coupler."
    ),
    "misfit": (
        "These readings do not fit one unchanged antenna: something else is changing. Next check:"
        " key the same channel twice, briefly; if the reading does not repeat, look for a loose"
        " joint in plugs and clamps. If it repeats, a current on the outside of the cable is"
        " likely, or a higher setting moves the resonance in the direction opposite to the one"
        " given: check the ground, then the direction."
    ),
}


def setting(unit: Unit, value: float) -> str:
    """Return a setting with its unit."""
    return f"mark {value:g}" if unit == "marks" else f"{value:.6g} {unit}"


def difference(unit: Unit, longer_by: float) -> str:
    """Return a change of length as text."""
    return f"{extent(unit, longer_by)} {'longer' if longer_by >= 0 else 'shorter'}"


def extent(unit: Unit, change: float) -> str:
    """Return the size of a change of length as text."""
    size = abs(change)
    if unit == "mm":
        return f"{size:.0f} mm"
    noun = {"turns": "turn", "marks": "mark"}[unit]
    return f"{size:.2g} {noun}{'' if f'{size:.2g}' == '1' else 's'}"


def keyed(reading: ChannelReading) -> str:
    """Return a reading with its interval as text."""
    return (
        f"{place(reading)}: SWR {reading.swr:.2f} ({reading.swr_low:.2f} to"
        f" {reading.swr_high:.2f}, 95 %)"
    )


def place(reading: ChannelReading) -> str:
    """Return channel or frequency of a reading as text."""
    mhz = f"{reading.frequency_khz / 1e3:.3f} MHz"
    return mhz if reading.channel is None else f"channel {reading.channel} ({mhz})"


def line(adjustment: Adjustment, position: Position) -> str:
    """Return a position with all its readings, in short form."""
    swrs = ", ".join(f"{r.swr:.2f} {_on(r)}" for r in position.by_frequency)
    return f"{setting(adjustment.unit, position.setting)}: SWR {swrs}"


def _on(reading: ChannelReading) -> str:
    if reading.channel is None:
        return f"at {reading.frequency_khz / 1e3:.3f} MHz"
    return f"on channel {reading.channel}"


def progress(session: TuningSession) -> str:
    """Return the progress of an interrupted session: all positions with their readings."""
    state = session.state
    return "; ".join(line(state.adjustment, position) for position in state.positions)


def findings(state: TuningState, advice: TuningAdvice) -> Iterator[str]:
    """Yield the findings from the readings in sentences, ending with the next step."""
    unit, resonance = state.adjustment.unit, advice.resonance_khz
    present = state.read[-1]
    if advice.suspicion is None or not advice.suspicion.instead:
        yield (
            f"Resonance at {_mhz_with_interval(resonance, ', 95 %')};"
            f" wanted at {advice.target_khz / 1e3:.3f} MHz."
        )
        yield _length(unit, advice)
    if advice.overcut:
        yield from _overcut(state.adjustment, state.read[-2], present, advice)
    if advice.suspicion is not None:
        yield SIGNS[advice.suspicion.sign]
    yield from _next(state, advice, present)
    if (position := better_position(state, advice)) is not None:
        away = state.adjustment.sign * (position.setting - present.setting)
        yield (
            f"An earlier position was better: {line(state.adjustment, position)}. To go back, make"
            f" it {difference(unit, away)}."
        )


def better_position(state: TuningState, advice: TuningAdvice) -> Position | None:
    """Return an earlier position that read better, unless the advice is to go there anyway."""
    if advice.better is None or advice.to == state.read[advice.better].setting:
        return None
    return state.read[advice.better]


def _length(unit: Unit, advice: TuningAdvice) -> str:
    by = advice.longer_by
    if 0.1 < advice.too_short < 0.9:
        return (
            f"It is not certain whether it is too long or too short ({difference(unit, by.low)} to"
            f" {difference(unit, by.high)} would be right, 95 %)."
        )
    is_short = by.value > 0
    fault, direction = ("too short", "longer") if is_short else ("too long", "shorter")
    if by.low * by.high > 0:
        least, most = sorted((abs(by.low), abs(by.high)))
        ends = f"{extent(unit, least)} to {extent(unit, most)} {direction}, 95 %"
    else:
        ends = f"{difference(unit, by.low)} to {difference(unit, by.high)}, 95 %"
    return f"It is {fault}: {difference(unit, by.value)} would be right ({ends})."


def _overcut(
    adjustment: Adjustment, previous: Position, present: Position, advice: TuningAdvice
) -> Iterator[str]:
    """Yield by how much the last cut went too far, and if the advice or the cut was wrong."""
    unit, by = adjustment.unit, advice.longer_by
    yield (
        f"The last cut, from {setting(unit, previous.setting)} to"
        f" {setting(unit, present.setting)}, went too far: by about"
        f" {extent(unit, max(by.value, 0.0))}, at most {extent(unit, by.high)}."
    )
    if present.advised is None:
        return
    further = adjustment.sign * (present.advised - present.setting)
    if further > STEP[unit]:
        yield (
            f"It was cut {extent(unit, further)} further than advised"
            f" ({setting(unit, present.advised)})."
        )
    else:
        yield f"The advice to cut to {setting(unit, present.advised)} was wrong: it went too far."


def _next(state: TuningState, advice: TuningAdvice, present: Position) -> Iterator[str]:
    adjustment, to = state.adjustment, advice.to
    unit, wanted = adjustment.unit, difference(adjustment.unit, advice.longer_by.value)
    if to is None:
        if advice.kind == "stop":
            yield (
                "Leave it here: on the worst channel a further step would gain less than the"
                f" readings can resolve (SWR {advice.worst:.2f} ± {2 * advice.doubt:.2f})."
            )
        elif advice.kind == "hold":
            yield (
                f"Cut no more: no further cut is sure to end within {extent(unit, MARGIN[unit])} of"
                f" the right length (SWR {advice.worst:.2f} on the worst channel)."
                " Readings on channels further apart may make the estimate sharper. Where the end"
                " can be folded back or slid, try that first."
            )
        elif advice.kind == "end" and adjustment.cut:
            yield f"It has to be {wanted}. {LONGER_AGAIN}"
        elif advice.kind == "end":
            yield (
                f"It has to be {wanted}, but is at the end of its travel: another"
                " tip, or a coil or capacity hat, is needed."
            )
        return
    by = adjustment.sign * (to - present.setting)
    target = f"set it to {setting(unit, to)}"
    slight = " slightly" if _slight(state, advice, by) else ""
    if advice.kind == "bracket":
        yield (
            f"At SWR {FAR_SWR:g} or more a reading shows the direction at best, not the distance."
            f"{END_OF_TRAVEL if advice.is_reversed else ''}"
            f" Make it {difference(unit, by)}, {target}, and key again: two positions narrow it"
            " down."
        )
    elif advice.kind == "try":
        yield (
            f"The better direction is unknown: make it {difference(unit, by)}, {target}. The SWR"
            " may be worse there, but the reading will show the direction."
        )
    else:
        verb = "Lengthen" if by > 0 else "Shorten"
        yield (
            f"Cut it {difference(unit, by)}, to {setting(unit, to)}."
            if adjustment.cut
            else f"{verb} it{slight}: {difference(unit, by)}, {target}."
        )
        if adjustment.cut and len(state.read) == 1:
            yield "This first cut is small: it shows how far a cut moves the resonance."
        elif advice.worst_there < advice.worst:
            yield (
                f"The worst channel should improve from SWR {advice.worst:.2f} to about"
                f" {advice.worst_there:.2f}."
            )
        else:
            yield "The effect is unknown so far; the reading there will show it."
    if adjustment.cut:
        yield CUT_CAUTION
    yield UNKEY


def _slight(state: TuningState, advice: TuningAdvice, by: float) -> bool:
    per_unit = state.adjustment.relative_change(state.positions[0].setting)
    return abs(by) * per_unit < 0.015


def outcome(state: TuningState) -> str:
    """Return the session in a sentence; needs a position in `read`."""
    adjustment, last = state.adjustment, state.read[-1]
    resonance = Estimate(*interval(state.posterior().resonance_khz[:, -1]))
    first = setting(adjustment.unit, state.read[0].setting)
    return (
        f"tuned in {count(len(state.read) - 1, 'step')} from {first} to {line(adjustment, last)};"
        f" resonance {_mhz_with_interval(resonance)}"
    )


def _mhz_with_interval(khz: Estimate, suffix: str = "") -> str:
    return f"{khz.value / 1e3:.2f} MHz ({khz.low / 1e3:.2f} to {khz.high / 1e3:.2f}{suffix})"
