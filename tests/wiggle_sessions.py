"""Invented sessions of wiggling six joints at random stations of `tests.station_model`.

A carrier of 2 to 5 W is keyed for one joint after another, ten seconds in a person's hand after
three with hands off. Wind moves the antenna all the time; a hand on the cable makes
it move more. A loose joint opens some times in those ten seconds, for 5 to 150 ms.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger.calibration.coupler import Coupler
from logger.live.meter import reading_of
from logger.live.reading import LiveReading
from logger.pipeline import Pipeline
from logger.stages.view import View
from logger.wiggle.session import WiggleSession, new_state
from tests.station_model import Open, Over, exact, random_station
from tests.station_model.pipeline import Settings, blocks

JOINTS = ("radio", "lead", "coupler in", "coupler out", "lightning arrester", "antenna")
BEFORE_S, MOVED_S, BETWEEN_S = 8.0, 10.0, 6.0
HANDS_OFF_S = 2.5  # of each key-down, before the joint; then the key is up for three seconds
HAND = 0.05  # sway that a hand on the cable adds
PERIOD_PAIRS = 20  # a tenth of a second, as the feed has it


@dataclass(frozen=True)
class Planted:
    """What was done, and the session that came of it."""

    loose: int | None
    session: WiggleSession


def _spans() -> list[tuple[float, float]]:
    begins = [BEFORE_S + k * (MOVED_S + BETWEEN_S) for k in range(len(JOINTS))]
    return [(begin, begin + MOVED_S) for begin in begins]


def played(seed: int, loose: bool) -> Planted:
    """A session from volts to counts; the stages and the feed are the product's."""
    rng = np.random.default_rng(seed)
    station = replace(random_station(rng), sway=float(rng.uniform(0.0, 0.15)))
    spans = _spans()
    watts = float(rng.uniform(2.0, 5.0))
    overs = [
        Over(begin - HANDS_OFF_S, end + 0.5, "fm", 20, watts, seed=k)
        for k, (begin, end) in enumerate(spans)
    ]
    joint = int(rng.integers(len(JOINTS))) if loose else None
    opens = [] if joint is None else _opens(rng, *spans[joint])
    record = station.record(rng, overs, opens)
    moved = replace(station, sway=station.sway + float(rng.uniform(0.0, HAND)))
    handled = moved.record(rng, overs, opens)
    touched = np.zeros(len(record), dtype=bool)
    for begin, end in spans:
        touched |= (record.t >= begin) & (record.t < end)
    record = replace(
        record,
        forward_v=np.where(touched, handled.forward_v, record.forward_v),
        reflected_v=np.where(touched, handled.reflected_v, record.reflected_v),
    )
    settings = Settings()
    coupler = Coupler(exact(station.coupler))
    views: list[View] = []
    pipeline = Pipeline(settings, coupler, [], tap=views.append, archive=False)  # type: ignore[arg-type]
    session = WiggleSession(new_state(JOINTS), limit_s=30.0)
    edges = [t for span in spans for t in span]
    first_s = float(record.t[0])
    for block in blocks(station, record, PERIOD_PAIRS):
        pipeline.process(block)
        reading: LiveReading = reading_of(views, 20, ())
        views.clear()
        now_s = (int(block.time_ns[-1]) - int(record.time_ns[0])) / 1e9 + first_s
        while edges and now_s >= edges[0]:
            edges.pop(0)
            session.go_on()
        session.take(reading)
    return Planted(joint, session)


def _opens(rng: np.random.Generator, begin_s: float, end_s: float) -> list[Open]:
    """A contact that gives way some three to twelve times while it is moved."""
    count = int(rng.integers(3, 13))
    starts = np.sort(rng.uniform(begin_s + 0.2, end_s - 0.4, count))
    lasting = rng.uniform(0.005, 0.15, count)
    ohm = 10 ** rng.uniform(1.5, 4.0, count)
    return [
        Open(float(at), float(at + for_s), float(how), 1.0)
        for at, for_s, how in zip(starts, lasting, ohm, strict=True)
    ]
