"""Asks for what is adjusted, where the options of `tune` do not state it."""

from __future__ import annotations

from typing import get_args

import msgspec

from logger.cli.guides.terminal import Stop, Terminal
from logger.tune.positions import Adjustment, Unit
from logger.tune.words import setting

UNITS = get_args(Unit)
LONGER = ("more", "less")
ASKED = {
    "mm": "How long is it now, in mm? (the number that you set: what the tape or the clamp shows)",
    "turns": "At how many turns is it now? (0, if you count from here)",
    "marks": "At which mark is it now? (number your marks in one direction; 0, if you begin here)",
}


def answered(terminal: Terminal, question: str) -> str:
    """Return the line typed in answer. Raises Stop for q and at the end of the input."""
    terminal.ask(question)
    answer = (terminal.line(None) or "").strip()
    if answer.lower() == "q":
        raise Stop
    return answer


def number(text: str) -> float | None:
    """Return a number typed with point or comma; None for anything else."""
    try:
        value = float(text.lower().removesuffix("mm").strip().replace(",", "."))
    except ValueError:
        return None
    return value if abs(value) < 1e6 else None


def adjustment(
    terminal: Terminal,
    unit: str | None,
    longer: str | None,
    length_mm: float | None,
    travel: tuple[float, float] | None,
    cut: bool,
) -> Adjustment:
    """Ask what is adjusted and which way it moves. Raises Stop."""
    while unit not in UNITS:
        unit = answered(
            terminal,
            "What do you adjust: the length of an element in mm, turns of a ring, or just marks?"
            " (mm, turns, marks; q stops)",
        ).lower()
    if longer is None and unit == "mm":
        longer = "more"
    while longer not in LONGER:
        said = answered(
            terminal,
            f"Do more {unit} make the antenna longer, so that its resonance falls? (yes or no)",
        ).lower()
        longer = {"yes": "more", "y": "more", "no": "less", "n": "less"}.get(said)
    least, most = (None, None) if travel is None else (min(travel), max(travel))
    return Adjustment(
        unit,  # type: ignore[arg-type]
        longer == "more",
        length_mm,
        least,
        most,
        cut,
    )


def position(terminal: Terminal, what: Adjustment, at: float | None) -> float:
    """Return the present setting, after asking if needed. Raises Stop."""
    while at is None or not within(what, at):
        if at is not None:
            terminal.say(outside(what))
        at = number(answered(terminal, ASKED[what.unit]))
    return at


def whole_length(terminal: Terminal, what: Adjustment, at: float) -> Adjustment:
    """Ask for the length of the whole element if unknown. Raises Stop."""
    if what.unit != "mm" or what.length_mm is not None:
        return what
    while True:
        answer = answered(
            terminal,
            "How long is the whole element, from where it is fed to its tip (a dipole: from tip to"
            f" tip), in mm? (Enter: {at:g} mm is all of it)",
        )
        length = at if not answer else number(answer)
        if length is not None and length >= at:
            return msgspec.structs.replace(what, length_mm=length)
        terminal.say("A length in mm, no less than what is set.")


def within(what: Adjustment, at: float) -> bool:
    """True if the setting is within the travel."""
    low, high = what.least, what.most
    positive = what.unit != "mm" or at > 0
    return positive and (low is None or at >= low) and (high is None or at <= high)


def outside(what: Adjustment) -> str:
    """Return why a setting is impossible."""
    if what.least is None or what.most is None:
        return "That cannot be: a length is more than 0 mm."
    ends = f"{setting(what.unit, what.least)} to {setting(what.unit, what.most)}"
    return f"That cannot be: it moves from {ends}."
