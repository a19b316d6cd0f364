"""Cable arithmetic against published examples and scikit-rf, and the command."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import UsageError
from logger.feedline.cables import attenuation, cable, published
from logger.feedline.comparison import Terms, choices
from logger.feedline.loss import (
    highest_swr_at_shack,
    line,
    loss_of_rho,
    rho_at_antenna,
    total_loss_db,
)
from logger.physics.reflection import rho_of_swr
from tests.station import mismatchd

REFERENCES = Path(__file__).parent / "references"
DB_PER_NEPER = 20 / np.log(10)
M_PER_FT = 0.3048


def reference(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(text for text in lines if not text.startswith("#")))


@pytest.mark.parametrize("row", reference("loss_with_swr.csv"), ids=lambda row: row["case"])
def test_published_losses_with_swr(row: dict[str, str]) -> None:
    matched = float(row["matched_loss_db"])
    total = float(total_loss_db(matched, rho_of_swr(float(row["load_swr"]))))
    got = total if row["quantity"] == "total_db" else total - matched
    assert got == pytest.approx(float(row["published"]), abs=float(row["tol"]))
    assert got == pytest.approx(float(row["computed"]), abs=6e-6)


def test_published_reflection_through_a_line() -> None:
    by_quantity = {row["quantity"]: row for row in reference("swr_through_line.csv")}
    seen = line(2.0, 3.0, at_antenna=False)  # letter of 1960: 3 at the transmitter, 2 dB
    for quantity, got in (
        ("rho_ant", rho_of_swr(seen.swr_antenna)),
        ("swr_ant", seen.swr_antenna),
        ("swr_tx_short", highest_swr_at_shack(2.0)),
    ):
        row = by_quantity[quantity]
        assert float(got) == pytest.approx(float(row["computed"]), abs=5e-6), quantity
        if row["published_ok"] == "1":
            assert float(got) == pytest.approx(float(row["published"]), abs=float(row["tol"]))
    # A forum's 1.6 for SWR 2 through 3 dB is wrong.
    assert float(line(3.0, 2.0, at_antenna=True).swr_shack) == pytest.approx(1.40114, abs=5e-6)
    # An open or a short behind 9 dB comes back by 18 dB.
    assert float(loss_of_rho(10 ** (-18 / 20))) == pytest.approx(9)


def through(
    load_ohm: complex, matched_db: float, turns: float, z0_ohm: complex
) -> tuple[float, complex]:
    """By scikit-rf: loss in dB from what goes into a line to what its load takes, and the
    reflection at its near end, both in 50 ohm."""
    frequency = skrf.Frequency.from_f([27.185], unit="MHz")
    gamma = matched_db / DB_PER_NEPER + 2j * np.pi * turns  # of a length of 1
    media = skrf.media.DefinedGammaZ0(frequency, z0=z0_ohm, gamma=gamma, z0_port=50)
    whole = media.line(1, "m")
    (((s11, s12), (s21, s22)),) = whole.s
    load = (load_ohm - 50) / (load_ohm + 50)
    near = s11 + s12 * s21 * load / (1 - s22 * load)
    # With 1 W of incident power: what goes in, and what the load takes of the wave b2 that comes.
    b2 = s21 / (1 - s22 * load)
    taken = abs(b2) ** 2 * (1 - abs(load) ** 2)
    return float(10 * np.log10((1 - abs(near) ** 2) / taken)), complex(near)


@given(
    load_ohm=st.builds(complex, st.floats(5, 500), st.floats(-300, 300)),
    matched_db=st.floats(0.05, 8),
    turns=st.floats(0.01, 4),
)
def test_agrees_with_a_line_of_real_impedance_and_any_load(
    load_ohm: complex, matched_db: float, turns: float
) -> None:
    rho = abs((load_ohm - 50) / (load_ohm + 50))
    loss_db, near = through(load_ohm, matched_db, turns, 50)
    assert float(total_loss_db(matched_db, rho)) == pytest.approx(loss_db, abs=1e-9)
    swr = (1 + rho) / (1 - rho)
    seen = line(matched_db, swr, at_antenna=True)
    assert float(rho_of_swr(seen.swr_shack)) == pytest.approx(abs(near), abs=1e-9)
    back = line(matched_db, float(seen.swr_shack), at_antenna=False)
    assert float(back.total_db) == pytest.approx(loss_db, rel=1e-6)
    assert float(back.swr_antenna) == pytest.approx(swr, rel=1e-6)


def test_a_short_line_may_lose_less_than_the_formula_says() -> None:
    # 15 ft of RG-213, 100 + j100 ohm, 3.8 MHz: published 0.025 dB of loss, 0.055 dB matched. With
    # all of it in the conductors Z0 = 50 (1 - j alpha/beta), and what is lost goes by the current,
    # which is weak all along so short a line with so high a load.
    matched_db, load = 0.055, 100 + 100j
    turns = 15 * M_PER_FT * 3.8e6 / (0.66 * 299_792_458)
    z0 = 50 * (1 - 1j * (matched_db / DB_PER_NEPER) / (2 * np.pi * turns))
    real, _ = through(load, matched_db, turns, z0)
    by_formula = float(total_loss_db(matched_db, abs((load - 50) / (load + 50))))
    assert real == pytest.approx(0.01848, abs=2e-5)
    assert by_formula == pytest.approx(0.12236, abs=1e-5)
    assert real < matched_db < by_formula


def test_a_reading_that_cannot_be_behind_a_line() -> None:
    assert np.isnan(rho_at_antenna(0.9, 1.0))
    (choice,) = choices([attenuation("x=10", 27.2)], [30.0], Terms(27.2, 5.0, False, 4.0))
    assert choice.total_db is None
    assert choice.swr_antenna is None
    assert choice.swr_shack == pytest.approx(5.0)


@pytest.mark.parametrize("name", published())
def test_what_is_printed_lies_within_the_spread(name: str) -> None:
    """The law smooths figures that are printed with two digits: 10 % at most, from 10 MHz up."""
    for source in cable(name).sources:
        for mhz, printed in zip(source.frequency_mhz, source.db_per_100m, strict=True):
            if mhz < 10:
                continue
            found = attenuation(name, mhz)
            assert source.loss(mhz) == pytest.approx(printed, rel=0.1)
            assert 0.9 * found.low <= printed <= 1.1 * found.high
            assert found.low <= found.nominal <= found.high


def test_the_law_is_that_of_the_fitted_constants() -> None:
    for row in reference("coax_k1_k2.csv"):
        if row["fit_range_mhz"] == "1-1000" and row["cable"] in published():
            sheet = next(one for one in cable(row["cable"]).sources if one.name == "data sheet")
            if sheet.frequency_mhz.max() <= 1000:
                expected = float(row["loss_27185_db_100m"])
                assert sheet.loss(27.185) == pytest.approx(expected, rel=2e-4)


def test_unknown_cables_and_frequencies_are_refused() -> None:
    with pytest.raises(UsageError, match="did you mean RG-213"):
        attenuation("RG-231", 27.2)
    with pytest.raises(UsageError, match="only from 15 to 300 MHz"):
        attenuation("RG-8", 3.5)
    for wrong in ("mine=", "mine=-3", "=4", "mine=nan"):
        with pytest.raises(UsageError, match="expected NAME=DB"):
            attenuation(wrong, 27.2)


def test_the_command_side_by_side(tmp_path: Path) -> None:
    chart = tmp_path / "cables.svg"
    terms = ("feedline", "--frequency", "20", "--cable", "rg213", "--cable", "mine=3.28084")
    # ARRL Handbook 1991, fig. 23 p. 16-14 (references/loss_with_swr.csv): 200 ft, 2 dB, SWR 8.
    options = ("--length", "60.96", "--swr", "8", "--power", "100")
    done = mismatchd(*terms, *options, "-o", chart)
    assert "RG-213" in done.stdout
    assert "data sheet" in done.stdout
    mine = next(text for text in done.stdout.splitlines() if text.startswith("mine"))
    assert mine.split()[2:4] == ["2.00", "4.84"]
    assert "<svg" in chart.read_text()
    rows = list(csv.DictReader(io.StringIO(mismatchd(*terms, *options, "--format", "csv").stdout)))
    assert float(rows[1]["total_db"]) == pytest.approx(4.837, abs=6e-4)
    assert float(rows[1]["arrives_w"]) == pytest.approx(100 * 10**-0.4837, rel=1e-3)
    assert float(rows[1]["s_units"]) == pytest.approx(4.837 / 6, abs=1e-3)


def test_the_command_takes_the_line_of_the_configuration(tmp_path: Path) -> None:
    config = tmp_path / "config.yaml"
    config.write_text(
        "station: {frequency_mhz: 27.205}\nfeedline: {length_m: 17}\ndriver: {kind: simulated}\n"
    )
    done = mismatchd("feedline", "-c", config, "--at", "shack", "--swr", "4")
    assert "27.205 MHz, SWR 4 at the shack" in done.stdout
    assert {row.split()[1] for row in done.stdout.splitlines() if row.startswith("RG-")} >= {"17"}
    assert "cannot" not in done.stderr
    config.write_text("driver: {kind: simulated}\n")
    done = mismatchd("feedline", "-c", config, check=False)
    assert done.returncode == 2
    assert "--frequency MHZ" in done.stderr


def test_the_command_takes_the_line_and_band_of_an_antenna(tmp_path: Path) -> None:
    config = tmp_path / "config.yaml"
    config.write_text(
        "station: {frequency_mhz: 27.205}\ndriver: {kind: simulated}\n"
        "feedline: {cable: rg 213, length_m: 17}\nantennas:\n"
        "  - {name: vertical, bands: 11m}\n"
        "  - {name: wire, bands: [40m, 20m], line: {cable: ladder=1.5, length_m: 8}}\n"
    )

    def first(*options: str) -> tuple[str, list[str]]:
        head, *lines = mismatchd("feedline", "-c", config, *options).stdout.splitlines()
        return head, lines[3].split()[:2]

    for options in ((), ("--antenna", "vertical")):
        head, row = first(*options)
        assert head.startswith("27.205 MHz")
        assert row == ["RG-213", "17"]
    head, row = first("--antenna", "wire")
    assert head.startswith("7.15 MHz")
    assert row == ["ladder", "8"]
    head, row = first("--antenna", "wire", "--frequency", "14.2")  # its loss there is not known
    assert head.startswith("14.2 MHz")
    assert row[1] == "8"
    assert row[0] != "ladder"
    missing = mismatchd("feedline", "-c", config, "--antenna", "wires", check=False)
    assert "did you mean 'wire'?" in missing.stderr


@pytest.mark.parametrize(
    "place", ["feedline: {cable: RG-85}", "antennas: [{name: a, line: {cable: x=}}]"]
)
def test_check_refuses_an_unknown_cable(tmp_path: Path, place: str) -> None:
    config = tmp_path / "config.yaml"
    config.write_text(f"driver: {{kind: simulated}}\n{place}\n")
    done = mismatchd("check", "-c", config, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    (said,) = done.stderr.splitlines()
    assert re.search(r"config.yaml: (feedline|antennas\[0\].line).cable: ", said)


def test_cables_without_data_at_the_frequency_are_left_out() -> None:
    said = mismatchd("feedline", "--frequency", "7.1", "--length", "20").stdout
    assert "RG-58" in said
    assert "RG-8 " not in said
    refused = mismatchd("feedline", "--frequency", "0.2", "--length", "20", check=False)
    assert (refused.returncode, refused.stderr.count("\n")) == (2, 1)
    assert "no cable has published data at 0.2 MHz" in refused.stderr
