"""The report: words, figures and page, from a store that the test writes."""

from __future__ import annotations

import dataclasses
import json
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner, Result
from matplotlib.colors import to_rgb

from logger.charts.palette import THEMES
from logger.cli import command
from logger.daily import Days, WorkEvent
from logger.diagnosis.checks import checks_of
from logger.diagnosis.rules import BY_NAME, NOTHING
from logger.diagnosis.scoring import Diagnosis, Weighed
from logger.physics.estimate import Estimate
from logger.report import text, words
from logger.report.changes import changes
from logger.report.gather import first_fault
from logger.report.html import page
from logger.report.steps import is_homogeneous
from logger.report.summary import Summary, summary
from logger.rows import Alarm, Fault, FaultState, Severity
from logger.store.faults import Faults
from logger.store.journal import Journal
from logger.store.writer import StoreWriter
from logger.trend.account import Account, ChannelAccount, date
from logger.trend.outcome import StateVerdict, StationState, Step, Trend
from logger.utc import DAY_NS
from tests import drift_store
from tests.drift_cases import account, alarm, cases, entry
from tests.servers import needed
from tests.station import mismatchd, write_config
from tests.test_fault_store import LOOSE_PLUG, write
from tests.test_faults import alarm as fault_alarm
from tests.trends import FIRST, days, fitted

HOSTILE = '<script>alert("x")</script> & </title><img src=http://127.0.0.1:9/x onerror=alert(1)>'
KEYS = {"channel", "slope_per_year", "slope_low", "slope_high", "season_amplitude", "steps"}
KEYS |= {"verdict", "since"}


def told(account_: Account) -> Summary:
    made = summary(account_)
    return msgspec.structs.replace(made, sentence=words.state(made))


CASES = cases()


# changes


def test_a_change_is_named_and_its_interval_holds_the_truth() -> None:
    held = 0
    for seed in range(40):
        used = days(1096, step=(800, 0.3), seed=seed)
        day = FIRST + 800
        one = ChannelAccount(used, fitted(used, Step(day, day, day, 1.5, 1.8, None)))
        found = {change.against: change for change in changes(one, None)}
        assert found["year"].changed
        assert not found["month"].changed
        held += found["year"].low <= 0.3 <= found["year"].high
    assert held >= 35


def test_steady_stations_rarely_change() -> None:
    changed = [
        change.changed
        for seed in range(60)
        for used in [days(1096, seed=seed)]
        for change in changes(ChannelAccount(used, fitted(used)), FIRST + 500)
    ]
    assert len(changed) == 180
    assert sum(changed) <= 4


def test_a_repair_of_late_is_not_compared() -> None:
    used = days(400)
    one = ChannelAccount(used, fitted(used))
    assert "repair" not in {change.against for change in changes(one, FIRST + 370)}
    assert "repair" in {change.against for change in changes(one, FIRST + 200)}


# words


def test_the_state_in_a_sentence() -> None:
    def state(account_: Account) -> str:
        made = told(account_)
        return f"{made.state}: {made.sentence}"

    steady = account(days(1096, seed=3))
    assert state(steady) == (
        "fine: The feedline is unchanged: SWR on channel 20 is steady, and no alarm is open."
    )
    assert state(account(days(100))).startswith("unknown: Too early to tell drift from season")
    assert state(account(days(1096, slope=0.1))).startswith(
        "watch: Keep an eye on the feedline: SWR on channel 20 is rising"
    )
    waiting = account(days(1096, seed=3), alarms=(alarm(1, 1090, "high-swr", open_=True),))
    assert state(waiting).startswith("act: Look at the feedline now: alarm high-swr open since")
    assert state(account(days(1096, level=3.3))).startswith("act: ")
    nothing = Account("harbour-workshop", 3.0, 0, (), (), (), None)
    assert state(nothing) == ("unknown: No statement yet: no readable transmission is stored.")


