"""All advice against rules of safety: nobody is asked to do what can hurt."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from logger import cautions
from logger.cautions import AT_PLACE, Place
from logger.diagnosis.rules import CAUSES, SILENT
from logger.isolate.chain import KINDS, Symptom, parse_chain
from logger.isolate.instructions import how
from logger.isolate.trials import trials
from logger.tune.words import SIGNS

CHAIN = "radio lead meter coupler tuner arrester plug line plug joint antenna ground"
FORBIDDEN = (
    r"usual power|full power|for a minute|for minutes",  # low power for seconds is enough
    r"while (it is )?keyed[^.]*(touch|feel)|(touch|feel)[^.]*while (watching|keyed|transmitting)",
    r"in place of the (ground|earth)|(disconnect|take off) the (protective|lightning)? ?earth",
)


def advice() -> Iterator[tuple[str, Place]]:
    """Every sentence that sends somebody to do something, with its place."""
    for check in [*SILENT, *(check for cause in CAUSES for check in cause.checks)]:
        yield check.text, check.place
    chain = parse_chain(CHAIN)
    for symptom in Symptom:
        for trial in trials(chain, symptom, "unknown"):
            yield how(trial, chain), trial.where
    for text in SIGNS.values():
        yield text, Place.OUTSIDE


ADVICE = list(dict.fromkeys(advice()))


def test_the_walk_covers_every_part() -> None:
    assert set(CHAIN.split()) == set(KINDS)
    assert len(ADVICE) > 50


@pytest.mark.parametrize(("text", "place"), ADVICE, ids=[text[:30] for text, _ in ADVICE])
def test_advice_is_safe(text: str, place: Place) -> None:
    for pattern in FORBIDDEN:
        assert not re.search(pattern, text, re.IGNORECASE), pattern
    if re.search(r"\bkey\b(?! up)", text.lower()) and "release the key" not in text.lower():
        assert re.search(r"low power|brief", text, re.IGNORECASE)
    if re.search(r"ohmmeter|unscrew", text, re.IGNORECASE):
        spoken = f"{text} {' '.join(AT_PLACE[place].full)}"
        assert re.search(r"unkey|switch the transmitter off", spoken, re.IGNORECASE)
    if re.search(r"mast|roof|climb|far end|off the antenna", text, re.IGNORECASE):
        assert place is Place.OUTSIDE


@pytest.mark.parametrize("name", ["CALIBRATE", "DUMMY_LOAD", "MEASURE_LINE", "TUNE", "WIGGLE"])
def test_work_with_the_key_has_its_cautions(name: str) -> None:
    text = " ".join(getattr(cautions, name))
    for word in ("RF burns", "licence", "manual" if name != "CALIBRATE" else "dummy load"):
        assert word in text
    if name not in ("CALIBRATE", "DUMMY_LOAD"):  # at the radio only
        for word in ("power lines", "thunder", "local codes"):
            assert word in text
