"""Instructions and questions for each trial, and its outcome, as text for the user."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from logger.isolate.chain import Chain, Part, Symptom
from logger.isolate.session import TrialOutcome
from logger.isolate.trial import ANTENNA_OFF, Trial
from logger.isolate.trials import AS_IS
from logger.live.carrier import SwrReading

LOOK_FOR = {
    "lead": "a bent pin, a loose sleeve, a kink",
    "tuner": "a burnt or loose contact, a setting other than the usual one",
    "arrester": "a blackened gap, water, loose screws",
    "plug": "strands of braid at the pin, a cold solder joint, green or dark copper, water, a"
    " loose sleeve",
    "joint": "water, green or dark copper, a loose sleeve",
    "line": "cuts, kinks, crushed or chewed places, where it rubs and where it bends",
    "antenna": "element lengths against your notes, clamps, the feed point, corrosion",
    "ground": "wires that are torn off or rotten, loose or rusty clamps",
}
OFF = "Switch the transmitter off."
CHANGES_NOTHING = (AS_IS, "look", "glance", "wiggle", "new-plug", "other-line")
GLANCE = "anything bent, turned, slid or new near it"


class Question(NamedTuple):
    """Question to the user; `yes_is_bad` if yes is a bad outcome."""

    text: str
    yes_is_bad: bool = True


STILL = {
    Symptom.HIGH: Question("Does that meter show too high an SWR as well?"),
    Symptom.LOWER: Question("Does that meter show as low an SWR?"),
    Symptom.LESS: Question("Is the power still lower than usual?"),
    Symptom.UPSTREAM: Question("Does the radio or the meter still report a high SWR?"),
    Symptom.WEAK: Question("Are signals as weak as before?"),
    Symptom.NONE: Question("Does power arrive there?", yes_is_bad=False),
}


def title(trial: Trial, chain: Chain) -> str:
    """Return the name of a trial in a few words."""
    part, name = _the(trial, chain), chain.names[trial.place or 0]
    if trial.kind == "swap" and name == "coupler":
        return "another meter in place of the coupler"
    if trial.kind == "swap" and name == "ground":
        return "an extra ground wire"
    return {
        "as-is": "everything as it is now",
        "load": f"dummy load after {part}",
        "swap": f"another {name} in place of {part}",
        "bypass": f"{part} left out",
        "new-plug": f"a new plug in place of {part}",
        "other-line": "another line",
        "open-port": "antenna port of the coupler left open, at low power",
        "open-end": "far end of the line left open, at low power",
        "ohm-short": "ohmmeter test for a short in the line",
        "ohm-through": "ohmmeter test for a break in the line",
        "ohm-closed": "ohmmeter test in the shack for a break",
        "ohm-open": "ohmmeter test in the shack for a short",
        "ohm-lead": f"ohmmeter test of {part}",
        "wiggle": "plugs moved in the shack",
        "look": f"a close look at {part}",
        "glance": f"{part} seen from the ground",
    }[trial.kind]


def how(trial: Trial, chain: Chain) -> str:
    """Return the instruction for a trial."""
    part = _the(trial, chain)
    name = "" if trial.place is None else chain.names[trial.place]
    match trial.kind:
        case "load":
            return " ".join(_load(trial, chain))
        case "as-is":
            return (
                "Connect everything as usual, including any parts replaced so far, and key briefly."
            )
        case "swap" if name == "coupler":
            return "Put another SWR meter in place of the coupler and key briefly."
        case "swap" if name == "ground":
            return (
                "Lay a wire of a quarter wavelength along the ground and connect it as well. Leave"
                " the present ground and every protective earth connected."
            )
        case "swap" if name == "arrester":
            return (
                "Replace the arrester with one that is known to be good. Connect the earth of the"
                " new one before the line."
            )
        case "swap":
            return f"Replace {part} with one that is known to be good."
        case "bypass":
            return f"Take {part} out and join what is before it to what is after it."
        case "new-plug":
            return f"Cut off {part} and fit a new plug."
        case "other-line":
            return (
                "Run another line, with plugs of its own, from the shack to the antenna; it may"
                " lie on the ground for this."
            )
        case "open-port":
            return (
                "Unscrew the line from the coupler and leave the antenna port of the coupler open."
            )
        case "open-end":
            return "Take the antenna off the far end of the line and leave the plug open."
        case "ohm-short":
            return (
                f"{OFF} Take the antenna off the far end, unscrew the line from the coupler, and"
                " measure across the line there, pin to sleeve."
            )
        case "ohm-through":
            return (
                f"{OFF} Take the antenna off and short the far end of the line, pin to sleeve."
                " Unscrew the line from the coupler and measure across the line there."
            )
        case "ohm-closed" | "ohm-open":
            return (
                f"{OFF} Unscrew the line from the coupler, leave the antenna connected, and measure"
                " across the line, pin to sleeve."
            )
        case "ohm-lead":
            return (
                f"{OFF} Take {part} off at both ends. Measure pin to pin, sleeve to sleeve, and"
                " pin to sleeve, while you bend it at its plugs."
            )
        case "wiggle":
            return (
                "Key at low power, 1 W or less, three seconds at a time. Move the cable at each"
                " plug in the shack by its jacket, never by metal, and watch whether the reading"
                " jumps."
            )
        case "glance":
            return f"Look at {part} from the ground, with binoculars: {GLANCE}."
    inside = "Unscrew it and look" if name in ("plug", "joint") else "Look"
    return f"{inside} at {part}: {LOOK_FOR[name]}."


def _load(trial: Trial, chain: Chain) -> Iterator[str]:
    assert trial.place is not None
    part = _the(trial, chain)
    if trial.place + 1 == chain.feed:
        yield f"Take the antenna off and put a dummy load in its place, on {part},"
    else:
        yield f"Disconnect what follows {part} and put a dummy load there,"
    yield "rated for the power you send."
    if "tuner" in chain.names[chain.coupler : trial.place + 1]:
        yield "Set the tuner to straight through."


def undo_first(trial: Trial, last: Trial | None) -> str:
    """Return what is to be done about the setup of the last trial, if anything."""
    if last is not None and trial.setup and last.setup == trial.setup:
        return "The antenna stays off." if trial.setup == ANTENNA_OFF else ""
    if last is not None and last.kind not in CHANGES_NOTHING:
        return "First undo what the last trial changed."
    return ""


def question(trial: Trial, chain: Chain, symptom: Symptom) -> Question:
    """Return the question for a trial whose outcome the coupler cannot read."""
    match trial.kind:
        case "load" if trial.place is not None and trial.place < chain.coupler:
            return Question(
                "Key briefly: does the radio give its usual power, without a warning?", False
            )
        case "look" | "glance":
            return Question("Do you find anything like that?")
        case "wiggle":
            return Question("Enter shows the reading while you key. Does it jump?")
        case "ohm-short" | "ohm-open":
            return Question("Does it show a connection, less than a few kilohms?")
        case "ohm-through" | "ohm-closed":
            return Question("Does it show more than a few ohms, or an open circuit?")
        case "ohm-lead":
            return Question("Is anything broken, or is pin connected to sleeve?")
    return STILL[symptom]


def expected(
    trial: Trial, chain: Chain, symptom: Symptom, sound_swr: float, as_is: SwrReading | None
) -> str:
    """Return the readings to expect with and without a fault in the tested parts."""
    if symptom is Symptom.NONE and trial.kind == AS_IS:
        return "If the trouble is gone, power arrives; if not, still none."
    if symptom is Symptom.NONE:
        return f"If {_innocent(trial, chain)}, power arrives; if not, still none."
    if trial.kind == "open-end":
        return (
            f"A sound line shows SWR {sound_swr:.1f} or more now. A lower SWR means that power is"
            " lost on the way, or that a detector is dead."
        )
    if trial.kind == "open-port":
        return (
            f"A sound coupler shows SWR {sound_swr:.1f} or more now. A lower SWR means that its"
            " detector of reflected power is dead."
        )
    bad = "as before" if as_is is None else f"near {_figure(as_is.swr)} as before"
    bound = "more" if symptom is Symptom.LOWER else "less"
    if trial.kind == AS_IS:
        return f"If the trouble is gone, the SWR is now {sound_swr:.2f} or {bound}; if not, {bad}."
    reads = f"the SWR is now {sound_swr:.2f} or {bound}"
    return f"If {_innocent(trial, chain)}, {reads}; if not, {bad}."


def explain_outcome(outcome: TrialOutcome, trial: Trial, chain: Chain) -> str:
    """Return the outcome of a trial as text."""
    part = _the(trial, chain)
    swr = "" if outcome.swr is None else f" (SWR {_figure(outcome.swr)})"
    if trial.kind == "open-end":
        amount = "too much" if outcome.bad else "no more than it should"
        return f"The line loses {amount}{swr}."
    if trial.kind == "open-port":
        return f"The coupler reads {'far too little' if outcome.bad else 'full reflection'}{swr}."
    if trial.kind == AS_IS:
        return f"The trouble {'is still there' if outcome.bad else 'is not there now'}{swr}."
    if trial.kind in ("load", "swap", "bypass", "new-plug", "other-line"):
        setup = {"load": f"with a dummy load after {part}", "bypass": f"without {part}"}.get(
            trial.kind, f"with {title(trial, chain)}"
        )
        return f"The trouble {'remains' if outcome.bad else 'is gone'} {setup}{swr}."
    answers = ("fault found", "no fault found")
    if trial.kind == "wiggle":
        answers = ("the reading jumped", "the reading was steady")
    name = title(trial, chain)
    return f"{name[0].upper()}{name[1:]}: {answers[not outcome.bad]}."


def _innocent(trial: Trial, chain: Chain) -> str:
    """Return the conclusion if the trouble disappears."""
    part = _the(trial, chain)
    if trial.kind == "load":
        return f"the fault lies beyond {part}"
    return f"{part}{' or a plug on it' if trial.kind == 'other-line' else ''} is at fault"


def the(part: Part) -> str:
    """Return the title of a part with its article."""
    return part.title if part.title[-1].isdigit() else f"the {part.title}"


def _the(trial: Trial, chain: Chain) -> str:
    """Return the title of the part that a trial is about."""
    return "" if trial.place is None else the(chain.parts[trial.place])


def _figure(ratio: float) -> str:
    return f"{ratio:.2f}" if ratio < 20 else "over 20"
