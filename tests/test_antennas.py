"""Several antennas and bands: which one is in use, and that none is compared with another.

The stations here are not the product's simulator: volts by the published detector equation (see
tests/station.py), reflections of a series circuit written out here.
"""

from __future__ import annotations

import csv
import json
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.channels import PLANS, read_plan
from logger.bands import BANDS, band_at, parse_band
from logger.config.load import AntennaOptions, StationOptions, load
from logger.diagnosis.evidence import gather
from logger.diagnosis.history import read
from logger.diagnosis.scoring import diagnose
from logger.errors import ConfigError
from logger.places import SEGMENT, place_name, segment_khz
from logger.rows import Transmission
from logger.stages.antennas import Antennas
from logger.store.days import DailyValues
from logger.store.line_protocol import point
from logger.store.tables import FORWARDED
from logger.store.writer import StoreWriter
from tests.deadlines import wait_until
from tests.station import Running, line, mismatchd, pty, volts, write_config
from tests.test_baseline_shift import judged, sent
from tests.test_store import ALWAYS, SECOND, T0, second, transmission

VERTICAL, BEAM = 1.18, 1.64  # SWR of two antennas on channel 20
TWO = "[{name: vertical, bands: [11m]}, {name: beam, bands: [11m, 10m]}]"
DAY_S = 86_400


