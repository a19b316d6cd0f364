"""`calibrate plan` against values computed by hand from the published formulas."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from scipy.optimize import brentq
from scipy.special import i0

from logger.calibration.plan import IDEALITY, SATURATION_A, THERMAL_V, plan_coupler
from tests.station import mismatchd

VECTORS = Path(__file__).parent / "references" / "diode_detector_vectors.csv"


def detector_v(case: str, load_ohm: float, peak_v: float) -> float:
    """Direct volts of the published diode constants, from the reference table."""
    lines = [line for line in VECTORS.read_text().splitlines() if not line.startswith("#")]
    for row in csv.DictReader(lines):
        values = (float(row["rl_ohm"]), float(row["vp_v"]))
        if row["case"].startswith(case) and values == (load_ohm, peak_v):
            return float(row["vdc_v"])
    raise LookupError(case, load_ohm, peak_v)


@pytest.mark.parametrize(
    ("turns", "power_w", "coupling_db", "port_w", "peak_v", "loss_db"),
    [
        # 20 log10 N; P/N**2; sqrt(2 * 50 * P)/N; -10 log10(1 - 1/N**2), by hand
        (20, 12.0, 26.0206, 0.030, 1.7321, 0.01087),
        (10, 4.0, 20.0000, 0.040, 2.0000, 0.04365),
        (10, 100.0, 20.0000, 1.000, 10.0000, 0.04365),
        (32, 4.0, 30.1030, 0.00390625, 0.625, 0.004243),
    ],
)
def test_the_two_transformers(
    turns: int, power_w: float, coupling_db: float, port_w: float, peak_v: float, loss_db: float
) -> None:
    plan = plan_coupler(turns, power_w, 12, 3.3)
    assert plan.coupling_db == pytest.approx(coupling_db, abs=1e-4)
    assert plan.dissipation_w == pytest.approx(port_w, rel=1e-6)
    assert plan.peak_v == pytest.approx(peak_v, abs=1e-4)
    assert plan.loss_db == pytest.approx(loss_db, rel=1e-3)


def test_the_detector_has_the_tabulated_volts() -> None:
    plan = plan_coupler(10, 4.0, 10, 5.0, load_ohm=47_000)  # 2.000 V peak
    assert plan.detector_v == pytest.approx(1.70955572, rel=1e-4)
    assert plan.detector_v == pytest.approx(detector_v("HSMS2820", 47_000, 2.0), rel=1e-4)
    assert plan.inverse_v == pytest.approx(3.7096, abs=1e-3)
    assert plan.divider == 1
    assert (plan.upper_ohm, plan.lower_ohm) == (0, 47_000)


def test_a_divider_brings_full_reflection_to_80_percent_of_the_range() -> None:
    plan = plan_coupler(10, 100.0, 10, 5.0)
    assert plan.detector_v / plan.divider == pytest.approx(4.0)
    assert plan.upper_ohm + plan.lower_ohm == pytest.approx(47_000)
    assert plan.lower_ohm / (plan.upper_ohm + plan.lower_ohm) == pytest.approx(1 / plan.divider)
    assert plan.points[-1].reading_v == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("turns", "power_w", "bits", "volts"), [(20, 12.0, 12, 3.3), (10, 100.0, 10, 5.0)]
)
def test_the_floor_by_the_diode_law(turns: int, power_w: float, bits: int, volts: float) -> None:
    """1.96 standard deviations of one step, solved for the peak volts by a root finder."""
    plan = plan_coupler(turns, power_w, bits, volts)
    direct_v = 1.96 * volts / 2**bits * plan.divider
    n_vt_v, r_is_v = IDEALITY * THERMAL_V, 47_000 * SATURATION_A
    right = (1 + direct_v / r_is_v) * math.exp(direct_v / n_vt_v)
    peak_v = brentq(lambda volts: i0(volts / n_vt_v) - right, 0, 3)
    reflected_w = (peak_v * turns) ** 2 / (2 * 50)
    assert plan.floor_w == pytest.approx(reflected_w / 0.2**2, rel=2e-3)


def test_bench_points_end_at_the_highest_power_and_open_at_a_watt() -> None:
    points = plan_coupler(20, 12.0, 12, 3.3).points
    assert points[-1].power_w == 12
    assert points[-1].conditions == ("matched", "reversed")
    assert points[0].conditions == ("matched", "reversed", "open", "short")
    assert all(("open" in point.conditions) == (point.power_w <= 1) for point in points)


def test_the_command() -> None:
    shown = mismatchd("calibrate", "plan", "--turns", "20", "--power", "12").stdout
    for text in ("26.0 dB", "30 mW", "1.73 V peak", "not needed", "matched, reversed, open"):
        assert text in shown
    done = mismatchd(
        *("calibrate", "plan", "--turns", "9", "--power", "4", "--converter", "12"), check=False
    )
    assert done.returncode == 2
    assert "write 12bit/3.3V" in done.stderr