def test_an_unannounced_step_of_all_channels_is_the_headline() -> None:
    """Three channels that changed by the same amount: dated, and not called different."""
    used = [days(1096, step=(900, 0.22), channel=n, seed=n, level=1.3 + 0.1 * n) for n in (1, 2, 3)]
    step = Step(FIRST + 900, FIRST + 898, FIRST + 901, 1.5, 1.72, None)
    made = told(account(*used, step=step))
    assert made.state == "watch"
    assert made.sentence.startswith(
        f"Keep an eye on the feedline: SWR changed by +0.22 on channels 1, 2 and 3"
        f" on {date(FIRST + 900)}"
    )


def test_sizes_are_different_only_beyond_doubt() -> None:
    assert is_homogeneous([0.20, 0.23, 0.25], [0.02, 0.02, 0.02])
    assert not is_homogeneous([0.20, 0.23, 0.35], [0.02, 0.02, 0.02])
    assert is_homogeneous([0.2], [0.01])


def test_a_falling_channel_is_no_good_news_and_checks_bring_their_cautions() -> None:
    made = told(account(days(1096, slope=-0.1)))
    lines = "\n".join(line for one in words.sections(made) for line in one.lines + one.steps)
    assert words.FALLING in lines
    for check in checks_of(["wet-line"])[:3]:
        assert check.text in lines
        assert all(caution in lines for caution in check.cautions[:1])


@pytest.mark.parametrize(
    ("verdict", "db_a_year", "kind", "said", "causes"),
    [
        ("loss", 0.3, "watch", "the line loses more than before", ["wet-line"]),
        ("loss", -0.3, "fine", None, ["antenna-moved"]),
        ("resonance", 0.0, "watch", "the antenna's resonance moves down", ["antenna-moved"]),
        ("both", 0.3, "watch", "down, and the line loses more", ["wet-line", "antenna-moved"]),
        ("undecided", 0.3, "fine", None, ["antenna-moved"]),
        ("unchanged", 0.0, "fine", None, ["antenna-moved"]),
    ],
)
def test_joint_state_counts_where_each_channel_is_steady(
    verdict: StateVerdict, db_a_year: float, kind: str, said: str | None, causes: list[str]
) -> None:
    state = together(verdict, db_a_year)
    made = told(dataclasses.replace(account(days(1096, seed=3)), state=state))
    assert made.state == kind
    assert made.next_check.checks == checks_of(causes)[: 3 if said else 1]
    if said is not None:
        assert said in made.sentence
        assert made.next_check.because.startswith("Taken together, 5 channels show that ")
        assert said in made.next_check.because


@pytest.mark.parametrize(
    ("kinds", "sure", "because"),
    [
        (["baseline-shift"], False, "Taken together, 5 channels show that the line loses more"),
        (["baseline-shift"], True, "Alarm 1 (baseline-shift) is open."),
        (["high-swr"], False, "Alarm 1 (high-swr) is open."),
        (["high-swr", "baseline-shift"], False, "Alarm 1 (high-swr) is open."),
        (["intermittent-contact"], False, "Alarm 1 (intermittent-contact) is open."),
    ],
)
def test_years_explain_no_alarm_but_a_slow_one(kinds: list[str], sure: bool, because: str) -> None:
    alarms = tuple(alarm(1 + k, 1090, kind, open_=True) for k, kind in enumerate(kinds))
    waiting = dataclasses.replace(
        account(days(1096, seed=3), alarms=alarms), state=together("loss", 0.3)
    )
    found = Diagnosis("", sure, (), checks_of(["antenna-moved"]), (), {})
    assert summary(waiting, (alarms[0], found)).next_check.because.startswith(because)