def reference(name: str) -> list[dict[str, str]]:
    lines = (Path(__file__).parent / "references" / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def rho(swr: float) -> float:
    return (swr - 1) / (swr + 1)


def circuit(khz: float, resonance_khz: float, q: float, r_ohm: float = 50.0) -> float:
    """|Γ| of a series circuit at 50 ohm."""
    z = r_ohm * (1 + 1j * q * (khz / resonance_khz - resonance_khz / khz))
    return abs((z - 50) / (z + 50))


# ---- bands and segments


def test_the_bands_are_those_of_any_region() -> None:
    published = {
        row["band"]: tuple(
            fold(float(row[f"{edge}_{region}"]) for region in "123" if row[f"{edge}_{region}"])
            for edge, fold in (("low", min), ("high", max))
        )
        for row in reference("bands.csv")
    }
    ours = {band.name: (band.low_mhz, band.high_mhz) for band in BANDS}
    citizens = [
        float(row["freq_mhz"])
        for name in ("cb_channels.csv", "uk_channels.csv")
        for row in reference(name)
    ]
    low, high = ours.pop("11m")
    assert ours == published
    assert low < min(citizens)
    assert max(citizens) < high


@given(st.floats(100.0, 500_000.0))
def test_a_frequency_lies_in_its_segment(khz: float) -> None:
    low, high = (float(edge) for edge in segment_khz(np.array(khz)))
    assert low <= khz * (1 + 1e-12)
    assert khz <= high * (1 + 1e-12)
    assert high / low < 1 + 1.08 * SEGMENT  # wider at the low end of a wide band
    middle = np.array((low + high) / 2)
    if band_at(khz / 1e3) == band_at(float(middle) / 1e3):
        assert segment_khz(middle) == (pytest.approx(low), pytest.approx(high))


def test_segments_fill_a_band_and_no_more() -> None:
    for band in BANDS:
        edges = 1e3 * np.linspace(band.low_mhz, band.high_mhz, 2001)[:-1]
        low, high = segment_khz(edges)
        assert low.min() == pytest.approx(1e3 * band.low_mhz)
        assert high.max() == pytest.approx(1e3 * band.high_mhz)
        assert len(np.unique(low)) <= 35
    assert len(np.unique(segment_khz(np.linspace(14_000, 14_350, 500))[0])) == 7


@pytest.mark.parametrize("khz", [3_650.0, 7_100.0, 14_175.0, 27_205.0, 145_000.0])
def test_an_antenna_reads_about_the_same_throughout_a_segment(khz: float) -> None:
    low, high = (float(edge) for edge in segment_khz(np.array(khz)))
    for resonance in khz * np.linspace(0.98, 1.02, 21):
        ends = [circuit(end, resonance, 12.0, r_ohm=40.0) for end in (low, high)]
        assert abs(ends[1] - ends[0]) < 0.05


def test_unknown_frequencies_have_no_segment() -> None:
    assert np.isnan(segment_khz(np.array([np.nan, 0.0, -5.0]))).all()
    assert place_name(None, None, None, "this station") == "this station"
    assert place_name(None, None, "beam", "this station") == "beam"
    assert place_name(20, 27_205.0, "beam", "") == "channel 20 (beam)"
    assert place_name(None, 14_101.0, None, "") == "14.100 to 14.150 MHz"


@pytest.mark.parametrize(
    ("text", "edges"),
    [("20m", (14.0, 14.35)), ("20 M", (14.0, 14.35)), ("26.9-27.5", (26.9, 27.5))],
)
def test_a_band_as_written(text: str, edges: tuple[float, float]) -> None:
    assert parse_band(text)[1:] == edges


# ---- channel plans


def test_the_british_plan_is_the_published_one(tmp_path: Path) -> None:
    published = {int(r["channel"]): float(r["freq_mhz"]) for r in reference("uk_channels.csv")}
    assert PLANS["uk-27-81"] == published
    path = write_config(tmp_path, "/dev/null", station="{channel: 20, channel_plan: uk-27-81}")
    assert "27.7913 MHz" in mismatchd("feedline", "-c", path).stdout
    path = write_config(tmp_path, "/dev/null", station="{channel: 20}")
    assert "27.205 MHz" in mismatchd("feedline", "-c", path).stdout
    assert "plan cept, by default; another one: station.channel_plan" in (
        mismatchd("check", "-c", path).stdout
    )


def test_no_plan_is_invented_where_a_frequency_is_given() -> None:
    assert StationOptions(frequency_mhz=14.1).channels == {}
    assert StationOptions(channel=20).channels[20] == 27.205
    assert StationOptions(frequency_mhz=27.2, channel_plan="fcc").channels[20] == 27.205


def test_a_plan_from_a_file(tmp_path: Path) -> None:
    plan = tmp_path / "marine.csv"
    plan.write_text("# invented\nchannel,frequency_khz\n6,156300\n16,156800\n")
    path = write_config(tmp_path, "/dev/null", station="{channel: 16, channel_plan: marine.csv}")
    assert load(path).station.channels == {6: 156.3, 16: 156.8}
    assert "156.8 MHz" in mismatchd("feedline", "-c", path, "--cable", "RG-213").stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "No such file"),
        ("", "its first line must name"),
        ("channel,frequency_mhz\n", "it has no channels"),
        ("channel,frequency_mhz\n1,much\n", "line 2: a channel number and its frequency expected"),
        ("channel,frequency_mhz\n1,27205\n", "line 2: channel 1 at 27205 MHz is not possible"),
        ("channel,frequency_mhz\n1,27\n\n1,28\n", "line 4: channel 1 has another frequency"),
        ("channel,frequency_mhz\n1,27\n", "has no channel 20; add it"),
    ],
)
def test_a_wrong_plan_is_an_error(tmp_path: Path, content: str | None, said: str) -> None:
    if content is not None:
        (tmp_path / "plan.csv").write_text(content)
    path = write_config(tmp_path, "/dev/null", station="{channel: 20, channel_plan: plan.csv}")
    read_plan.cache_clear()
    with pytest.raises(ConfigError, match=said):
        load(path)


# ---- the antenna in use

ANTENNAS = [
    AntennaOptions(name="vertical", bands=["11m"]),
    AntennaOptions(name="beam", bands=["11m", "10m"]),
    AntennaOptions(name="wire", bands=["40m", "20m"]),
]


def named(
    times: Sequence[int],
    changes: Sequence[tuple[int, str]] = (),
    station: StationOptions | None = None,
    antennas: Sequence[AntennaOptions] = ANTENNAS,
    **aux: Sequence[float],
) -> list[str | None]:
    choice = Antennas(antennas, station or StationOptions())
    choice.know_changes(changes)
    columns = {name: np.array(column, dtype=float) for name, column in aux.items()}
    marked = choice.mark(np.array(times), columns)
    return [choice.name(number) for number in marked["antenna"].tolist()]


