"""Expected values of a coupler of two transformers, before it is built. Pure functions.

A wire of the line through a core is the primary of a current transformer of N turns; a second
transformer of N turns takes the voltage to ground. Current and voltage add up at one port and
cancel at the other, so that a wave of P watts gives P/N**2 at its port (Sontheimer and Frederick,
"Broadband directional coupler", US patent 3,426,298, 1969; from memory). Each port ends in a
resistor of the line's impedance with a diode detector, whose law is that of
`logger.calibration.detector`. Input: turns, power and converter. Output: a Plan.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Noise
from logger.calibration.bench_session import USUAL_CONDITIONS, propose_powers_w, steps
from logger.calibration.coupler import Coupler
from logger.calibration.detector import DetectorLaw
from logger.calibration.file import CalibrationFile, Converter, Port, Valid
from logger.calibration.model import IMPEDANCE_OHM

# A small-signal Schottky diode at 25 °C, of the kind sold for detectors (data sheet values, read
# second-hand, see tests/references/diode_detector_vectors.csv).
SATURATION_A = 22e-9
IDEALITY = 1.08
THERMAL_V = 0.025692579
LOAD_OHM = 47_000.0  # of the detector; with a divider, both of its resistors together
HEADROOM = 0.8  # share of the converter's range used at the highest power
NOISE_STEPS = 1.0  # assumed noise of a reading, rms, in steps of the converter


class PlannedPoint(NamedTuple):
    """One power to take at the bench, and the expected reading of the port with the full wave."""

    power_w: float
    reading_v: float
    conditions: tuple[str, ...]


class Plan(NamedTuple):
    """Expected values of a coupler.

    loss_db        what the coupler takes from the line
    dissipation_w  of the termination of the port that receives the highest power
    peak_v         RF peak at that termination
    inverse_v      peak inverse voltage of the diode
    detector_v     direct volts of the detector
    divider        detector volts over the volts at the converter; 1 for no divider
    upper_ohm      resistor from the detector to the converter's input, 0 for no divider
    lower_ohm      resistor from there to ground
    step_v         step of the converter
    floor_w        lowest power at which the SWR of one pair can be stated
    """

    coupling_db: float
    loss_db: float
    dissipation_w: float
    peak_v: float
    inverse_v: float
    detector_v: float
    divider: float
    upper_ohm: float
    lower_ohm: float
    step_v: float
    floor_w: float
    points: Sequence[PlannedPoint]


def plan_coupler(
    turns: int,
    highest_w: float,
    bits: int,
    full_scale_v: float,
    load_ohm: float = LOAD_OHM,
    noise_steps: float = NOISE_STEPS,
) -> Plan:
    """Return the expected values of a coupler with `turns` on each core, at least 2.

    highest_w     highest power on the line, peaks of the envelope included
    full_scale_v  input volts at which the converter of `bits` ends
    """
    coupling_db = 20 * math.log10(turns)
    port_w = highest_w / turns**2
    peak_v = math.sqrt(2 * IMPEDANCE_OHM * port_w)
    n_vt_v, r_is_v = IDEALITY * THERMAL_V, load_ohm * SATURATION_A
    law = DetectorLaw(coupling_db, n_vt_v, r_is_v, top_v=peak_v)
    detector_v = float(law.volts(highest_w))
    divider = max(1.0, detector_v / (HEADROOM * full_scale_v))
    step_v = full_scale_v / 2**bits
    # Behind a divider the same law holds with all of its voltages divided.
    port = Port(
        coupling_db=coupling_db + 20 * math.log10(divider),
        n_vt_v=n_vt_v / divider,
        r_is_v=r_is_v / divider,
    )
    noise_v = noise_steps * step_v
    return Plan(
        coupling_db=coupling_db,
        loss_db=-10 * math.log10(1 - 1 / turns**2),
        dissipation_w=port_w,
        peak_v=peak_v,
        inverse_v=peak_v + detector_v,
        detector_v=detector_v,
        divider=divider,
        upper_ohm=load_ohm * (1 - 1 / divider),
        lower_ohm=load_ohm / divider,
        step_v=step_v,
        floor_w=_coupler(port, step_v, full_scale_v).readable_floor_w(
            Noise((noise_v, noise_v), (0.0, 0.0))
        ),
        points=_points(law, divider, highest_w),
    )


def _coupler(port: Port, step_v: float, full_scale_v: float) -> Coupler:
    """Return a coupler of two such ports, without error."""
    whole = (0.0, full_scale_v)
    return Coupler(
        CalibrationFile(
            mismatchd_calibration=1,
            date="",
            forward=port,
            reflected=port,
            converter=Converter(step_v=step_v, full_scale_v=full_scale_v),
            valid=Valid(forward_v=whole, reflected_v=whole, forward_w=whole, reflected_w=whole),
        )
    )


def _points(law: DetectorLaw, divider: float, highest_w: float) -> list[PlannedPoint]:
    """Return the powers that `calibrate bench` proposes, with the expected readings."""
    powers_w = propose_powers_w(highest_w)
    readings_v = law.volts(np.array(powers_w)) / divider
    planned = steps(USUAL_CONDITIONS, powers_w)
    return [
        PlannedPoint(
            power_w,
            reading_v,
            tuple(step.condition for step in planned if step.power_w == power_w),
        )
        for power_w, reading_v in zip(powers_w, readings_v.tolist(), strict=True)
    ]
