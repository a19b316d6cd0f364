"""Sanity of the independent stations with planted faults: circuit theory at known places."""

from dataclasses import replace

import numpy as np
import pytest

from tests.foreign_chains import (
    Arrangement,
    ForeignStation,
    PlantedFault,
    random_chain,
)

QUIET = np.random.default_rng


def plant(mode: str, kind: str, ohm: complex, dc_ohm: float, **more: float) -> ForeignStation:
    """Return a simple sound station with this one fault at the first part of a kind."""
    station = next(s for s in map(random_chain, range(500)) if len(s.parts) == 7)
    place = next(i for i, part in enumerate(station.parts) if part.kind == kind)
    return replace(
        station,
        faults=(PlantedFault(place, mode, ohm, dc_ohm, **more),),
        antenna_ohm=75 + 10j,
        other_antenna_ohm=45 + 5j,
        load_ohm=50 + 0j,
        load_is_sound=True,
        slip_rate=0.0,
    )


def share(station: ForeignStation, key: str) -> float:
    return float(np.mean([station.answer(key, QUIET(seed)) for seed in range(60)]))


def test_sound_station_shows_the_antenna_less_line_loss() -> None:
    station = plant("resistive", "plug", 0j, 0.0)
    gamma = (25 + 10j) / (125 + 10j)
    loss = 10 ** (-station.parts[4].loss_db / 10)
    assert (station.usual.true_swr - 1) / (station.usual.true_swr + 1) == pytest.approx(
        abs(gamma) * loss, abs=0.02
    )
    assert station.present == station.usual


def test_dummy_load_before_and_behind_an_open_plug() -> None:
    station = plant("inner open", "plug", -5000j, 1e12)
    assert station.symptom == "high"
    assert station.swr_with(Arrangement(load_at=2)).true_swr < 1.1
    assert station.swr_with(Arrangement(load_at=5)).true_swr > 20
    assert share(station, "load:2") == 0
    assert share(station, "load:5") > 0.7
    assert share(station, "new-plug:3") == 0
    assert share(station, "swap:6") > 0.7
    assert share(station, "ohm-through") == 1
    assert share(station, "ohm-short") == 0
    assert station.explains(3)
    assert not station.explains(6)


def test_short_reads_zero_ohm_as_does_a_closed_antenna() -> None:
    short = plant("short", "line", 0.5 + 0j, 0.5)
    assert share(short, "ohm-short") == 1
    sound = replace(plant("detuned", "antenna", 60j, 0.0), antenna_is_closed=True)
    assert sound.ohms("antenna") < 2
    assert share(sound, "ohm-short") == 0
    assert share(sound, "ohm-closed") == 0


def test_wet_line_loses_power_that_an_open_far_end_shows() -> None:
    station = plant("wet", "line", 42 + 8j, 1e5, where=0.1)
    assert share(station, "open-end") == 1
    assert share(plant("detuned", "antenna", 60j, 0.0), "open-end") < 0.1


def test_coupler_diodes_mislead_the_coupler_alone() -> None:
    dead = plant("reflected diode dead", "coupler", 0.02 + 0j, 0.0)
    assert dead.reads_lower_than_usual
    assert dead.symptom == "none"
    assert dead.present.true_swr == pytest.approx(dead.usual.true_swr)
    weak = plant("forward diode weak", "coupler", 0.4 + 0j, 0.0)
    assert weak.symptom == "high"
    assert weak.present.shown_forward == pytest.approx(0.16, rel=0.05)
    assert share(weak, "swap:2") == 0


def test_fault_in_the_lead_is_seen_by_the_radio_only() -> None:
    station = plant("resistive", "lead", 70 + 0j, 70.0)
    assert station.symptom == "upstream"
    assert station.present.true_swr == pytest.approx(station.usual.true_swr, rel=0.01)
    assert share(station, "swap:1") == 0
    assert share(station, "load:0") == 0
    assert share(station, "load:1") > 0.9
    assert share(station, "ohm-lead:1") == 1


def test_intermittent_fault_shows_in_its_share_of_trials() -> None:
    station = plant("inner open", "antenna", -5000j, 1e12, share=0.4)
    assert 0.2 < share(station, "load:5") + share(station, "new-plug:3") < 0.6


def test_slips_and_a_bad_load_mislead() -> None:
    station = plant("inner open", "antenna", -5000j, 1e12)
    assert share(station, "load:2") == 0
    assert share(replace(station, slip_rate=0.3), "load:2") > 0.1
    assert share(replace(station, load_ohm=120 + 0j), "load:2") == 1


def test_random_stations_are_noticeable_and_repeatable() -> None:
    for seed in range(60):
        station = random_chain(seed)
        assert station.symptom != "none" or station.reads_lower_than_usual
        assert random_chain(seed) == station
    assert len(random_chain(1, two_faults=True).faults) == 2
    assert random_chain(1, mode="wet").faults[0].mode == "wet"
    assert not random_chain(1, bad_load=True).load_is_sound