def test_the_bridge_names_the_antenna() -> None:
    nan = np.nan
    assert named([1, 2, 3, 4], antenna=[1, 2, 3, 7]) == ["vertical", "beam", "wire", "antenna 7"]
    # Where it says nothing, the band does.
    assert named([1, 2], antenna=[1, nan], frequency_khz=[7050, 7050]) == ["vertical", "wire"]
    switch = [AntennaOptions(name="a", number=0), AntennaOptions(name="b", number=12)]
    assert named([1, 2], antennas=switch, antenna=[12, 0]) == ["b", "a"]


def test_the_band_names_the_antenna() -> None:
    assert named([1, 2, 3], frequency_khz=[28_500, 14_100, 50_100]) == ["beam", "wire", None]
    assert named([1, 2], channel=[20, np.nan]) == [None, None]  # two are possible
    assert named([1], station=StationOptions(frequency_mhz=7.1)) == ["wire"]
    assert named([1], station=StationOptions(channel=20), antennas=ANTENNAS[1:]) == ["beam"]
    uk = StationOptions(channel=40, channel_plan="uk-27-81")
    narrow = [
        AntennaOptions(name="low", bands=["26.9-27.5"]),
        AntennaOptions(name="high", bands=["27.5-28"]),
    ]
    assert named([1], station=uk, antennas=narrow) == ["high"]
    assert named([1], antennas=ANTENNAS[:1]) == ["vertical"]


def test_the_journal_names_the_antenna() -> None:
    changes = [(10, "vertical"), (20, "wire"), (30, "beam"), (40, "sold")]
    times = [5, 10, 25, 30, 50]
    assert named(times, changes, channel=[20] * 5) == [None, "vertical", "vertical", "beam", "beam"]
    # An entry about another band says nothing about this one.
    assert named([25], changes, frequency_khz=[7_100]) == ["wire"]
    # If nothing is known of the frequency, the latest entry counts.
    assert named([25, 35], changes) == ["wire", "beam"]


