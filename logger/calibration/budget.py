"""Error budget of a reading, after JCGM 100:2008.

This module is responsible for the components of uncertainty of one SWR, by the same variances as
the interval of every reading. Input: a coupler, an incident power and an SWR. Output: standard
uncertainties of the SWR, the largest first, each with its remedy.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from logger.calibration.coupler import Coupler
from logger.calibration.file import Assumptions
from logger.calibration.quality import bench_noise
from logger.physics.reflection import HIGHEST_SWR, estimate, rho_of_swr

REMEDIES = {
    "noise": "average longer; couple more tightly",
    "quantisation": "a converter of higher resolution",
    "zero": "add unkeyed points; couple more tightly",
    "fit": "add points, best at other powers",
    "detector law": "add points between the present ones",
    "extrapolation": "add points near this power",
    "reference class": "a better reference meter",
    "load": "state or improve the load; a second load",
    "directivity": "balance the coupler on a good load",
    "test-port match": "state it; a better line through the coupler",
    "temperature": "a temperature column, or a steadier shack",
    "harmonics": "state them; a low-pass filter",
}


class Component(NamedTuple):
    """One component: standard uncertainty of SWR (relative, of watts) and share of variance."""

    name: str
    u: float
    share: float

    @property
    def remedy(self) -> str:
        """What makes it smaller."""
        return REMEDIES[self.name]


class Budget(NamedTuple):
    """Budget of one reading.

    low, high  95 % interval of the SWR
    u          combined standard uncertainty
    factor     coverage factor: half the interval over u
    """

    incident_w: float
    swr: float
    low: float
    high: float
    u: float
    factor: float
    components: list[Component]
    is_readable: bool


def make_budget(coupler: Coupler, incident_w: float, swr: float, pairs: int) -> Budget:
    """Return the budget of the mean of `pairs` readings of an SWR above 1."""
    rho = float(rho_of_swr(swr))
    noise = bench_noise(coupler)
    ratio = rho**2
    forward_v = coupler.forward.volts(np.array([incident_w]))
    reflected_v = coupler.reflected.volts(np.array([incident_w * ratio]))
    slope = np.array(
        [
            ratio * float(coupler.forward.slope(forward_v)[0]),
            float(coupler.reflected.slope(reflected_v)[0]),
        ]
    )
    per_v = slope / incident_w
    sd2 = np.square(noise.sd_v)
    step2 = np.minimum(coupler.content.converter.step_v**2 / 12, sd2)
    of_pairs = per_v**2 / pairs  # variances of the ratio
    parts = coupler.ratio_components(forward_v, reflected_v, noise)
    variances = {name: float(part[0]) * ratio / 4 for name, part in parts.items()}  # of rho
    variances["noise"] = float((of_pairs * (sd2 - step2)).sum()) / (4 * ratio)
    variances["quantisation"] = float((of_pairs * step2).sum()) / (4 * ratio)
    is_outside = not _is_inside(coupler, float(forward_v[0]), float(reflected_v[0]))
    variances["extrapolation" if is_outside else "detector law"] = variances.pop("law")
    variances["directivity"] = (coupler.leak + coupler.forward_leak * ratio) ** 2 / 2
    for name, (constant, returned) in coupler.strays.items():
        if name == "directivity":  # the size that the load leaves open
            variances["load"] = variances.get("load", 0.0) + constant
            variances[name] += returned * ratio**2
        else:
            variances[name] = variances.get(name, 0.0) + constant + returned * ratio**2
    reading = estimate(
        np.array([incident_w]),
        np.array([incident_w * ratio]),
        np.array([float((of_pairs * sd2).sum())]),
        coupler.ratio_variance(forward_v, reflected_v, noise),
        coupler.leak,
        coupler.forward_leak,
        np.array([incident_w >= coupler.readable_floor_w(noise)]),
        coupler.stray,
    )
    per_rho = 2 / (1 - rho) ** 2
    u_rho = math.sqrt(sum(variances.values()))
    low_rho, high_rho = (float(rho_of_swr(edge)[0]) for edge in (reading.low, reading.high))
    return Budget(
        incident_w,
        swr,
        float(reading.low[0]),
        float(reading.high[0]),
        per_rho * u_rho,
        (high_rho - rho if reading.high[0] < HIGHEST_SWR else rho - low_rho) / max(u_rho, 1e-12),
        _sort({name: per_rho**2 * value for name, value in variances.items()}),
        bool(reading.readable[0]),
    )


def watts_budget(coupler: Coupler, incident_w: float) -> list[Component]:
    """Return the components of the relative uncertainty of incident watts, the largest first."""
    volts = coupler.forward.volts(np.array([incident_w]))
    parts = coupler.watts_components("forward", volts)
    return _sort({name: float(np.ravel(part)[0]) for name, part in parts.items()})


def _is_inside(coupler: Coupler, forward_v: float, reflected_v: float) -> bool:
    valid = coupler.content.valid
    lowest_v, highest_v = valid.reflected_v
    return valid.forward_v[0] <= forward_v <= valid.forward_v[1] and (
        lowest_v <= reflected_v <= highest_v
    )


def _sort(variances: dict[str, float]) -> list[Component]:
    total = max(sum(variances.values()), 1e-30)
    components = [
        Component(name, math.sqrt(value), value / total) for name, value in variances.items()
    ]
    return sorted(components, key=lambda component: -component.u)


def describe(coupler: Coupler) -> list[str]:
    """Return what the budget assumes of load, antenna port and transmitter, one line each."""
    assumptions = coupler.content.assumptions
    if not isinstance(assumptions, Assumptions):
        return [
            "The calibration does not state its dummy load: load, test-port match, harmonics",
            "and temperature count as ideal. Fit its points again to include them.",
        ]

    def words(name: str, text: str) -> str:
        return text + ("" if name in assumptions.stated else " (typical; not stated)")

    return [
        words("load_return_loss_db", f"load: return loss {assumptions.load_return_loss_db:g} dB"),
        words("test_port_match_db", f"test-port match: {assumptions.test_port_match_db:g} dB"),
        words("harmonics_dbc", f"harmonics: -{assumptions.harmonics_dbc:g} dBc"),
        words("coupling_slope_db", f"coupling: +{assumptions.coupling_slope_db:g} dB an octave"),
        f"temperature: within {coupler.temperature_range_c:g} °C of the bench",
    ]