def test_an_unchanged_station_is_no_suspect() -> None:
    waiting = account(days(1096, seed=3), alarms=(alarm(1, 1090, "high-swr", open_=True),))

    def suspects(*names: str) -> tuple[str, ...]:
        causes = tuple(Weighed(name, BY_NAME[name].title, 0.3, (), (), ()) for name in names)
        diagnosis = Diagnosis("", False, causes, (), (), {})
        return summary(waiting, (waiting.alarms[0], diagnosis)).next_check.causes

    assert suspects(NOTHING, "hot-joint") == ("a joint that warms up",)
    assert suspects(NOTHING) == ()


def fault(number: int = 3, state: str = "open", **more: object) -> Fault:
    row = Fault(
        id=number,
        state=FaultState(state),
        severity=Severity.CRITICAL,
        opened_utc="2026-03-03T19:07:02.000000Z",
        last_sign_utc="2026-03-07T19:20:00.000000Z",
        summary="Feedline or antenna: SWR 53.82 at 3.90 W incident",
        alarms=136,
        excursions=1,
    )
    return msgspec.structs.replace(row, **more)


def with_faults(*faults: Fault, alarms: Sequence[Alarm] = ()) -> Summary:
    made = summary(account(days(1096, seed=3), alarms=tuple(alarms)), faults=faults)
    return msgspec.structs.replace(made, sentence=words.state(made))


def test_faults_lead_the_report() -> None:
    made = with_faults(fault())
    assert made.state == "act"
    assert made.sentence == "Look at the feedline now: fault 3 open since 2026-03-03."
    first, check, *rest = words.sections(made)
    assert (first.title, check.title) == ("Faults", "Next check")
    assert "Next check" not in {section.title for section in rest}
    assert first.lines == (
        "Fault 3, open (critical), opened 2026-03-03 19:07Z: Feedline or antenna: SWR 53.82 at"
        " 3.90 W incident. Signs so far: 136 alarms and 1 excursion, the last 2026-03-07 19:20Z."
        " See `mismatchd faults show 3`.",
    )
    likely = fault(probable_cause="intermittent-contact", probability=0.83)
    made = with_faults(msgspec.structs.replace(likely, acknowledged_utc="2026-03-04T00:00:00Z"))
    assert made.sentence.endswith("since 2026-03-03, probably an intermittent contact.")
    (line,) = words.sections(made)[0].lines
    assert "Fault 3, open, acknowledged (critical)" in line
    assert "Probably an intermittent contact. See" in line
    refuted = with_faults(fault(probable_cause="intermittent-contact", probability=0.05))
    assert refuted.sentence.endswith("since 2026-03-03.")
    none = with_faults()
    assert none.state == "fine"
    assert words.sections(none)[0].title == "What changed"
    assert words.sections(none)[-1].title == "Next check"


@pytest.mark.parametrize(
    ("faults", "level", "said"),
    [
        ([fault(severity=Severity.WARNING)], "watch", "fault 3 open since 2026-03-03."),
        ([fault(state="quiet")], "watch", "fault 3 of 2026-03-03 quiet."),
        ([fault(state="verifying")], "watch", "fault 3 of 2026-03-03 verifying."),
        ([fault(), fault(4), fault(5)], "act", "fault 4 open since 2026-03-03; 1 more fault."),
    ],
)
def test_the_level_follows_from_the_faults(faults: list[Fault], level: str, said: str) -> None:
    made = with_faults(*faults)
    assert made.state == level
    assert made.sentence.endswith(said)


def test_alarms_of_faults_are_one_step_away() -> None:
    own, other = (
        alarm(number, 1090, kind, open_=True) for number, kind in ((1, "high-swr"), (2, "no-data"))
    )
    own = msgspec.structs.replace(own, fault_id=3)
    made = with_faults(fault(), alarms=(own, other))
    assert "alarm high-swr" not in made.sentence
    assert "alarm no-data open since" in made.sentence
    lines = next(section.lines for section in words.sections(made) if section.title == "Alarms")
    assert lines[0].startswith("Open since 2027-02-24")
    assert "no-data" in lines[0]
    assert lines[1] == "1 alarm of fault 3 is open. See `mismatchd alarms`."
    found = Diagnosis("It breaks.", True, (), checks_of(["antenna-moved"]), (), {})
    assert (
        summary(
            account(days(1096, seed=3), alarms=(own,)), (own, found), faults=[fault(state="quiet")]
        ).next_check.because
        == "Fault 3 is quiet. It breaks."
    )


