"""Text about a wiggle session."""

from __future__ import annotations

from collections.abc import Iterator

from logger.live.reading import LiveReading
from logger.wiggle.ranking import Ranked
from logger.wiggle.session import WiggleSession
from logger.wording import count, join

# In order from the radio; the one at the antenna is omitted, as nobody may be near it.
JOINTS = ("plug at the radio", "coupler in", "coupler out", "first joint of the line")
JACKET = "gently, by the jacket"
LEAST_SECONDS = 5.0  # per joint, and with hands off, for a meaningful ranking


def forms(session: WiggleSession, reading: LiveReading) -> list[str]:
    """Return the progress line in several lengths, longest first."""
    present = session.present
    where = f"moving {present.name}" if present.name else "hands off"
    if not reading.keyed:
        return [f"{where}: waiting for the key", "waiting for the key"]
    swr = "SWR not readable" if reading.swr is None else f"SWR {reading.swr:.2f}"
    excursions = count(present.excursions, "excursion")
    down = f"key down {session.key_down_s():.0f} of {session.limit_s:g} s"
    return [
        f"{where}: {excursions}, {swr}, {down}",
        f"{where}: {excursions}, {swr}",
        f"{excursions}, {swr}",
    ]


def progress(session: WiggleSession) -> str:
    """Return the progress of an interrupted session."""
    return f"{session.state.index} of {len(session.state.joints)} joints moved"


def next_step(session: WiggleSession) -> str:
    """Return the instruction for the next step."""
    state = session.state
    name = state.joints[min(state.index, len(state.joints) - 1)].name
    count = f"joint {state.index + 1} of {len(state.joints)}"
    if state.moving:
        return (
            f"Move {name} ({count}) for ten seconds, {JACKET}. Press Enter when done; then hands"
            " off and release the key."
        )
    return (
        "Keep your hands off; key the transmitter for a few seconds. Press Enter when you begin to"
        f" move {name} ({count})."
    )


def result(session: WiggleSession) -> Iterator[str]:
    """Yield the ranking as text."""
    ranked = session.ranking()
    quiet = session.state.hands_off.tally()
    if not ranked:
        yield "No joint was moved with the key down: no result."
        return
    for place, joint in enumerate(ranked, 1):
        tally = joint.tally
        yield (
            f"{place}. {tally.name}: {count(tally.excursions, 'excursion')} in"
            f" {tally.seconds:.0f} s, confidence {percent(joint)}"
        )
    yield f"Hands off: {count(quiet.excursions, 'excursion')} in {quiet.seconds:.0f} s."
    named = [joint.tally.name for joint in ranked if joint.named]
    if named:
        yield (
            f"Loose: {join(named)}. Release the key, open the joint and look: a pin that"
            " is too short or loose, a strand of braid, corrosion, a thread that was not tight."
            " Then note what was done: `mismatchd journal add --kind repair`."
        )
    else:
        yield (
            "No joint moves the reflection more than chance would. That does not prove them sound:"
            " a contact may need more movement, cold or moisture to fail. Left running, the daemon"
            " counts the excursions of every transmission."
        )
    short = [joint.tally.name for joint in ranked if joint.tally.seconds < LEAST_SECONDS]
    if short:
        yield f"Moved for less than {LEAST_SECONDS:g} s, too short to judge {join(short)}."
    if quiet.seconds < LEAST_SECONDS:
        yield (
            f"Hands were off for less than {LEAST_SECONDS:g} s with the key down: too short"
            " for a comparison."
        )


def remark(session: WiggleSession) -> str | None:
    """Return the session as a journal entry, None if there is no result."""
    ranked = session.ranking()
    if not ranked:
        return None
    named = [joint.tally.name for joint in ranked if joint.named]
    moved = join([joint.tally.name for joint in ranked])
    return f"wiggled {moved}: " + (f"loose: {join(named)}" if named else "none stands out")


def percent(joint: Ranked) -> str:
    """Return a confidence as a percentage, never rounded up to certainty."""
    return f"{min(99.9, 100 * joint.confidence):.3g} %"