@given(st.integers(1, 39), st.integers(0, 2**31))
def test_the_antenna_does_not_depend_on_the_cut_of_the_blocks(cut: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    aux = {
        "antenna": np.where(rng.random(40) < 0.3, rng.integers(1, 4, 40), np.nan),
        "frequency_khz": rng.choice([7_100.0, 27_205.0, 28_500.0, np.nan], 40),
    }
    changes = sorted(
        (int(at), str(name))
        for at, name in zip(
            rng.integers(0, 40, 5), rng.choice(["vertical", "beam"], 5), strict=True
        )
    )
    whole = named(range(40), changes, **aux)
    parts = [
        named(range(40)[part], changes, **{name: column[part] for name, column in aux.items()})
        for part in (slice(0, cut), slice(cut, 40))
    ]
    assert whole == parts[0] + parts[1]


def test_an_antenna_in_few_words(tmp_path: Path) -> None:
    config = load(
        write_config(
            tmp_path,
            "/dev/null",
            antennas="[{name: a, bands: 20m, line: {cable: RG-213}}, {name: b}]",
            feedline="{cable: RG-58, length_m: 20}",
        )
    )
    assert [band.name for band in config.antennas[0].ranges] == ["20m"]
    assert config.line_of("a").cable == "RG-213"
    assert config.line_of("b").length_m == 20
    assert config.line_of(None).cable == "RG-58"


@pytest.mark.parametrize(
    ("antennas", "said"),
    [
        ("[{name: a}, {name: a}]", "occurs twice; give another name"),
        ("[{name: a}, {name: b, number: 1}]", "number 1 occurs twice"),
        ("[{name: a, bands: [21m]}]", "'21m' is no band; give one of"),
        ("[{name: 'a, b'}]", "antennas"),
        ("[{name: a, band: 20m}]", "did you mean 'bands'"),
    ],
)
def test_wrong_antennas_are_an_error(tmp_path: Path, antennas: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        load(write_config(tmp_path, "/dev/null", antennas=antennas))


# ---- nothing is compared with another antenna


def season(days: int, step: float = 0.0, since: int = 0, seed: int = 1) -> list[Transmission]:
    """Evenings on channel 20, now with one antenna, now with the other; the beam may change."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(days):
        for k in range(6):
            antenna = str(rng.choice(["vertical", "beam"]))
            level = rho(VERTICAL) if antenna == "vertical" else rho(BEAM)
            level += step * (antenna == "beam" and day >= since)
            level *= 1 + 0.02 * rng.standard_normal()
            rows.append(sent(DAY_S * day + 600 * k, level, antenna=antenna))
    return rows


def test_two_antennas_on_one_channel_are_no_change() -> None:
    rows = season(200)
    assert judged(rows) == []
    unaware = [msgspec.structs.replace(row, antenna=None) for row in rows]
    assert judged(unaware)  # this is why


def test_a_real_change_of_one_antenna_is_reported_for_it() -> None:
    raised, *_ = judged(season(60, step=0.08, since=40))
    assert "on channel 20 (beam) since 2026-04-1" in raised.detail
    assert 40 <= (raised.time_ns - T0) / SECOND / DAY_S < 43


def test_five_bands_tuned_around_raise_nothing() -> None:
    """Antennas of Q 10 to 14, all over five bands; `tests.bench.bands` has years of it."""
    rng = np.random.default_rng(5)
    bands = [band for band in BANDS if band.name in ("40m", "20m", "15m", "11m", "10m")]
    resonances = [1e3 * rng.uniform(band.low_mhz, band.high_mhz) for band in bands]
    rows = []
    for day in range(80):
        for k in range(8):
            n = int(rng.integers(len(bands)))
            khz = 1e3 * rng.uniform(bands[n].low_mhz, bands[n].high_mhz)
            level = circuit(khz, resonances[n], 10 + n, 40 + 5 * n) * (1 + 0.02 * rng.normal())
            rows.append(
                sent(DAY_S * day + 900 * k, min(level, 0.49), channel=None, frequency_khz=khz)
            )
    assert judged(rows) == []


# ---- the whole: replay, export, tags, recompute, report


def replayed(folder: Path, days: int, changed_from: int) -> tuple[Path, int]:
    """A replay of evenings with both antennas; the beam changes. Also its number of overs."""
    rng = np.random.default_rng(3)
    lines, overs, at_s = ["time_s,forward_v,reflected_v,channel,antenna"], 0, T0 // SECOND
    for day in range(days):
        for k in range(6):
            is_beam = bool(rng.integers(2))
            overs += is_beam
            swr = (BEAM if day < changed_from else 2.1) if is_beam else VERTICAL
            begin = at_s + DAY_S * day + 300 * k
            on = volts(4.0), volts(4.0 * rho(swr) ** 2)
            for pair in range(240):
                keyed = 20 <= pair < 220
                forward, reflected = (v * keyed + 2e-4 * rng.standard_normal() for v in on)
                lines.append(
                    f"{begin + pair / 50:.3f},{forward:.4f},{reflected:.4f},20,{1 + is_beam}"
                )
    (folder / "pairs.csv").write_text("\n".join(lines) + "\n")
    driver = f"{{kind: replay, path: {folder}/pairs.csv}}"
    return write_config(folder, "none", driver=driver, antennas=TWO), overs


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, list[dict[str, object]]]:
    config, overs = replayed(tmp_path_factory.mktemp("antennas"), 16, 12)
    done = mismatchd("run", "--events", "-c", config)
    return config, overs, [json.loads(line) for line in done.stdout.splitlines()]


def test_a_replay_with_two_antennas(played: tuple[Path, int, list[dict[str, object]]]) -> None:
    config, overs, events = played
    sent_rows = [event for event in events if event["event"] == "transmission"]
    assert sum(row["antenna"] == "beam" for row in sent_rows) == overs
    assert {row["antenna"] for row in sent_rows} == {"beam", "vertical"}
    raised = [e for e in events if e["event"] == "alarm" and e["change"] == "raised"]
    assert {e["kind"] for e in raised} == {"sudden-change", "baseline-shift"}
    assert all(str(e["raised_utc"]) >= "2026-03-13" for e in raised)
    (shift,) = (e for e in raised if e["kind"] == "baseline-shift")
    assert "channel 20 (beam)" in str(shift["detail"])
    fault = json.loads(mismatchd("export", "faults", "--format", "jsonl", "-c", config).stdout)
    assert (fault["channels"], fault["antennas"]) == ("20", "beam")
    assert "on channel 20 (beam)" in mismatchd("faults", "show", "1", "-c", config).stdout


def test_what_is_exported_names_the_antenna(
    played: tuple[Path, int, list[dict[str, object]]],
) -> None:
    config, overs, _ = played
    for table in ("transmissions", "days", "excursions"):
        head = mismatchd("export", table, "-c", config).stdout.splitlines()[0]
        assert "antenna" in head.split(",")
    days = list(csv.DictReader(mismatchd("export", "days", "-c", config).stdout.splitlines()))
    assert {(row["channel"], row["antenna"]) for row in days} == {
        ("20", "beam"),
        ("20", "vertical"),
    }
    lines = mismatchd("export", "transmissions", "--format", "line-protocol", "-c", config).stdout
    assert lines.count("antenna=beam") == overs
    assert 'antenna="' not in lines


def test_report_and_chart_have_a_line_for_each(
    played: tuple[Path, int, list[dict[str, object]]],
) -> None:
    config, _, _ = played
    report = json.loads(mismatchd("report", "--format", "json", "-c", config).stdout)
    level = {line["antenna"]: line["level"] for line in report["trend"]}
    assert level["vertical"] == pytest.approx(VERTICAL, abs=0.02)
    assert "Channel 20 (vertical): " in mismatchd("report", "-c", config).stdout
    chart = config.parent / "drift.svg"
    mismatchd("chart", "drift", "-o", chart, "-c", config)
    assert "channel 20 (beam)" in chart.read_text()
    wrong = mismatchd("chart", "drift", "-o", chart, "--antenna", "bean", "-c", config, check=False)
    assert (wrong.returncode, wrong.stderr) == (
        2,
        "mismatchd: 'bean' is not a configured antenna; did you mean 'beam'?\n",
    )


def stored(config: Path, table: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(config.parent / "data/station.sqlite")) as database:
        return database.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()


def test_recompute_gives_the_same(played: tuple[Path, int, list[dict[str, object]]]) -> None:
    config, _, _ = played
    tables = ("transmissions", "seconds", "alarms", "faults", "memories")
    before = [stored(config, table) for table in tables[:-1]]
    mismatchd("recompute", "-c", config)
    assert [stored(config, table) for table in tables[:-1]] == before


def stored_antennas(config: Path) -> list[str | None]:
    with closing(sqlite3.connect(config.parent / "data/station.sqlite")) as database:
        rows = database.execute("SELECT antenna FROM transmissions ORDER BY id").fetchall()
    return [antenna for (antenna,) in rows]


def test_the_antenna_from_the_journal(tmp_path: Path) -> None:
    config, _ = replayed(tmp_path, 3, 3)
    text = (tmp_path / "pairs.csv").read_text().replace("antenna", "position")
    (tmp_path / "pairs.csv").write_text(text)  # a column without meaning
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    wrong = mismatchd("journal", "add", "--kind", "antenna", "bean", "-c", config, check=False)
    assert wrong.returncode == 2
    assert "did you mean 'beam'?" in wrong.stderr
    day = "2026-03-02T12:00:00Z"
    mismatchd("journal", "add", "--kind", "antenna", "beam", "--time", day, "-c", config)
    mismatchd("run", "-c", config)
    names = stored_antennas(config)
    assert names == [None] * 6 + ["beam"] * 12
    # Noted afterwards: it counts from the next `recompute` on.
    day = "2026-03-03T12:00:00Z"
    mismatchd("journal", "add", "--kind", "antenna", "vertical", "--time", day, "-c", config)
    mismatchd("recompute", "-c", config)
    names = stored_antennas(config)
    assert names == [None] * 6 + ["beam"] * 6 + ["vertical"] * 6
    # Also where no pairs are archived any more.
    with closing(sqlite3.connect(tmp_path / "data/station.sqlite")) as database, database:
        database.execute("DELETE FROM segments")
    day = "2026-03-01T12:00:00Z"
    mismatchd("journal", "add", "--kind", "antenna", "vertical", "--time", day, "-c", config)
    done = mismatchd("recompute", "-c", config)
    assert "by band and journal: another antenna of 6 transmissions" in done.stderr
    names = stored_antennas(config)
    assert names == ["vertical"] * 6 + ["beam"] * 6 + ["vertical"] * 6
    assert "journal" not in done.stderr.partition("\n")[0]
    # Renamed in the configuration, but not in the journal.
    config.write_text(config.read_text().replace("name: beam", "name: yagi"))
    for command in ("check", "recompute"):
        said = mismatchd(command, "-c", config).stderr
        assert "warning: 'beam' in the journal is no configured antenna" in said


def named_events(daemon: Running, antenna: str) -> list[dict[str, object]]:
    daemon.poll()
    return [event for _, event in daemon.events if event.get("antenna") == antenna]


@pytest.mark.realtime
def test_a_running_daemon_hears_of_a_change_of_antenna(tmp_path: Path) -> None:
    with pty() as (master, port):
        config = write_config(tmp_path, port, antennas=TWO, transmission="{hang_ms: 300}")
        daemon = Running(config)

        def over() -> None:
            for _ in range(10):
                os.write(master, line(4.0, 0.04) * 5)
                time.sleep(0.03)
            for _ in range(12):
                os.write(master, line(0.0, 0.0) * 5)
                time.sleep(0.05)

        try:
            daemon.wait_status(config, lambda status: True)
            over()
            first = daemon.wait_events(1, event="transmission")[0]
            assert first["antenna"] is None
            for name in ("beam", "vertical"):
                mismatchd("journal", "add", name, "--kind", "antenna", "-c", config)
                # It counts for transmissions that begin after the daemon has heard of it.
                heard = partial(named_events, daemon, name)
                assert wait_until(heard, 30.0, work=over)
        finally:
            daemon.kill()


# ---- store and forwarding


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


def test_points_have_the_antenna_as_a_tag(store: StoreWriter) -> None:
    store.write([transmission(T0, antenna="long wire"), second(T0, T0)])
    lines = [
        point(table, record, "here", store.station_id)
        for table in FORWARDED
        for record in store.records(table, *ALWAYS)
    ]
    assert len(lines) == 2
    assert all(r"channel=20,antenna=long\ wire " in line for line in lines)


def test_another_antenna_withdraws_the_points_of_the_first(store: StoreWriter) -> None:
    store.database.execute(
        "INSERT INTO forwarded (forwarder, followed, live, gap_after, gap_upto, rewrites)"
        " VALUES ('x', 'transmissions', 9, 9, 9, 0)"
    )
    store.write([transmission(T0, antenna="beam"), second(T0, T0)])
    store.write([transmission(T0, antenna="wire"), second(T0, T0)])
    withdrawn = store.database.query("SELECT followed, time_ns FROM retractions ORDER BY followed")
    assert withdrawn == [("seconds", T0), ("transmissions", T0)]


def test_days_of_somebody_who_tunes_around(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    path = tmp_path / "station.sqlite"
    with closing(StoreWriter.open(path)) as store:
        for day in range(20):
            store.write(
                [
                    transmission(
                        T0 + (DAY_S * day + 60 * k) * SECOND,
                        channel=None,
                        frequency_khz=float(rng.uniform(14_000, 14_350)),
                        antenna="wire",
                    )
                    for k in range(12)
                ]
            )
    with closing(DailyValues.editor(path)) as values:
        series = values.days(*ALWAYS)
    assert len(series) == 7  # segments of 50 kHz, not 240 frequencies
    assert all(len(days.day) > 10 for days in series)
    assert {days.antenna for days in series} == {"wire"}
    assert sum(int(days.transmissions.sum()) for days in series) == 240


# ---- diagnosis


def test_a_fault_of_one_antenna_is_no_foreign_signal(store: StoreWriter) -> None:
    """Three channels of one antenna change, those of the other do not."""
    rng = np.random.default_rng(7)
    for day in range(20):
        for k, channel in enumerate((1, 20, 40) * 2):
            antenna = "beam" if k < 3 else "vertical"
            level = 0.1 + 0.08 * (antenna == "beam" and day >= 12)
            row = sent(
                DAY_S * day + 600 * k, level * (1 + 0.01 * rng.normal()), antenna=antenna,
                channel=channel, settled_samples=500,
            )  # fmt: skip
            store.write([row])
    alarm_ns = T0 + (DAY_S * 13) * SECOND
    evidence = gather(read(store, alarm_ns), alarm_ns)
    moved = {item.name for item in evidence.channels if abs(item.change.z) > 4}
    assert moved == {f"channel {n} (beam)" for n in (1, 20, 40)}
    odds = diagnose(evidence).odds
    assert odds["antenna-moved"] > 0.5
    assert odds["one-channel"] < 0.1