def test_what_is_said_of_a_fault_is_escaped(tmp_path: Path) -> None:
    account_ = account(days(400))
    hostile = fault(summary=HOSTILE, probable_cause=HOSTILE, probability=0.9)
    made = summary(account_, faults=[hostile])
    html = page(msgspec.structs.replace(made, sentence=words.state(made)), account_)
    assert "<script" not in html
    assert html.count("&lt;script&gt;") == 3


def test_a_store_with_a_fault(config: Path) -> None:
    store = config.parent / "data/station.sqlite"
    with closing(StoreWriter.open(store)) as opened:
        first_ns = (FIRST + 725) * DAY_NS
        write(
            opened,
            [
                fault_alarm("high-swr", first_ns),
                fault_alarm("high-swr", first_ns + 10**9, "cleared"),
                fault_alarm("intermittent-contact", first_ns + 5 * 10**9),
            ],
        )
    answer = json.loads(run("report", "-c", config, "--format", "json").stdout)
    (line,) = answer["faults"]
    assert (line["id"], line["state"], line["alarms"]) == (1, "open", 2)
    assert {row["fault_id"] for row in answer["alarms"]["open"]} == {1}
    assert answer["next_check"]["because"].startswith("Fault 1 is open. ")
    text_ = run("report", "-c", config).stdout
    assert re.search(r"\n\nFaults\n  Fault 1, open \(critical\)", text_)
    assert text_.index("\nFaults") < text_.index("\nNext check") < text_.index("\nWhat changed")
    before = run("report", "-c", config, "--until", date(FIRST + 720)).stdout
    assert "Fault" not in before


def together(verdict: StateVerdict, db_a_year: float) -> StationState:
    level = Estimate(1.0, 0.5, 1.5)
    return StationState(
        verdict=verdict,
        or_else=(),
        channels=5,
        first=FIRST,
        last=FIRST + 1095,
        resonance_khz=level,
        loss_db=level,
        resistance_ohm=level,
        q=level,
        resonance_khz_per_year=Estimate(-30.0, -40.0, -20.0),
        loss_db_per_year=Estimate(db_a_year, db_a_year - 0.1, db_a_year + 0.1),
    )


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("width", [40, 80, 300])
def test_no_line_of_the_page_is_wider_than_the_terminal(name: str, width: int) -> None:
    for line in text.page(told(CASES[name]), CASES[name], width).splitlines():
        assert len(line) <= min(width, text.WIDEST)


def test_each_month_has_its_block() -> None:
    page_ = text.page(told(CASES["three years"]), CASES["three years"], 100)
    (row,) = re.findall(rf"channel 20 ([{text.HEIGHTS} ]+) \d", page_)
    assert len(row.strip()) == 37
    assert "▁" in row
    assert "█" in row


# html


def test_words_of_others_are_escaped() -> None:
    made = account(
        days(500), station=HOSTILE, entries=(entry(9, "repair", HOSTILE),), alarms=(alarm(1, 5),)
    )
    written = page(told(made), made)
    assert "<script" not in written
    assert "<img" not in written
    assert written.count("&lt;script&gt;") >= 3
    ids = re.findall(r'\bid="([^"]+)"', written)
    used = re.findall(r'(?:href="#|url\(#)([^")]+)', written)
    assert set(used) <= set(ids)
    assert not re.findall(r'(?:src|href)="(?!#)', written)


