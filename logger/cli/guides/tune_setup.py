"""Asks for what is adjusted, where the options of `tune` do not state it."""

from __future__ import annotations

import msgspec

from logger.cli.guides.terminal import Terminal
from logger.tune.positions import Adjustment, Unit, parse_setting, parse_unit
from logger.tune.words import setting

PRESENT_SETTING: dict[Unit, str] = {
    "mm": "How long is it now, in mm? (the number that you set: what the tape or the clamp shows)",
    "turns": "At how many turns is it now? (0, if you count from here)",
    "marks": "At which mark is it now? (number your marks in one direction; 0, if you begin here)",
}
LONGER = {"yes": "more", "y": "more", "no": "less", "n": "less"}


class TuneOptions(msgspec.Struct, frozen=True):
    """Options of `tune` that describe a new session; None if not given."""

    unit: Unit | None
    at: float | None
    longer: str | None
    length: float | None
    travel: tuple[float, float] | None
    cut: bool
    target: float | None


def ask_adjustment(terminal: Terminal, options: TuneOptions) -> tuple[Adjustment, float]:
    """Return what is adjusted and its present setting, after asking if needed. Raises Stop."""
    unit, longer = options.unit, options.longer
    while unit is None:
        unit = parse_unit(
            terminal.answer(
                "What do you adjust: the length of an element in mm, turns of a ring, or just"
                " marks? (mm, turns, marks; q stops)"
            ).lower()
        )
    if longer is None and unit == "mm":
        longer = "more"
    while longer is None:
        more = "Does a higher mark make" if unit == "marks" else f"Do more {unit} make"
        question = f"{more} the antenna longer, so that its resonance falls?"
        longer = LONGER.get(terminal.answer(f"{question} (yes or no)").lower())
    least, most = (None, None) if options.travel is None else sorted(options.travel)
    adjustment = Adjustment(unit, longer == "more", options.length, least, most, options.cut)
    present = options.at
    while present is None or not adjustment.allows(present):
        if present is not None:
            terminal.say(limits(adjustment))
        present = parse_setting(terminal.answer(PRESENT_SETTING[unit]))
    if unit == "mm" and options.length is None:
        length_mm = _ask_length_mm(terminal, present)
        adjustment = msgspec.structs.replace(adjustment, length_mm=length_mm)
    return adjustment, present


def _ask_length_mm(terminal: Terminal, present: float) -> float:
    """Ask for the length of the whole element."""
    while True:
        answer = terminal.answer(
            "How long is the whole element, from where it is fed to its tip (a dipole: from tip to"
            f" tip), in mm? (Enter: {present:g} mm is all of it)"
        )
        length_mm = parse_setting(answer) if answer else present
        if length_mm is not None and length_mm >= present:
            return length_mm
        terminal.say("Give a length in mm, no less than the present setting.")


def limits(adjustment: Adjustment) -> str:
    """Return why a setting is impossible."""
    if adjustment.least is None or adjustment.most is None:
        return "A length must be more than 0 mm."
    ends = [setting(adjustment.unit, end) for end in (adjustment.least, adjustment.most)]
    return f"Out of range: it moves from {' to '.join(ends)}."
