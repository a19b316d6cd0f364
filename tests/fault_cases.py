"""Faults that a chart may have to show: of a minute and of months, with few and thousands of signs.

All data are invented.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.charts.fault_scene import Course, FaultScene, Note, Stretch
from logger.rows import Alarm, AlarmKind, Fault, FaultState, Severity
from logger.utc import DAY_NS, UNIT_NS, format_ns
from tests.drift_cases import LONG

FIRST_NS = 1_772_391_600_000_000_000
SECOND, HOUR = UNIT_NS["s"], UNIT_NS["h"]
OPEN, QUIET, VERIFYING, CLOSED = FaultState


def course(
    span_ns: tuple[int, int], number: int, name: str = "channel 20", *, step_ns: int | None = None
) -> Course:
    """Transmissions of 8 s, evenly spread; from `step_ns` on with a higher level."""
    rng = np.random.default_rng(number)
    start_ns = np.linspace(*span_ns, number, endpoint=False).astype(np.int64)
    rho = 0.1 + rng.normal(0, 0.004, number)
    if step_ns is not None:
        rho[start_ns >= step_ns] += 0.3
    peak = rho + np.where(rng.random(number) < 0.2, 0.6, 0.01)
    return Course(name, start_ns, start_ns + 8 * SECOND, rho, peak, 0.1)


def alarm(number: int, raised_ns: int, length_ns: int | None = 2 * SECOND) -> Alarm:
    kind = AlarmKind.HIGH_SWR if number % 3 else AlarmKind.SUDDEN_CHANGE
    return Alarm(
        id=number,
        kind=kind,
        severity=Severity.CRITICAL if number % 3 else Severity.WARNING,
        raised_utc=format_ns(raised_ns),
        cleared_utc=None if length_ns is None else format_ns(raised_ns + length_ns),
        value=3.4,
        limit=3.0,
        detail="SWR 3.40 at 4.00 W incident",
        flags="",
    )


def scene(
    length_ns: int,
    *,
    transmissions: int = 200,
    excursions: int = 0,
    alarms: int = 3,
    notes: Sequence[tuple[float, str, str, bool]] = (),
    states: Sequence[tuple[float, float, FaultState]] = ((0.2, 1.0, OPEN),),
    channels: int = 1,
    step: float | None = None,
    still_open: bool = False,
    captured: int = 0,
    summary: str = "Feedline or antenna: SWR 53.82 at 3.90 W incident, 3.62 W reflected",
    station: str = "harbour-workshop",
) -> FaultScene:
    """A fault that begins at a fifth of the time shown; times of notes and states are shares."""

    def time(share: float) -> int:
        return FIRST_NS + round(share * length_ns)

    span_ns = time(0.0), time(1.0)
    lengths = [None if still_open and n == alarms - 1 else 2 * SECOND for n in range(alarms)]
    opened = Note(time(0.2), "opened", summary, True)
    return FaultScene(
        fault=Fault(
            id=3,
            state=states[-1][2],
            severity=Severity.CRITICAL,
            opened_utc=format_ns(time(0.2)),
            summary=summary,
            probable_cause="a loose plug at the radio" if excursions else None,
            probability=0.83 if excursions else None,
            channels=" ".join(map(str, range(1, channels + 1))),
            alarms=alarms,
            excursions=excursions,
            open_time_s=0.025 * excursions,
        ),
        station=station,
        first_ns=time(0.2),
        span_ns=span_ns,
        courses=[
            course(
                span_ns,
                max(transmissions // channels, 1),
                f"channel {n + 20}",
                step_ns=None if step is None else time(step),
            )
            for n in range(channels if transmissions else 0)
        ],
        excursions_ns=np.linspace(time(0.2), time(0.7), excursions).astype(np.int64),
        alarms=[
            alarm(n, time(0.2 + 0.5 * n / max(alarms, 1)), length)
            for n, length in enumerate(lengths)
        ],
        notes=sorted(
            [opened, *(Note(time(share), *rest) for share, *rest in notes)],
            key=lambda note: note.time_ns,
        ),
        states=[Stretch(time(begin), time(end), state) for begin, end, state in states],
        captures=[],
        captured=captured,
    )


REPAIRED = [
    (0.72, "repair", "new plug at the radio, soldered", False),
    (0.72, "repaired", "Work noted on 8 March, after 136 alarms and 123 excursions", True),
    (
        0.9,
        "closed",
        "48 transmissions since the repair on 8 March: no excursions. Fixed (99 %)",
        True,
    ),
]
STATES = [(0.2, 0.72, OPEN), (0.72, 0.9, VERIFYING), (0.9, 1.0, CLOSED)]


def cases() -> dict[str, FaultScene]:
    """All that a sheet may have to show."""
    busy = [(n / 40, "remark", f"{n}: {LONG}", False) for n in range(40)]
    unsteady = [(0.2 + n / 50, ("quiet", "returned")[n % 2], LONG, True) for n in range(30)]
    turns = [(0.2 + n / 50, 0.22 + n / 50, (OPEN, QUIET)[n % 2]) for n in range(30)]
    return {
        "a minute": scene(60 * SECOND, transmissions=3, alarms=1, still_open=True, captured=2),
        "an hour": scene(HOUR, transmissions=20, excursions=6, alarms=4),
        "an evening": scene(5 * HOUR, excursions=120, alarms=40, notes=REPAIRED, states=STATES),
        "days": scene(9 * DAY_NS, excursions=300, alarms=136, notes=REPAIRED, states=STATES),
        "months": scene(
            150 * DAY_NS, transmissions=20_000, excursions=9000, alarms=2500, notes=REPAIRED,
            states=STATES, channels=6,
        ),
        "years": scene(
            900 * DAY_NS, transmissions=3000, alarms=2, step=0.2, still_open=True, channels=2
        ),
        "without transmissions": scene(DAY_NS, transmissions=0, alarms=1, still_open=True),
        "busy": scene(
            30 * DAY_NS, excursions=50, notes=busy + unsteady, states=turns, summary=LONG,
            station=f"a $ b $ c_d {LONG}",
        ),
    }  # fmt: skip