def test_the_first_open_fault_is_drawn(tmp_path: Path) -> None:
    made = account(days(500))
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as store:
        write(store, LOOSE_PLUG)
        shown = summary(made, faults=Faults(store.database).active())
        scene = first_fault(store, shown)
        assert scene is not None
        assert (scene.fault.id, scene.captures) == (1, [])
        written = page(shown, made, None, scene)
        assert written.count("<svg") == len(made.channels) + 1
        section = written[written.index("<h2>Faults</h2>") :]
        assert section.index("Course of fault 1") < section.index("<h2>", 5)
        assert "opened: Feedline or antenna" in section
        store.database.execute("UPDATE faults SET state = 'quiet'")
        shown = summary(made, faults=Faults(store.database).active())
        assert first_fault(store, shown) is None


@pytest.mark.realtime
def test_the_page_in_a_browser(tmp_path: Path) -> None:
    from playwright.sync_api import sync_playwright

    many = CASES["many channels"]
    made = account(
        *(one.days for one in many.channels),
        station=HOSTILE,
        entries=(entry(9, "repair", HOSTILE), entry(300, "remark", "x" * 300)),
        alarms=many.alarms,
    )
    file = tmp_path / "report.html"
    file.write_text(page(told(made), made), encoding="utf-8")
    requests: list[str] = []
    said: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=needed("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        for width, height in ((390, 844), (1280, 900)):
            opened = browser.new_page(viewport={"width": width, "height": height})
            opened.on("request", lambda request: requests.append(request.url))
            opened.on("console", lambda message: said.append(message.text))
            opened.on("pageerror", lambda error: said.append(str(error)))
            opened.goto(file.as_uri())
            assert HOSTILE in opened.title()
            assert HOSTILE in opened.inner_text("h1")
            assert opened.evaluate("document.documentElement.scrollWidth") <= width
            assert opened.locator("script, img, iframe, link").count() == 0
            assert opened.locator("figure svg").count() == 4
            # No words of a chart leave it, whatever font the browser has, and all can be read.
            outside, least = opened.evaluate(
                """() => {
                let outside = [], least = 99;
                for (const svg of document.querySelectorAll("svg")) {
                    const frame = svg.getBoundingClientRect();
                    for (const text of svg.querySelectorAll("text")) {
                        const box = text.getBoundingClientRect();
                        if (box.left < frame.left - 1 || box.right > frame.right + 1)
                            outside.push(text.textContent);
                        least = Math.min(least, Math.max(box.height, box.width));
                    }
                }
                return [outside, least];}"""
            )
            assert outside == []
            assert least >= 5
            opened.close()
        dark = browser.new_page(color_scheme="dark")
        dark.goto(file.as_uri())
        colours = dark.evaluate(
            """() => [document.body, document.querySelector("svg text")].map(
            (one, n) => getComputedStyle(one)[n ? "fill" : "backgroundColor"])"""
        )
        dark_paper, dark_ink = (to_rgb(THEMES[name][1]) for name in ("paper", "ink"))
        assert colours == [
            f"rgb({', '.join(str(round(255 * part)) for part in colour)})"
            for colour in (dark_paper, dark_ink)
        ]
        browser.close()
    assert requests == [file.as_uri()] * 2
    assert said == []


# the commands


def plain_trend(
    used: Days,
    events: Sequence[WorkEvent] = (),
    weather: object = None,
    slope_u: float = 0.0,
    thermal_swr: object = None,
    prior: object = None,
) -> Trend:
    return fitted(used)


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A station with two channels and two years, told by the plain trend of the tests."""
    monkeypatch.setattr("logger.trend.gather.trend", plain_trend)
    path = write_config(tmp_path, "/dev/null")
    store = tmp_path / "data/station.sqlite"
    drift_store.write(store, [days(731, slope=0.1), days(731, channel=3, level=1.3, used=0.3)])
    opened = StoreWriter.open(store)
    Journal(opened.database).insert((FIRST + 300) * DAY_NS, "repair", "new plug <b>")
    opened.close()
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(command, [str(one) for one in arguments], catch_exceptions=True)


def test_the_report_as_json(config: Path) -> None:
    drift_store.put_alarm(
        config.parent / "data/station.sqlite", (FIRST + 700) * DAY_NS, "no-data", "warning", "none"
    )
    answer = json.loads(run("report", "-c", config, "--format", "json").stdout)
    assert [one["channel"] for one in answer["trend"]] == [20, 3]
    assert all(set(one) >= KEYS for one in answer["trend"])
    first = answer["trend"][0]
    assert first["verdict"] == "rising"
    assert first["since"] == "2024-03-01"
    assert first["slope_low"] <= first["slope_per_year"] <= first["slope_high"]
    assert first["slope_low"] < 0.1 < first["slope_high"]
    assert first["season_amplitude"] == pytest.approx(0.1, abs=0.02)
    assert first["steps"] == []
    assert {"station", "state", "sentence", "alarms", "forecast", "station_state"} <= set(answer)
    assert answer["station"] == "test-station"
    assert [one["kind"] for one in answer["alarms"]["open"]] == ["no-data"]
    assert answer["next_check"]["checks"]
    assert {one["against"] for one in answer["changes"]} == {"month", "year", "repair"}
    assert answer["journal"][0]["text"] == "new plug <b>"
    short = json.loads(
        run("report", "-c", config, "--format", "json", "--until", "2024-09-01").stdout
    )
    assert [short["trend"][0][key] for key in ("slope_per_year", "season_amplitude")] == [None] * 2
    assert short["trend"][0]["verdict"] == "undecided"
    assert short["forecast"][0]["probability"] is None


def test_a_report_until_a_past_day_knows_nothing_of_later_days(
    config: Path, tmp_path: Path
) -> None:
    """The report of a store is the same as that of one in which nothing has followed yet."""
    past, day_ns = FIRST + 184, (FIRST + 180) * DAY_NS  # until 2024-09-01
    answers = []
    for later in (False, True):
        folder = tmp_path / str(later)
        folder.mkdir()
        path, store = write_config(folder, "/dev/null"), folder / "data/station.sqlite"
        used = days(400, step=(184, 1.6))
        ended = int(np.searchsorted(used.day, past))
        first = dataclasses.replace(
            used, **{name: column[:ended] for name, column in vars(used).items() if np.ndim(column)}
        )
        drift_store.write(store, [used if later else first])
        drift_store.put_alarm(store, day_ns, "high-swr", "critical", "SWR 3.2")
        if later:
            drift_store.put_alarm(store, (past + 3) * DAY_NS, "no-data", "critical", "none")
            with closing(sqlite3.connect(store)) as database, database:
                database.execute(
                    "UPDATE alarms SET cleared_ns = ?, acknowledged_ns = ? WHERE kind = 'high-swr'",
                    ((past + 5) * DAY_NS, (past + 1) * DAY_NS),
                )
            opened = StoreWriter.open(store)
            Journal(opened.database).insert((past + 20) * DAY_NS, "repair", "new plug")
            opened.close()
        shown = run("report", "-c", path, "--format", "json", "--until", "2024-09-01").stdout
        answers.append(json.loads(shown))
    assert [one["kind"] for one in answers[0]["alarms"]["open"]] == ["high-swr"]
    assert answers[0]["generated_utc"].startswith("2024-09-01")
    assert answers[0] == answers[1]


def test_the_report_as_text_and_page(config: Path, tmp_path: Path) -> None:
    shown = run("report", "-c", config).stdout
    for wanted in (
        "Feedline at test-station",
        "Keep an eye",
        "Since the last repair or adjustment",
        "Forecast",
    ):
        assert wanted in shown
    file = tmp_path / "report.html"
    done = run("report", "-c", config, "--html", file)
    assert done.stdout == ""
    assert "new plug &lt;b&gt;" in file.read_text()
    bad = run("report", "-c", config, "--html", tmp_path / "no/report.html")
    assert "cannot be written" in str(bad.exception)


def test_the_chart_of_drift(config: Path, tmp_path: Path) -> None:
    for suffix in ("svg", "png", "pdf"):
        run("chart", "drift", "-c", config, "-o", tmp_path / f"drift.{suffix}")
        assert (tmp_path / f"drift.{suffix}").stat().st_size > 5000
    file = tmp_path / "one.svg"
    run("chart", "drift", "-c", config, "-o", file, "--channel", 3, "--since", "2025-01-01")
    drawn = file.read_text()
    assert "<!-- channel 3 -->" in drawn
    assert "<!-- channel 20 -->" not in drawn
    missing = run("chart", "drift", "-c", config, "-o", file, "--channel", 7)
    assert "no readable transmission on channel 7" in str(missing.exception)
    many = [word for n in range(5) for word in ("--channel", n)]
    assert "room for 4" in str(run("chart", "drift", "-c", config, "-o", file, *many).exception)


def test_an_empty_store_is_one_clear_line(config: Path, tmp_path: Path) -> None:
    store = tmp_path / "data/station.sqlite"
    store.unlink()
    StoreWriter.open(store).close()
    done = run("chart", "drift", "-c", config, "-o", tmp_path / "drift.png")
    assert done.exception is not None
    assert getattr(done.exception, "exit_code", None) == 1
    assert "\n" not in str(done.exception)
    assert "nothing to draw" in str(done.exception)
    assert not (tmp_path / "drift.png").exists()
    shown = run("report", "-c", config)
    assert "No statement yet" in shown.stdout
    assert json.loads(run("report", "-c", config, "--format", "json").stdout)["trend"] == []
    assert run("report", "-c", config, "--html", tmp_path / "r.html").exit_code == 0


def test_words_need_no_drawing() -> None:
    """matplotlib alone would take a fifth of the time that a report may take."""
    code = (
        "import sys, logger.cli.commands.report, logger.report.gather, logger.report.text,"
        " logger.report.words, logger.report.summary; sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_three_years_as_a_person_asks_for_them(tmp_path: Path) -> None:
    """The commands with the real model: a rise, a repair, a step nobody noted."""
    path = write_config(tmp_path, "/dev/null")
    store = tmp_path / "data/station.sqlite"
    used = [
        days(1096, slope=0.08, step=(500, -0.3)),
        days(1096, channel=3, level=1.3, slope=0.0, step=(800, 0.25), seed=2),
    ]
    drift_store.write(store, used)
    opened = StoreWriter.open(store)
    Journal(opened.database).insert((FIRST + 500) * DAY_NS, "repair", "new plug at the antenna")
    opened.close()
    told = json.loads(mismatchd("report", "-c", path, "--format", "json").stdout)
    by_channel = {one["channel"]: one for one in told["trend"]}
    rising = by_channel[20]
    assert set(rising) >= KEYS
    assert rising["verdict"] == "rising"
    assert rising["slope_low"] < 0.08 < rising["slope_high"]
    assert rising["season_amplitude"] == pytest.approx(0.1, abs=0.03)
    (repaired,) = rising["steps"]
    assert repaired["explained_by"] == "new plug at the antenna"
    assert repaired["to"] - repaired["from"] == pytest.approx(-0.3, abs=0.05)
    (step,) = by_channel[3]["steps"]
    assert step["explained_by"] is None
    assert step["date_low"] <= date(FIRST + 800) <= step["date_high"]
    assert told["station_state"] is None  # two channels are too few
    mismatchd("report", "-c", path, "--html", tmp_path / "report.html")
    assert (tmp_path / "report.html").read_text().count("<svg") == 2
    for name in ("drift.svg", "drift.png"):
        mismatchd("chart", "drift", "-c", path, "-o", tmp_path / name)
        assert (tmp_path / name).stat().st_size > 20_000
