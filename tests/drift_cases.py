"""Accounts of stations that a drift chart and a report may have to show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logger.daily import Days, Weather
from logger.rows import Alarm, AlarmKind, Severity
from logger.trend.account import Account, ChannelAccount, JournalEntry
from logger.trend.outcome import Step
from logger.utc import DAY_NS, format_ns
from tests.trends import FIRST, days, fitted

LONG = "the plug at the balcony was opened, dried, cleaned and made new with tape around it; " * 5


def entry(day: float, kind: str = "remark", text: str = "leaves are out") -> JournalEntry:
    return JournalEntry(round((FIRST + day) * DAY_NS), kind, text)


def alarm(number: int, day: float, kind: str = "high-swr", open_: bool = False) -> Alarm:
    raised_ns = round((FIRST + day) * DAY_NS)
    return Alarm(
        id=number,
        kind=AlarmKind(kind),
        severity=Severity.CRITICAL if kind.startswith("high") else Severity.WARNING,
        raised_utc=format_ns(raised_ns),
        cleared_utc=None if open_ else format_ns(raised_ns + 60 * 10**9),
        value=3.4,
        limit=3.0,
        detail="SWR 3.40 at 4.00 W incident",
        flags="",
    )


def account(*used: Days, step: Step | None = None, **more: object) -> Account:
    channels = tuple(ChannelAccount(one, fitted(one, step)) for one in used)
    last = max(int(one.day[-1]) for one in used)
    plain = Account("harbour-workshop", 3.0, (last + 1) * DAY_NS, channels, (), (), None)
    return replace(plain, **more)


def weather(span: int) -> Weather:
    rng = np.random.default_rng(5)
    day = FIRST + np.arange(span)
    temperature = 11 - 9 * np.cos(2 * np.pi * day / 365.25) + rng.normal(0, 3, span)
    rain = np.where(rng.random(span) < 0.4, rng.gamma(0.8, 6, span), 0.0)
    temperature[20:40] = np.nan
    return Weather(day, temperature, rain, np.full(span, np.nan))


def work(span: int) -> tuple[JournalEntry, ...]:
    return (
        entry(span * 0.1, "repair", "new plug at the balcony"),
        entry(span * 0.3, "weather", "storm"),
        entry(span * 0.31, "remark", "$n_o$ maths & <b>no</b> markup"),
        entry(span * 0.66, "adjustment", LONG),
    )


def outliers(used: Days, *values: float) -> Days:
    swr = used.swr.copy()
    swr[:: max(len(swr) // len(values), 1)][: len(values)] = values
    return replace(used, swr=swr)


def cases() -> dict[str, Account]:
    three = 1096
    many: Sequence[Days] = [
        days(three, level=1.2 + 0.2 * n, channel=n * 10, seed=n, slope=0.05 * n)
        for n in range(1, 5)
    ]
    day = FIRST + 500
    step = Step(day, day - 4, day + 2, 1.5, 1.8, None)
    alarms = tuple(
        alarm(n, 1096 * n / 21, ("high-swr", "sudden-change", "no-data")[n % 3]) for n in range(20)
    )
    return {
        "one day": account(days(1)),
        "one day, 999": account(replace(days(1), swr=np.array([999.0]))),
        "two days": account(days(2), entries=(entry(0.5, "repair", "plug"),)),
        "one month": account(days(31), entries=work(31), weather=weather(31)),
        "four months": account(days(120), days(120, channel=3, level=1.2), alarms=alarms[:3]),
        "three years": account(
            days(three, slope=0.08), entries=work(three), weather=weather(three), alarms=alarms[:4]
        ),
        "ten years": account(days(3653, slope=0.05), entries=work(3653), weather=weather(3653)),
        "stepped": account(days(three, step=(500, 0.3)), step=step, entries=work(three)),
        "many channels": account(*many, entries=work(three), weather=weather(three), alarms=alarms),
        "many alarms": account(
            days(three), alarms=(*alarms, alarm(20, 1090, "baseline-shift", open_=True))
        ),
        "long words": account(
            days(three),
            station="workshop of the harbour " * 9,
            entries=tuple(entry(three * n / 30, "repair", LONG) for n in range(30)),
        ),
        "outliers": account(outliers(days(three), 9.0, 14.0, 1.01, 6.0)),
        "one 999": account(outliers(days(three), 999.0), limit=1.9),
        "near the limit": account(days(three, level=2.6, slope=0.1)),
        "frequency": account(
            replace(days(400), channel=None, frequency_khz=27205.0), weather=weather(90)
        ),
    }
