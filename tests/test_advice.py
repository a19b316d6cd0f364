"""Advice of messages: by the stored cause or the signs of a fault, always with its cautions."""

from __future__ import annotations

import subprocess
import sys

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cautions import AT_PLACE
from logger.diagnosis.advice import MOST_CHECKS, advise
from logger.diagnosis.rules import BY_NAME, CAUSES, NOTHING, SILENT, STATED, SUSPECTS
from logger.faults.signature import BREAKS
from logger.rows import AlarmKind, Fault, FaultState, Severity
from logger.utc import format_ns
from tests.test_store import T0

CHECKS = {check.text: check for cause in CAUSES for check in cause.checks} | {
    check.text: check for check in SILENT
}


def fault(cause: str | None = None, probability: float | None = None, excursions: int = 0) -> Fault:
    return Fault(
        id=1,
        state=FaultState.OPEN,
        severity=Severity.WARNING,
        opened_utc=format_ns(T0),
        summary="SWR 8.1 on channel 20",
        probable_cause=cause,
        probability=probability,
        excursions=excursions,
    )


def assert_cautioned(lines: list[str]) -> None:
    """Each check stands before its cautions: in full, unless the check before has the same ones."""
    given_before = ""
    checks = [line.removeprefix("Next: ") for line in lines if line.startswith("Next: ")]
    assert 1 <= len(checks) <= MOST_CHECKS
    for line in checks:
        (check,) = [check for text, check in CHECKS.items() if line.startswith(text)]
        caution = AT_PLACE[check.place]
        full = " ".join(caution.full)
        assert line.removeprefix(check.text).strip() == full or (
            given_before == full and caution.short in line
        )
        given_before = full


@pytest.mark.parametrize("kind", AlarmKind)
def test_each_kind_of_alarm_has_advice(kind: AlarmKind) -> None:
    lines = advise(None, [kind])
    assert not lines[0].startswith("Next: ")
    assert_cautioned(lines)


@given(
    st.sets(st.sampled_from([*AlarmKind]), min_size=1),
    st.sampled_from([None, "gremlins", *BY_NAME]),
    st.floats(0, 1),
    st.integers(0, 9),
)
def test_the_stored_cause_comes_first_and_every_check_has_its_cautions(
    kinds: set[AlarmKind], cause: str | None, probability: float, excursions: int
) -> None:
    lines = advise(fault(cause, probability, excursions), kinds)
    if cause == NOTHING:
        return
    assert_cautioned(lines)
    if cause in BY_NAME and probability >= STATED and AlarmKind.NO_DATA not in kinds:
        assert BY_NAME[cause].title in lines[0]
        assert BY_NAME[cause].checks[0].text in lines[1]


def test_signs_of_a_contact_outweigh_its_level() -> None:
    (names,) = {SUSPECTS[AlarmKind.HIGH_SWR], SUSPECTS[AlarmKind.HIGH_REFLECTED_POWER]}
    assert BY_NAME[names[0]].title in advise(fault(), ["high-swr"])[0]
    lines = advise(fault(excursions=BREAKS), ["high-swr"])
    assert lines == advise(None, ["intermittent-contact", "high-swr"])
    assert lines[0].startswith(
        "It might be an intermittent contact. The first suspect is a plug that is"
    )


def test_a_cause_that_the_summary_names_is_not_repeated() -> None:
    cause = "wet-line"
    stated = msgspec.structs.replace(
        fault(cause, 0.9), summary=f"Probably {BY_NAME[cause].title}; the next check is outdoors."
    )
    assert all(line.startswith("Next: ") for line in advise(stated, []))
    assert advise(fault(cause, 0.9), [])[0] == "Probably a line that takes up water."


def test_nothing_is_said_of_unknown_signs() -> None:
    assert advise(fault(), ["of-a-later-version"]) == []
    assert advise(None, []) == []


def test_the_daemon_imports_no_diagnosis_for_it() -> None:
    code = "import sys, logger.diagnosis.advice; print(*sys.modules)"
    modules = subprocess.check_output([sys.executable, "-c", code], text=True).split()
    assert "logger.diagnosis.rules" in modules
    assert "logger.diagnosis.evidence" not in modules
