"""Detector law, coupler and calibration file, against computed vectors and the simulated truth."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import msgspec
import numpy as np
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from logger.blocks import Noise
from logger.calibration import file
from logger.calibration.coupler import Coupler
from logger.calibration.detector import LEAST_READINGS, DetectorLaw, ln_i0, squared_argument
from logger.calibration.simulated import calibration
from logger.errors import CalibrationError
from logger.rows import Flag

REFERENCES = Path(__file__).parent / "references"
STATEMENTS = yaml.safe_load((REFERENCES / "detector_statements.yaml").read_text(encoding="utf-8"))
VT_V = STATEMENTS["thermal_voltage_25c_v"]
OPEN = 1e9  # volts of R Is that stand for no load at all
OPTIONS = SimulatedOptions()
CONTENT = calibration(OPTIONS.coupler, OPTIONS.adc)
COUPLER = Coupler(CONTENT)


def vectors() -> dict[str, list[dict[str, str]]]:
    lines = (REFERENCES / "diode_detector_vectors.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return {case: list(group) for case, group in itertools.groupby(rows, lambda row: row["case"])}


def law_of(row: dict[str, str], top_v: float = 12.0) -> DetectorLaw:
    """A detector straight on a 50 ohm line: coupling 0 dB, so that P = Vp^2 / 100 ohm."""
    r_is_v = float(row["rl_ohm"]) * float(row["is_a"]) if row["is_a"] else OPEN
    return DetectorLaw(0.0, float(row["n"]) * VT_V, r_is_v, top_v=top_v)


@pytest.mark.parametrize("case", vectors())
def test_detector_law_both_ways(case: str) -> None:
    # Computed vectors of the law given by Knight, part 1 (see the file).
    table = vectors()[case]
    law = law_of(table[0])
    peak_v = np.array([float(row["vp_v"]) for row in table])
    volts = np.array([float(row["vdc_v"]) for row in table])
    watts = peak_v**2 / 100
    # ln(1 + x) loses figures where volts are tiny, not where a converter can see them.
    assert law.exact_watts(volts) == pytest.approx(watts, rel=2e-7)
    seen = volts > 2e-5
    assert law.watts(volts)[seen] == pytest.approx(watts[seen], rel=1e-4)
    assert law.volts(watts)[seen] == pytest.approx(volts[seen], rel=2e-3)


def test_series_of_the_bessel_function() -> None:
    table = STATEMENTS["series_check"]
    x = np.array([row["x"] for row in table])
    want = np.array([row["ln_i0"] for row in table])
    assert ln_i0(x) == pytest.approx(want, rel=1e-9)
    assert np.sqrt(squared_argument(want)) == pytest.approx(x, rel=1e-8)
    at = np.array([499.999999, 500.000001])  # where the asymptotic form takes over
    assert np.diff(ln_i0(at))[0] == pytest.approx(2e-6, rel=0.05)


@pytest.mark.parametrize("row", STATEMENTS["circuit_simulation"], ids=str)
def test_detector_law_against_a_circuit_simulation(row: dict[str, float]) -> None:
    law = DetectorLaw(0.0, 1.08 * VT_V, row["rl_ohm"] * 22e-9)
    got = law.exact_watts(np.array([row["vdc_v"]]))
    assert got == pytest.approx(row["vp_v"] ** 2 / 100, rel=1e-4)


def test_square_law_up_to_minus_20_dbm() -> None:
    # Hewlett-Packard application note 986: square law below -20 dBm.
    law = DetectorLaw(0.0, 1.08 * VT_V, 1e6 * 22e-9)
    watts = np.array([1e-8, 1e-7, 1e-6, 1e-5])
    per_watt = law.volts(watts) / watts
    assert per_watt == pytest.approx(per_watt[0], rel=0.03)
    # The deviation at -20 dBm agrees with the vectors: 0.13 dB in power.
    assert 10 * np.log10(per_watt[-1] / per_watt[0]) == pytest.approx(-0.1251, abs=0.01)


PORTS = [CONTENT.forward, CONTENT.reflected, file.Port(coupling_db=30, n_vt_v=0.05, r_is_v=0.2)]


@pytest.mark.parametrize("port", PORTS, ids=lambda port: f"{port.n_vt_v}V")
def test_table_agrees_with_the_law_over_the_whole_range(port: file.Port) -> None:
    law = DetectorLaw(port.coupling_db, port.n_vt_v, port.r_is_v, port.zero_v, top_v=3.5)
    volts = port.zero_v + np.concatenate(
        [np.geomspace(1e-5, 3.5, 4001), np.linspace(0, 3.5, 4001)[1:]]
    )
    exact = law.exact_watts(volts)
    assert np.max(np.abs(law.watts(volts) / exact - 1)) < 1e-4
    # Through the table both ways a reading comes back, to a hundredth of a step of 12 bits.
    assert law.volts(law.watts(volts)) == pytest.approx(volts, abs=8e-6)


@pytest.mark.parametrize("port", PORTS, ids=lambda port: f"{port.n_vt_v}V")
def test_slope_is_the_derivative(port: file.Port) -> None:
    law = DetectorLaw(port.coupling_db, port.n_vt_v, port.r_is_v, port.zero_v, top_v=3.5)
    volts = port.zero_v + np.geomspace(1e-3, 3.3, 301)
    step = 1e-4 * (volts - port.zero_v)
    exact = (law.exact_watts(volts + step) - law.exact_watts(volts - step)) / (2 * step)
    assert law.slope(volts) == pytest.approx(exact, rel=0.01)


def test_readings_below_zero_are_negative_by_the_square_law() -> None:
    law = Coupler(CONTENT).forward
    off = np.array([1e-3, 4e-4, 1e-5])
    below = law.watts(law.zero_v - off)
    slope = float(law.slope(law.zero_v))
    assert below == pytest.approx(-slope * off, rel=1e-12)
    # Noise about zero averages to zero, to within the bend of the law.
    noise = np.random.default_rng(1).normal(0.0, 5e-4, 20_000)
    noise = np.concatenate([noise, -noise])
    assert abs(law.watts(law.zero_v + noise).mean()) < 0.05 * slope * 5e-4


@pytest.mark.parametrize("step_v", [3.3 / 4096, 5.0 / 1024, 1e-4, 1e-9])
def test_watts_are_the_same_to_the_bit_if_the_step_is_known(step_v: float) -> None:
    law = DetectorLaw(20.0, 0.04, 0.02, 0.01, top_v=3.3)
    codes = np.random.default_rng(4).integers(0, 3.3 / step_v, 2 * LEAST_READINGS)
    for volts in (
        codes * step_v,
        codes * step_v + step_v / 3,  # not on the grid after all
        np.append(codes * step_v, -step_v),
        np.append(codes, codes.max() + 3 / step_v) * step_v,  # above the table
    ):
        few = slice(LEAST_READINGS // 2)
        assert np.array_equal(law.watts(volts, step_v), law.watts(volts))
        assert np.array_equal(law.watts(volts[few], step_v), law.watts(volts[few]))
        nearly = np.nextafter(volts, 9.0)
        assert np.array_equal(law.watts(nearly[few], step_v), law.watts(nearly, step_v)[few])


def test_above_the_table_watts_go_on_rising() -> None:
    law = Coupler(CONTENT).forward
    watts = law.watts(np.array([3.3, 3.4, 3.6, 5.0]))
    assert np.all(np.diff(watts) > 0)


# --- the file ---

FULL = msgspec.structs.replace(
    CONTENT,
    covariance=file.Covariance(
        parameters=["forward.coupling_db", "reflected.coupling_db"],
        matrix=[[1e-4, 2e-5], [2e-5, 1e-4]],
    ),
)


@pytest.mark.parametrize("content", [CONTENT, FULL], ids=["plain", "with-covariance"])
def test_round_trip(content: file.CalibrationFile, tmp_path: Path) -> None:
    path = tmp_path / "coupler.yaml"
    path.write_text(file.dump(content), encoding="utf-8")
    again = file.load(path)
    assert again == content
    assert file.identify(again) == file.identify(content)


def test_the_id_does_not_depend_on_layout_but_on_content() -> None:
    plain = msgspec.to_builtins(FULL)
    texts = [
        file.dump(FULL),
        yaml.safe_dump(plain, sort_keys=True, default_flow_style=False),
        yaml.safe_dump(plain, sort_keys=True, default_flow_style=True, width=20),
        "# bench in the cellar\n" + msgspec.json.encode(plain).decode(),
        file.dump(FULL).replace("impedance_ohm: 50.0", "impedance_ohm: 50"),
    ]
    ids = {file.identify(file.parse(text, "x")) for text in texts}
    assert ids == {Coupler(FULL).id}
    assert len(Coupler(FULL).id) == 12
    moved = msgspec.structs.replace(FULL, impedance_ohm=75.0)
    assert file.identify(moved) not in ids


def test_an_unquoted_date_is_a_date() -> None:
    # YAML reads an unquoted time as a time, the form a person writes.
    text = file.dump(CONTENT).replace("'2026-01-15T18:00:00Z'", "2026-01-15T18:00:00Z")
    assert "date: 2026-01-15T18:00:00Z" in text
    content = file.parse(text, "x")
    assert file.identify(content) == file.identify(CONTENT)


def changed(**keys: object) -> str:
    return yaml.safe_dump({**msgspec.to_builtins(FULL), **keys})


def without(key: str) -> str:
    return yaml.safe_dump({k: v for k, v in msgspec.to_builtins(FULL).items() if k != key})


PORT = msgspec.to_builtins(FULL.forward)
COVARIANCE = msgspec.to_builtins(FULL.covariance)
BAD = {
    "empty": ("", "not a calibration file"),
    "list": ("- 1\n- 2\n", "not a calibration file"),
    "other-file": ("driver: {kind: simulated}\n", "mismatchd_calibration"),
    "not-yaml": ("mismatchd_calibration: 1\nforward: {a: [1, 2\n", "not valid YAML"),
    "tab": ("mismatchd_calibration: 1\n\tdate: x\n", "c.yaml:2: not valid YAML"),
    "later-format": (changed(mismatchd_calibration=2), "format 2"),
    "unknown-key": (changed(couplr="x"), "couplr"),
    "unknown-port-key": (changed(forward={**PORT, "zero": 1}), "forward"),
    "no-forward": (without("forward"), "forward"),
    "no-valid": (without("valid"), "valid"),
    "text-for-number": (changed(forward={**PORT, "n_vt_v": "thin"}), "forward.n_vt_v"),
    "negative": (changed(forward={**PORT, "r_is_v": -1}), "forward.r_is_v"),
    "nan": (changed(forward={**PORT, "coupling_db": float("nan")}), "forward.coupling_db"),
    "infinite": (changed(reflected={**PORT, "n_vt_v": float("inf")}), "reflected.n_vt_v"),
    "no-directivity": (changed(directivity={"reflected_db": 0}), "directivity.reflected_db"),
    "range-upside-down": (
        changed(valid={**msgspec.to_builtins(FULL.valid), "forward_v": [2.0, 0.1]}),
        "valid.forward_v",
    ),
    "matrix-too-small": (
        changed(covariance={**COVARIANCE, "matrix": [[1.0]]}),
        "covariance.matrix",
    ),
    "unknown-parameter": (
        changed(covariance={**COVARIANCE, "parameters": ["forward.coupling_db", "sideways.x"]}),
        "covariance.parameters",
    ),
    "watts": (changed(watts="maybe"), "watts"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_gives_one_clear_line(name: str, tmp_path: Path) -> None:
    text, says = BAD[name]
    path = tmp_path / "c.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CalibrationError) as caught:
        file.load(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert says in message
    assert "\n" not in message


def test_a_missing_or_unreadable_file_gives_one_clear_line(tmp_path: Path) -> None:
    binary = tmp_path / "b.yaml"
    binary.write_bytes(b"\xff\xfe\x00\x80")
    for path in (tmp_path / "none.yaml", tmp_path, binary):
        with pytest.raises(CalibrationError) as caught:
            file.load(path)
        assert str(caught.value).startswith(str(path))
        assert "\n" not in str(caught.value)


# --- the coupler ---


def block(forward_v: list[float], reflected_v: list[float], **keys: object) -> SampleBlock:
    times = np.arange(len(forward_v), dtype=np.int64) * 5_000_000
    return SampleBlock(times, np.array(forward_v), np.array(reflected_v), **keys)


def test_flags() -> None:
    coupler = Coupler(
        msgspec.structs.replace(CONTENT, converter=file.Converter(step_v=0.001, full_scale_v=3.0))
    )
    top_f, top_r = CONTENT.valid.forward_v[1], CONTENT.valid.reflected_v[1]
    assert 1.04 * top_f < 2.9
    _, _, flags = coupler.power(
        block(
            [1.02 * top_f, 1.04 * top_f, 0.5, 3.0, 2.9994, 0.5, 2.998],
            [0.1, 0.1, 1.04 * top_r, 0.1, 0.1, 2.9996, 0.1],
        )
    )
    over, clip = int(Flag.EXTRAPOLATED), int(Flag.CLIPPED)
    assert flags.tolist() == [0, over, over, over | clip, over, over | clip, over]
    # The block's own end of scale goes before the calibration's.
    _, _, flags = coupler.power(block([1.0, 0.99], [0.1, 0.1], full_scale_v=1.0))
    assert flags.tolist() == [clip, 0]
    relative = Coupler(msgspec.structs.replace(CONTENT, watts="relative"))
    assert relative.power(block([0.5], [0.1]))[2].tolist() == [int(Flag.RELATIVE)]


def test_clipping_is_seen_below_the_range_of_bench_points() -> None:
    # A reading at the end of the scale is clipped even if bench points reached it.
    valid = msgspec.structs.replace(CONTENT.valid, forward_v=(0.02, 3.5), reflected_v=(0.02, 3.5))
    coupler = Coupler(msgspec.structs.replace(CONTENT, valid=valid))
    full = CONTENT.converter.full_scale_v
    assert full is not None
    assert coupler.power(block([full, 1.0], [0.1, 0.1]))[2].tolist() == [int(Flag.CLIPPED), 0]


def test_readable_floor_tells_swr_1_from_1_5() -> None:
    coupler = Coupler(CONTENT)
    noise = Noise((6e-4, 6e-4), (0.0, 0.0))
    floor_w = coupler.readable_floor_w(noise)
    rng = np.random.default_rng(5)
    spread_w = coupler.reflected.watts(coupler.reflected.zero_v + rng.normal(0, 6e-4, 50_000))
    # What 1.5 reflects, 4 % of the power, stands 1.96 standard deviations above zero.
    assert 0.04 * floor_w == pytest.approx(1.96 * spread_w.std(), rel=0.03)
    assert coupler.readable_floor_w(Noise((6e-4, 6e-4), (0.0, 6e-4))) == pytest.approx(
        floor_w * 2**0.5, rel=0.02
    )


def test_zero_uncertainty_propagates_as_moving_the_zero_does() -> None:
    coupler = Coupler(CONTENT)
    noise = Noise((0.0, 0.0), (3e-4, 5e-4))
    forward_v, reflected_v = np.array([0.2, 0.9, 1.8]), np.array([0.03, 0.15, 0.7])
    got = np.sqrt(coupler.ratio_variance(forward_v, reflected_v, noise))
    rng = np.random.default_rng(3)
    logs = [
        np.log(coupler.reflected.watts(reflected_v + r))
        - np.log(coupler.forward.watts(forward_v + f))
        for f, r in rng.normal(0, [3e-4, 5e-4], (4000, 2))
    ]
    assert got == pytest.approx(np.std(logs, axis=0), rel=0.06)


def test_covariance_propagates_as_sampling_the_parameters_does() -> None:
    names = ["forward.coupling_db", "forward.n_vt_v", "reflected.coupling_db", "reflected.r_is_v"]
    names += ["reflected.n_vt_v", "forward.zero_v", "reflected.zero_v"]
    spread = np.array([0.05, 3e-4, 0.06, 1e-4, 4e-4, 2e-4, 3e-4])
    mix = np.random.default_rng(11).normal(size=(7, 7))
    correlation = mix @ mix.T
    correlation /= np.sqrt(np.outer(np.diag(correlation), np.diag(correlation)))
    matrix = correlation * np.outer(spread, spread)
    content = msgspec.structs.replace(
        CONTENT, covariance=file.Covariance(parameters=names, matrix=matrix.tolist())
    )
    forward_v, reflected_v = np.array([0.1, 0.5, 1.2, 2.0]), np.array([0.03, 0.06, 0.3, 1.1])
    none = Noise((0.0, 0.0), (0.0, 0.0))
    got = np.sqrt(Coupler(content).ratio_variance(forward_v, reflected_v, none))

    moves = np.random.default_rng(12).multivariate_normal(np.zeros(7), matrix, 3000)
    watts = {}
    for side, volts in (("forward", forward_v), ("reflected", reflected_v)):
        port = msgspec.structs.asdict(getattr(CONTENT, side))
        for name, move in zip(names, moves.T, strict=True):
            if name.startswith(side):
                port[name.partition(".")[2]] = port[name.partition(".")[2]] + move[:, None]
        above_zero = volts - port["zero_v"]
        level = above_zero / port["n_vt_v"] + np.log1p(above_zero / port["r_is_v"])
        scale = port["n_vt_v"] ** 2 * 10 ** (port["coupling_db"] / 10) / 100
        watts[side] = squared_argument(level) * scale
    logs = np.log(watts["reflected"] / watts["forward"])
    assert got == pytest.approx(np.std(logs, axis=0), rel=0.06)


@given(st.floats(0.05, 16.0), st.floats(0.0, 1.0))
def test_watts_and_volts_are_inverse(forward_w: float, part: float) -> None:
    coupler = COUPLER
    want = np.array([forward_w * (0.01 + 0.99 * part)])
    for law in (coupler.forward, coupler.reflected):
        assert law.watts(law.volts(want)) == pytest.approx(want, rel=2e-4)


@pytest.mark.parametrize("power_w", [0.5, 1.0, 4.0, 12.0])
def test_the_simulated_coupler_reads_the_true_watts(power_w: float) -> None:
    options = msgspec.convert(
        {
            "pace": "fast",
            "duration_s": 3,
            "block_s": 3,
            "start_utc": "2026-01-01T00:00:00Z",
            "operator": {"transmissions": [{"at_s": 0.5, "duration_s": 2, "power_w": power_w}]},
            "station": {"antenna": {"f0_mhz": 26.0}},
            # Without directivity the powers of both waves are what the ports read.
            "coupler": {
                side: {**msgspec.to_builtins(getattr(OPTIONS.coupler, side)), "directivity_db": 200}
                for side in ("forward", "reflected")
            },
        },
        SimulatedOptions,
    )
    driver = SimulatedDriver(options)
    driver.open()
    got = driver.read(0.0, 0.0)
    assert got is not None
    forward_w, reflected_w, _ = Coupler(calibration(options.coupler, options.adc)).power(got)
    steady = (got.time_ns - driver.start_ns) / 1e9
    inside = (steady > 0.6) & (steady < 2.4)
    truth = driver.truth()
    rho = float(np.abs(truth.reflection(np.array([1.5]))[0]))
    assert rho > 0.2
    assert forward_w[inside].mean() == pytest.approx(power_w, rel=0.02)
    assert reflected_w[inside].mean() == pytest.approx(power_w * rho**2, rel=0.02)
    assert forward_w[steady < 0.45].mean() == pytest.approx(0.0, abs=1e-3)
