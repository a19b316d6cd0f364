"""The foreign stations obey the physics they state, so that they can test the product."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.foreign_stations import (
    FAULTS,
    SOUND,
    Condition,
    Converter,
    Coupler,
    Detector,
    Intruder,
    Load,
    Open,
    Over,
    Station,
    bench_points,
    blocks,
    draw_station,
    history,
    render,
)
from tests.foreign_stations.detector import follow

CLEAN = Converter(bits=16, noise_lsb=0.2)
FAST = Detector(attack_s=1e-4, decay_s=1e-3, highest_v=20.0)
STATION = Station(
    converter=CLEAN,
    forward=FAST,
    reflected=FAST,
    load=Load(wind=0.0),
    coupler=Coupler(1.5, 1.5),
)


@pytest.mark.parametrize("mode", ["fm", "cw", "am", "ssb", "two-tone"])
def test_energy_is_the_integral_of_the_forward_power(mode: str) -> None:
    station = replace(STATION, rate_hz=3000.0)
    record = render(station, [Over(1.0, 3.0, mode), Over(14.0, 2.5, mode)])
    seconds = (record.time_ns - record.start_ns) / 1e9
    for over, energy in zip(record.truth.overs, record.truth.energy_j, strict=True):
        inside = (seconds > over.start_s - 0.1) & (seconds < over.end_s + 0.1)
        assert record.truth.forward_w[inside].sum() / 3000.0 == pytest.approx(energy, rel=0.01)


def test_carrier_of_4_w_for_3_s_has_about_12_j() -> None:
    record = render(STATION, [Over(1.0, 3.0, droop=0.0)], [], condition=Condition(wind=0.0))
    watts = 4.0 / abs(1 - (0.1 + 0.05j) * 0.1) ** 2
    assert record.truth.energy_j[0] == pytest.approx(3.0 * watts, rel=0.005)


def test_converter_clips_at_zero_and_at_full_scale() -> None:
    rng = np.random.default_rng(1)
    converter = Converter(bits=10, reference_v=5.0, offset_lsb=(-2.0, 3.0), noise_lsb=0.5)
    seconds = np.arange(2000) / 1000.0
    low = converter.count(np.zeros(2000), seconds, 0, rng)
    assert low.min() == 0.0
    assert (low == 0).mean() > 0.95
    assert converter.count(np.zeros(2000), seconds, 1, rng).mean() == pytest.approx(3.0, abs=0.1)
    assert converter.count(np.full(2000, 5.5), seconds, 0, rng).min() == 1023.0


def test_printed_volts_hide_the_step() -> None:
    converter = Converter(bits=12, reference_v=5.0, decimals=4, reports_step=False)
    rng = np.random.default_rng(1)
    volts = converter.read(np.linspace(0, 1, 5000), np.zeros(5000), 0, rng)
    assert np.allclose(volts * 1e4, np.rint(volts * 1e4))
    assert np.median(np.diff(np.unique(volts))) == pytest.approx(1.2e-3, abs=1e-4)
    assert converter.step_v == (0.0, 0.0)


def test_detector_has_its_time_constants() -> None:
    fs, attack, decay = 20_000.0, 2e-3, 50e-3
    drive = np.concatenate([np.ones(10_000), np.zeros(30_000)])
    volts = follow(drive[None, :], fs, np.array([attack]), np.array([decay]))[0]
    assert volts[int(attack * fs) - 1] == pytest.approx(1 - np.exp(-1), abs=0.02)
    assert volts[10_000 + int(decay * fs) - 1] == pytest.approx(np.exp(-1), abs=0.01)


def test_detector_does_not_show_how_the_series_is_cut() -> None:
    rng = np.random.default_rng(3)
    drive = np.abs(np.cumsum(rng.standard_normal(20_000))) * 0.01
    rise, keep = -np.expm1(-1 / (1000 * 1e-3)), np.exp(-1 / (1000 * 0.05))
    volts, expected = 0.0, []
    for level in drive:
        volts = max(volts * keep, level) if volts >= level else volts + rise * (level - volts)
        expected.append(volts)
    result = follow(drive[None, :], 1000.0, np.array([1e-3]), np.array([0.05]))[0]
    assert np.max(np.abs(result - expected)) < 1e-5


def test_pin_filter_and_tail_have_their_time_constants() -> None:
    detector = Detector(filter_s=2e-3, tail=0.1, tail_s=0.5)
    volts = detector.delay(np.ones(40_000, dtype=np.float32), 10_000.0)
    assert volts[20] == pytest.approx(0.9 * (1 - np.exp(-1)), abs=0.02)
    assert volts[5_000] == pytest.approx(0.9 + 0.1 * (1 - np.exp(-1)), abs=0.002)


def test_diode_curve_is_square_law_below_and_straight_above() -> None:
    curve = Detector("schottky", highest_v=8.0)
    small = curve.steady(np.array([0.01, 0.02]))
    assert small[1] / small[0] == pytest.approx(4.0, rel=0.2)
    large = curve.steady(np.array([3.0, 4.0, 5.0]))
    assert np.diff(large) == pytest.approx(0.9, abs=0.12)
    assert np.all(large < [3, 4, 5])


def test_openings_are_where_they_are_stated() -> None:
    opens = [Open(2.0, 0.05), Open(3.0, 0.2, ohm=200.0)]
    record = render(STATION, [Over(1.0, 4.0)], opens)
    seconds = (record.time_ns - record.start_ns) / 1e9
    assert record.truth.opens == tuple(opens)
    assert record.truth.open_change[0] > 0.8
    assert 0.4 < record.truth.open_change[1] < 0.8
    ratio = record.reflected_v / np.maximum(record.forward_v, 0.01)
    far = (seconds > 1.2) & (seconds < 4.9) & (ratio > 0.4)
    near = ((seconds > 1.999) & (seconds < 2.06)) | ((seconds > 2.999) & (seconds < 3.21))
    assert far.any()
    assert not (far & ~near).any()
    assert far[(seconds > 2.005) & (seconds < 2.048)].all()


def test_foreign_signal_comes_to_the_reflected_port() -> None:
    record = render(STATION, [], [], [Intruder(1.0, 5.0, 0.3)])
    seconds = (record.time_ns - record.start_ns) / 1e9
    inside = (seconds > 2) & (seconds < 5)
    assert record.reflected_v[inside].mean() > 2 * record.forward_v[inside].mean() > 0
    assert not record.truth.keyed.any()
    assert record.truth.forward_w.max() == 0.0


def test_foreign_signal_beats_with_our_own() -> None:
    station = replace(STATION, rate_hz=5000.0)
    over = [Over(1.0, 3.0)]
    with_beat = render(station, over, [], [Intruder(2.0, 1.0, 0.1, offset_hz=40.0)])
    seconds = (with_beat.time_ns - with_beat.start_ns) / 1e9
    beat = with_beat.reflected_v[(seconds > 2.2) & (seconds < 2.8)]
    spectrum = np.abs(np.fft.rfft(beat - beat.mean()))
    assert np.argmax(spectrum) * 5000.0 / len(beat) == pytest.approx(40.0, abs=2.0)


def test_directivity_leaks_into_the_bench_points() -> None:
    station = replace(STATION, coupler=Coupler(1.5, 1.5, 0.0, 0.1))
    points = {(c, round(w, 1)): (f, r) for c, w, f, r in bench_points(station, meter_error=0.0)}
    forward, reflected = points["matched", 4.0]
    assert 0.05 < reflected / forward < 0.13
    assert points["open", 1.0][1] == pytest.approx(points["open", 1.0][0], rel=0.15)


def test_blocks_give_the_record() -> None:
    record = render(STATION, [Over(1.0, 1.0)])
    joined = list(blocks(STATION, record, 777))
    assert np.array_equal(np.concatenate([b.forward_v for b in joined]), record.forward_v)
    assert np.all(np.diff(record.time_ns) > 0)
    assert joined[0].full_scale_v == 5.0


def test_records_are_the_same_by_seed() -> None:
    days = [history("loose-plug", 4, 0, 2, 0.2).day(1) for _ in range(2)]
    assert np.array_equal(days[0].reflected_v, days[1].reflected_v)


@pytest.mark.parametrize("cause", [*FAULTS, *SOUND])
def test_history_has_its_cause(cause: str) -> None:
    station = draw_station(11, rate_hz=100.0, modes=("fm",))
    run = history(cause, 11, 1, 14, 0.3, station=station, idle_s=600.0)
    record, before = run.day(12), run.day(0)
    assert np.all(np.diff(record.time_ns) > 0)
    assert (run.onset_ns is None) == (cause in SOUND)
    assert not before.truth.opens
    keyed = record.truth.keyed
    assert keyed.any()
    assert np.isfinite(record.forward_v).all()
    assert 0 <= record.truth.reflection.min() <= record.truth.reflection.max() < 1.0001
