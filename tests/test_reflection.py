"""Reflection, SWR, losses and their intervals against published tables and exact computation."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from logger.physics import reflection

REFERENCES = Path(__file__).parent / "references"
ROUNDING = 1.0001  # half a unit of the last printed place, and a little for the arithmetic


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def good(name: str) -> list[dict[str, str]]:
    return [row for row in rows(name) if row["published_ok"] == "1"]


def agrees(value: float, printed: str) -> bool:
    """Whether `value` is what was printed, to half a unit of its last place."""
    if printed == "inf":
        return value == np.inf
    places = len(printed.partition(".")[2])
    return abs(value - float(printed)) <= 0.5 * 10**-places * ROUNDING


@pytest.mark.parametrize("row", good("swr_conversion.csv"), ids=lambda row: row["vswr"])
def test_conversions_agree_with_the_printed_table(row: dict[str, str]) -> None:
    # M/A-COM application data p. 10-4 and Elsema (see the file).
    rho = reflection.rho_of_swr(float(row["vswr"]))
    assert agrees(reflection.return_loss_db(rho), row["return_loss_db"])
    assert agrees(100 * rho**2, row["power_refl_pct"])
    assert agrees(100 * (1 - rho**2), row["power_trans_pct"])
    if row["transmission_loss_db"]:
        assert agrees(-10 * np.log10(1 - rho**2), row["transmission_loss_db"])
    if row["refl_coeff"]:
        assert agrees(rho, row["refl_coeff"])
    assert reflection.swr(rho) == pytest.approx(float(row["vswr"]), rel=1e-12)
    assert rho == pytest.approx(float(row["exact_rho"]), abs=5e-9)


def test_the_known_misprint_is_not_reproduced() -> None:
    (row,) = [row for row in rows("swr_conversion.csv") if row["published_ok"] == "0"]
    assert not agrees(100 * reflection.rho_of_swr(float(row["vswr"])) ** 2, row["power_refl_pct"])


@pytest.mark.parametrize(
    "row", good("return_loss_to_swr.csv"), ids=lambda row: row["return_loss_db"]
)
def test_return_loss_to_swr(row: dict[str, str]) -> None:
    # The table of radio-electronics.com (see the file).
    rho = reflection.rho_of_return_loss(float(row["return_loss_db"]))
    assert agrees(rho, row["rho"])
    assert agrees(reflection.swr(rho), row["vswr"])


@pytest.mark.parametrize("row", rows("swr_power_table.csv"), ids=lambda row: row["vswr"])
def test_power_table(row: dict[str, str]) -> None:
    rho = reflection.rho_of_swr(float(row["vswr"]))
    cells = {
        "rho": rho,
        "refl_pct": 100 * rho**2,
        "return_loss_db": reflection.return_loss_db(rho),
        "trans_pct": 100 * (1 - rho**2),
        "mismatch_loss_db": -10 * np.log10(1 - rho**2),
    }
    for cell, flag in zip(cells, ("rho_ok", "refl_ok", "rl_ok", "trans_ok", "ml_ok"), strict=True):
        if row[flag] == "1":
            assert agrees(cells[cell], row[cell]), cell


def exact_estimate(measured: float, leak: float) -> reflection.SwrEstimate:
    """The estimate of a reading without noise."""
    return reflection.estimate(
        np.array([1.0]),
        np.array([measured**2]),
        np.zeros(1),
        np.zeros(1),
        leak,
        0.0,
        np.array([True]),
    )


@pytest.mark.parametrize(
    "row",
    rows("directivity_error.csv"),
    ids=lambda row: f"{row['directivity_db']}dB-{row['true_swr']}",
)
def test_directivity(row: dict[str, str]) -> None:
    # Formula A of Agilent AN 1287-3, computed grid.
    leak = float(reflection.rho_of_return_loss(float(row["directivity_db"])))
    true = float(row["true_swr"])
    rho = float(reflection.rho_of_swr(true))
    assert reflection.swr(abs(rho - leak)) == pytest.approx(float(row["A_swr_min"]), abs=6e-5)
    assert reflection.swr(rho + leak) == pytest.approx(float(row["A_swr_max"]), abs=6e-5)
    for phase in np.linspace(0, 2 * np.pi, 73):
        got = exact_estimate(abs(rho + leak * np.exp(1j * phase)), leak)
        assert got.low[0] <= true * (1 + 1e-9)
        assert got.high[0] >= true * (1 - 1e-9)


@given(
    rho=st.floats(0.0, 0.9),
    leak_db=st.floats(20.0, 45.0),
    forward_db=st.floats(20.0, 45.0),
    phases=st.tuples(st.floats(0, 2 * np.pi), st.floats(0, 2 * np.pi)),
)
def test_the_interval_contains_the_truth_when_both_ports_leak(
    rho: float, leak_db: float, forward_db: float, phases: tuple[float, float]
) -> None:
    leak, forward_leak = 10 ** (-leak_db / 20), 10 ** (-forward_db / 20)
    reflected = abs(rho + leak * np.exp(1j * phases[0]))
    forward = abs(1 + forward_leak * rho * np.exp(1j * phases[1]))
    got = reflection.estimate(
        np.array([forward**2]),
        np.array([reflected**2]),
        np.zeros(1),
        np.zeros(1),
        leak,
        forward_leak,
        np.array([True]),
    )
    # The product of the two leaks, which the first-order form leaves out, is allowed for.
    slack = leak * forward_leak + forward_leak**2
    assert reflection.rho_of_swr(got.low[0]) <= rho + slack
    assert reflection.rho_of_swr(got.high[0]) >= rho - slack


def test_directivity_worked_examples() -> None:
    examples = {
        (row["quantity"], row["inputs"]): row for row in rows("directivity_worked_examples.csv")
    }

    def matches(quantity: str, inputs: str, value: float) -> None:
        row = examples.pop((quantity, inputs))
        assert value == pytest.approx(float(row["published"]), abs=float(row["tol"]) + 1e-9)

    # Rohde & Schwarz, network analysis primer; the printed answers are from memory.
    load, leak = (float(reflection.rho_of_return_loss(level)) for level in (30, 40))
    matches("rl_meas_min_db", "rl_true=30;D=40", float(reflection.return_loss_db(load + leak)))
    matches("rl_meas_max_db", "rl_true=30;D=40", float(reflection.return_loss_db(load - leak)))
    # Signal Processing Group: coupling and directivity add up at the reverse port.
    leak = float(reflection.rho_of_return_loss(12))
    matches("p_rev_port_dbm", "pin_dbm=0;C=20;D=12", -20 - float(reflection.return_loss_db(leak)))
    # AZD Technology, application note, and BRATS, UK Advanced course: voltages of both waves.
    rho = float(reflection.rho(1.0**2, 0.5**2))
    matches("return_loss_db", "vf=1;vr=0.5", float(reflection.return_loss_db(rho)))
    matches("swr", "vf=100;vr=50", float(reflection.swr(reflection.rho(100.0**2, 50.0**2))))
    assert not examples


def test_swr_through_line() -> None:
    table = [row["published"] or row["computed"] for row in rows("swr_through_line.csv")]
    computed = [float(row["computed"]) for row in rows("swr_through_line.csv")]
    through, of_return_loss = reflection.rho_through_line, reflection.rho_of_return_loss
    # BRATS, UK Advanced course: 3 dB at the antenna behind 6 dB reads 15 dB.
    assert reflection.return_loss_db(through(of_return_loss(3.0), 6.0)) == pytest.approx(
        float(table[0])
    )
    # QST April 1960 p. 31: SWR 3 read through 2 dB is rho 0.8 at the antenna (read off a graph).
    at_antenna = through(reflection.rho_of_swr(3.0), -2.0)
    assert at_antenna == pytest.approx(float(table[1]), abs=0.01)
    assert at_antenna == pytest.approx(computed[1], abs=6e-6)
    assert reflection.swr(at_antenna) == pytest.approx(float(table[2]), abs=0.45)
    assert reflection.swr(at_antenna) == pytest.approx(computed[2], abs=6e-6)
    assert reflection.swr(through(1.0, 2.0)) == pytest.approx(computed[3], abs=6e-6)
    # The Worldwide DX forum prints 1.6 for SWR 2 through 3 dB; that is wrong.
    assert reflection.swr(through(reflection.rho_of_swr(2.0), 3.0)) == pytest.approx(
        computed[4], abs=6e-6
    )
    # TowerTalk mailing list, February 2010: 9 dB to a short or open gives 18 dB.
    assert reflection.return_loss_db(through(1.0, 9.0)) == pytest.approx(float(table[5]))


def exact_half_width(gaussian: float, bounded: float) -> float:
    """95 % half-width of a Gaussian plus an arcsine distribution, by integration over the phase."""
    sd = gaussian / reflection.COVERAGE
    phases = (np.arange(4000) + 0.5) * np.pi / 4000
    leak = bounded * np.cos(phases)

    def coverage(width: float) -> float:
        inside = scipy.stats.norm.cdf((width - leak) / sd) - scipy.stats.norm.cdf(
            (-width - leak) / sd
        )
        return float(inside.mean()) - (2 * scipy.stats.norm.cdf(reflection.COVERAGE) - 1)

    return float(scipy.optimize.brentq(coverage, 1e-6, gaussian + bounded))


@pytest.mark.parametrize("share", [0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.98])
def test_blend_is_the_exact_convolution_within_3_percent(share: float) -> None:
    gaussian, bounded = 1 - share, share
    exact = exact_half_width(gaussian, bounded)
    blended = float(reflection.blend(np.array(gaussian), np.array(bounded)))
    assert blended == pytest.approx(exact, rel=0.03)


def test_blend_of_one_alone_is_that_one() -> None:
    assert reflection.blend(np.array(0.3), np.array(0.0)) == pytest.approx(0.3)
    assert reflection.blend(np.array(0.0), np.array(0.3)) == pytest.approx(0.3)


@given(st.floats(1.0, 900.0))
def test_swr_and_rho_are_inverse(swr: float) -> None:
    assert reflection.swr(reflection.rho_of_swr(swr)) == pytest.approx(swr, rel=1e-9)


@given(st.floats(1e-6, 1.0))
def test_return_loss_and_rho_are_inverse(rho: float) -> None:
    back = reflection.rho_of_return_loss(reflection.return_loss_db(rho))
    assert back == pytest.approx(rho, rel=1e-12)


@given(st.floats(1e-3, 100.0), st.floats(0.0, 0.99))
def test_powers_and_rho_are_inverse(forward_w: float, rho: float) -> None:
    reflected_w = rho**2 * forward_w
    assert reflection.rho(forward_w, reflected_w) == pytest.approx(rho, abs=1e-9)


@given(st.floats(0.0, 1.0), st.floats(0.0, 20.0))
def test_a_line_never_raises_reflection_and_can_be_undone(rho: float, loss_db: float) -> None:
    near = reflection.rho_through_line(rho, loss_db)
    assert near <= rho
    assert reflection.rho_through_line(near, -loss_db) == pytest.approx(rho)


def test_ends_of_the_scale() -> None:
    assert reflection.swr(1.0) == pytest.approx(reflection.HIGHEST_SWR)
    assert reflection.swr(np.inf) == pytest.approx(reflection.HIGHEST_SWR)
    assert reflection.swr(-0.1) == 1.0
    assert reflection.rho(1.0, -0.001) == 0.0
    assert reflection.rho(0.0, 1.0) == np.inf
    assert reflection.return_loss_db(0.0) == np.inf


@given(rho=st.floats(0.02, 0.9), relative=st.floats(0.01, 0.4))
def test_the_systematic_variance_widens_the_interval_and_not_that_of_noise(
    rho: float, relative: float
) -> None:
    got = reflection.estimate(
        np.array([2.0]),
        np.array([2 * rho**2]),
        np.zeros(1),
        np.array([relative**2]),
        0.0,
        0.0,
        np.array([True]),
    )
    # An error of ln(reflected/incident) by 1.96 deviations, to first order in the ratio.
    low, high = (rho * np.sqrt(1 + way * 1.96 * relative) for way in (-1, 1))
    assert got.low[0] == pytest.approx(reflection.swr(low))
    assert got.high[0] == pytest.approx(reflection.swr(high))
    assert got.noise_low[0] == got.noise_high[0] == pytest.approx(reflection.swr(rho))


def test_the_leak_of_the_forward_port_counts_with_the_square_of_the_reflection() -> None:
    rho, leak = 0.3, 0.1
    for forward_w in (1.0, 4.0):
        got = reflection.estimate(
            np.array([forward_w]),
            np.array([forward_w * rho**2]),
            np.zeros(1),
            np.zeros(1),
            0.02,
            leak,
            np.array([True]),
        )
        reach = 0.02 + leak * rho**2
        assert got.low[0] == pytest.approx(reflection.swr(rho - reach))
        assert got.high[0] == pytest.approx(reflection.swr(rho + reach))


@pytest.mark.parametrize("reflected_w", [0.0, -1e-4])
def test_what_is_uncertain_in_watts_counts_where_nothing_is_reflected(reflected_w: float) -> None:
    sd_w, forward_w = 1e-3, 2.0
    got = reflection.estimate(
        np.array([forward_w]),
        np.array([reflected_w]),
        np.zeros(1),
        np.array([(sd_w / reflection.LEAST_W) ** 2]),
        0.0,
        0.0,
        np.array([True]),
    )
    high_w = 1.96 * sd_w + reflected_w
    assert got.swr[0] == got.low[0] == 1.0
    assert got.high[0] == pytest.approx(reflection.swr(np.sqrt(high_w / forward_w)))


def test_unreadable_is_not_a_number_and_noise_alone_gives_the_narrower_interval() -> None:
    got = reflection.estimate(
        np.array([0.0, 4.0]),
        np.array([1e-6, 0.25]),
        np.array([1.0, 1e-6]),
        np.array([1.0, 1e-4]),
        0.03,
        0.02,
        np.array([False, True]),
    )
    assert all(np.isnan(values[0]) for values in got[:5])
    assert got.low[1] < got.noise_low[1] < got.swr[1] < got.noise_high[1] < got.high[1]
    assert got.swr[1] == pytest.approx(reflection.swr(0.25))


@given(st.floats(0.0, 0.95), st.integers(0, 2**32 - 1))
def test_the_noise_interval_covers_95_percent(rho: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, sd = 4000, 2e-3
    reflected = rho**2 + rng.normal(0, sd, n)
    got = reflection.estimate(
        np.ones(n), reflected, np.full(n, sd**2), np.zeros(n), 0.0, 0.0, np.ones(n, dtype=bool)
    )
    true = reflection.swr(rho)
    covered = np.mean((got.noise_low <= true + 1e-9) & (true - 1e-9 <= got.noise_high))
    assert covered > 0.93


def test_without_incident_power_reflection_is_beyond_all_bounds() -> None:
    found = reflection.rho([0.0, 0.0, -1e-3, 1.0], [0.0, 1.0, 1.0, -1.0])
    assert found.tolist() == [np.inf, np.inf, np.inf, 0.0]
    assert reflection.swr(found).tolist() == pytest.approx([999.0, 999.0, 999.0, 1.0])
