"""Report of a fit: results, uncertainty, claims, and advice.

This module is responsible for what `calibrate fit` prints. Input: a fit. Output: lines of text.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from logger.calibration.coupler import Coupler
from logger.calibration.file import LAW, SIDES, Port
from logger.calibration.fit import Fit
from logger.calibration.next_point import SHOWN_SWR, propose
from logger.calibration.outcome import Leak
from logger.calibration.problem import LAW_POWERS
from logger.calibration.quality import Residual, bench_noise, residuals, smallest_swr
from logger.physics.reflection import COVERAGE, HIGHEST_SWR
from logger.wording import span

SIGNIFICANT = 3.0  # standard deviations
GOOD_DIRECTIVITY_DB = 25.0  # a match then reads 1.12 at worst
FLOOR_SHARE = 0.1  # share of the highest power above which the readable floor is too high
HEADROOM = 1.3  # of power before the converter clips
SQUARE_LAW = 0.5  # of n Vt: readings below it show the square-law region
TENFOLD = 10.0
BEYOND = 4.0  # factor beyond the points over which the uncertainty of watts is stated
CLAIM_PAIRS = (1, 100)


def report(fit: Fit) -> list[str]:
    """Return the lines of the report."""
    coupler = Coupler(fit.content)
    return [
        *_parameters(fit),
        "",
        *_directivity(fit),
        "",
        *_claims(coupler),
        "",
        *_points(fit, coupler),
        "",
        *_advice(fit, coupler),
    ]


def _parameters(fit: Fit) -> Iterator[str]:
    content = fit.content
    assert content.covariance is not None
    sd = np.sqrt(np.diag(np.array(content.covariance.matrix))).reshape(2, len(LAW))
    yield "port        coupling dB      n·Vt mV        R·Is mV          zero mV"
    for side, u in zip(SIDES, sd, strict=True):
        port: Port = getattr(content, side)
        yield (
            f"{side:<10}{port.coupling_db:7.2f} ± {u[0]:<5.2f}"
            f"{1e3 * port.n_vt_v:7.2f} ± {1e3 * u[1]:<5.2f}"
            f"{1e3 * port.r_is_v:8.3g} ± {1e3 * u[2]:<6.2g}"
            f"{1e3 * port.zero_v:7.2f} ± {1e3 * u[3]:<5.2f}"
        )
    if not fit.balanced:
        yield "The reflected port was not measured on its own; it is assumed to equal the other."
    for side in SIDES:
        port = getattr(content, side)
        if port.coupling_by_khz:
            offsets = ", ".join(f"{khz:g} kHz {db:+.2f} dB" for khz, db in port.coupling_by_khz)
            yield f"{side}: coupling depends on frequency: {offsets}"
        if port.r_is_per_c:
            yield (
                f"{side}: R·Is grows by {100 * port.r_is_per_c:.1f} % per °C above"
                f" {content.temperature_c:.1f} °C"
            )
    for side, departure in zip(SIDES, fit.departures, strict=True):
        if departure is not None and departure.correction:
            yield (
                f"{side}: the detector's law does not fit: with one point left out at a time, its"
                f" error is {departure.law_db:.2f} dB and that of a monotone interpolant"
                f" {departure.interpolant_db:.2f} dB, so the interpolant is used"
            )
    if content.watts == "relative":
        yield "Watts are relative: the powers were not known. SWR is calibrated."
    else:
        percent = float(content.instrument["reference_class_percent"])
        if content.instrument["reference"] != "watts":
            percent *= 2  # volts are squared
        yield (f"The reference is accurate to {percent:.3g} % of power; this error cancels in SWR.")
        if "scatter_percent" in content.instrument:
            yield f"The readings of the reference scatter by {100 * fit.scatter:.2g} %."


def _directivity(fit: Fit) -> Iterator[str]:
    def words(leak: Leak) -> str:
        return f"at least {leak.db:.1f} dB" if leak.bound else f"{leak.db:.1f} ± {leak.u_db:.1f} dB"

    for khz, leak in zip(fit.readings.bands_khz, fit.leaks, strict=True):
        where = "" if khz is None or len(fit.leaks) == 1 else f" at {khz:g} kHz"
        if leak is None:
            yield f"directivity of the reflected port{where}: not measured (no matched points)"
        else:
            separates = len(fit.readings.settings) > len(fit.leaks)
            reason = (
                "the leakage is too small to measure with these points"
                if leak.separation is None or separates
                else "one dummy load cannot tell a leak from its own reflection"
            )
            yield f"directivity of the reflected port{where}: {words(leak)}"
            if leak.bound:
                yield f"  ({reason})"
    directivity = fit.content.directivity
    if directivity is not None and directivity.forward_db is not None:
        doubt = f" ± {directivity.forward_u_db:.1f}" if directivity.forward_u_db else ""
        or_more = "or more, " if directivity.forward_bound else ""
        source = {
            "reversed": f"{or_more}from reversed points",
            "open and short": "or more, from open compared with short",
            "assumed": "assumed like the reflected port's",
        }[fit.forward_from]
        yield f"directivity of the forward port: {directivity.forward_db:.1f}{doubt} dB {source}"
    assumptions = fit.outcome.assumptions
    if assumptions is not None:
        stated = "load_return_loss_db" in assumptions.stated
        yield (
            f"return loss of the dummy load: {assumptions.load_return_loss_db:g} dB"
            f" ({'stated' if stated else 'assumed; state it with --load-return-loss'})"
        )


def _claims(coupler: Coupler) -> Iterator[str]:
    floor_w = coupler.readable_floor_w(bench_noise(coupler))
    unit = "W (relative)" if coupler.relative_watts else "W"
    low_w, high_w = coupler.content.valid.forward_w
    yield f"readable floor: below {floor_w:.3g} {unit} the SWR of a single pair is not readable"
    yield f"watts are calibrated at {span(low_w, high_w)} {unit}, flagged outside"
    if not coupler.relative_watts:
        volts = coupler.forward.volts(np.array([low_w / BEYOND, high_w * BEYOND]))
        outside_w = coupler.forward.watts(volts)  # within the range of the converter
        percent = 100 * COVERAGE * coupler.watts_u("forward", volts)
        yield (
            f"outside, 95 % of readings are within {percent[0]:.2g} % at {outside_w[0]:.3g} W and"
            f" {percent[1]:.2g} % at {outside_w[1]:.3g} W"
        )
    yield f"smallest SWR that can be claimed (95 %), mean of {CLAIM_PAIRS[0]} and of"
    yield f"{CLAIM_PAIRS[1]} pairs:"
    powers = np.geomspace(max(floor_w, 1e-6), max(high_w, 1.01 * floor_w), 6)
    columns = [smallest_swr(coupler, powers, pairs) for pairs in CLAIM_PAIRS]
    for watts, *swrs in zip(powers, *columns, strict=True):
        yield f"{watts:12.3g} {unit}  {'  '.join(map(_swr, swrs))}"


def _swr(swr: float) -> str:
    return "   -" if math.isnan(swr) or swr >= HIGHEST_SWR else f"{swr:.2f}"


def _points(fit: Fit, coupler: Coupler) -> Iterator[str]:
    sides = [{residual.point: residual for residual in side} for side in residuals(coupler)]
    if not any(sides):
        return
    unit = "mark" if coupler.relative_watts else "W"
    yield f"{'row':>5} {'condition':<9}{unit:>8}  forward V      dB         reflected V    dB"
    for index, point in enumerate(fit.bench.points):
        if any(index in by_point for by_point in sides):
            row = fit.bench.places[index].rpartition(":")[2]
            cells = (
                _cell(fit, by_point.get(index), side, index)
                for side, by_point in zip(SIDES, sides, strict=True)
            )
            yield f"{row:>5} {point.condition:<9}{point.power_w:8.3g}  {'   '.join(cells)}".rstrip()


def _cell(fit: Fit, residual: Residual | None, side: str, index: int) -> str:
    volts = getattr(fit.bench.points[index], f"{side}_v")
    if residual is None:
        return f"{volts:7.4f}               "
    if residual.left_out:
        why = "clipped" if volts >= fit.readings.clip_v else "OUTLIER"
        return f"{volts:7.4f} {residual.residual_db:6.2f} {why:<7}"
    return f"{volts:7.4f} {residual.residual_db:6.2f} ± {residual.error_db:<5.2f}"


def _advice(fit: Fit, coupler: Coupler) -> Iterator[str]:
    lines = list(list_improvements(fit, coupler))
    yield "what to improve:" if lines else "these points show nothing to improve"
    yield from (f"- {line}" for line in lines)


def list_improvements(fit: Fit, coupler: Coupler) -> Iterator[str]:
    """Yield advice to improve the instrument, one sentence each."""
    content, readings = fit.content, fit.readings
    yield from _outliers(fit)
    high_w = content.valid.forward_w[1]
    full_scale_v = content.converter.full_scale_v
    if full_scale_v is not None:
        for side, law in (("forward", coupler.forward), ("reflected", coupler.reflected)):
            clips_w = float(law.watts(np.array([full_scale_v]))[0])
            if clips_w < HEADROOM * high_w:
                yield (
                    f"the converter clips at {clips_w:.3g} W on the {side} port: divide the"
                    " detector's voltage, or use a looser coupling (more turns)"
                )
    floor_w = coupler.readable_floor_w(bench_noise(coupler))
    if floor_w > FLOOR_SHARE * high_w:
        yield (
            f"too little signal at the reflected port: SWR is unreadable below {floor_w:.3g} W, and"
            f" your highest power is {high_w:.3g} W; couple more tightly (fewer turns), or use a"
            " converter of higher resolution"
        )
    directivity = content.directivity
    load_db = (
        None if fit.outcome.assumptions is None else fit.outcome.assumptions.load_return_loss_db
    )
    separates = len(readings.settings) > len(readings.bands_khz)
    if directivity is not None and directivity.bound and load_db is not None and not separates:
        yield (
            f"directivity is only known to be {directivity.reflected_db:.0f} dB or more: read a"
            " second dummy load, the load behind a line, or a known mismatch (`calibrate bench"
            " --conditions second-load,line-45,mismatched-75`)"
        )
    elif directivity is not None and directivity.bound:
        yield (
            f"directivity is only known to be {directivity.reflected_db:.0f} dB or more: add"
            + (
                " points with a better dummy load, and state it with --load-return-loss"
                if separates
                else " matched points at more power"
            )
        )
    elif directivity is not None and directivity.reflected_db < GOOD_DIRECTIVITY_DB:
        leak = 10 ** (-directivity.reflected_db / 20)
        yield (
            f"a perfect match may read {(1 + leak) / (1 - leak):.2f}: balance the coupler (trim its"
            " compensation on a dummy load for the least reflected reading) for more directivity"
            + ("" if load_db is None else f", up to the {load_db:g} dB of that load")
        )
    if (point := propose(fit)) is not None:
        yield (
            f"one more point that would help most: {point.words}; SWR {SHOWN_SWR:g} at the highest"
            f" power would then read {point.after[0]:.2f} to {point.after[1]:.2f} instead of"
            f" {point.before[0]:.2f} to {point.before[1]:.2f}"
        )
    yield from _diodes(fit)
    yield from _missing(fit)
    if readings.step_v == 0:
        yield (
            "the converter's step is unknown, so the floor and the claims above may be optimistic:"
            " give it with --step-v (`calibrate bench` records it)"
        )


def _outliers(fit: Fit) -> Iterator[str]:
    clip_v = fit.readings.clip_v
    for index, row in enumerate(fit.content.bench_points):
        for side in str(row.get("left_out", "")).split():
            if float(row[f"{side}_v"]) < clip_v:
                yield (
                    f"{fit.bench.places[index]}: the {side} reading does not fit the other points"
                    " and was left out: measure it again"
                )


def _diodes(fit: Fit) -> Iterator[str]:
    content = fit.content
    if not fit.balanced or content.covariance is None:
        return
    variance = np.diag(np.array(content.covariance.matrix)).reshape(2, len(LAW))
    for number, name, words, large in ((1, "n_vt_v", "n·Vt", 0.1), (2, "r_is_v", "R·Is", 0.4)):
        forward, reflected = getattr(content.forward, name), getattr(content.reflected, name)
        ratio = math.log(reflected / forward)
        doubt = math.hypot(
            math.sqrt(variance[0, number]) / forward, math.sqrt(variance[1, number]) / reflected
        )
        if abs(ratio) > max(large, SIGNIFICANT * doubt):
            yield (
                f"the two detectors differ ({words} {1e3 * forward:.3g} and"
                f" {1e3 * reflected:.3g} mV): use diodes and loads of one type, so that"
                " temperature affects both alike"
            )


def _missing(fit: Fit) -> Iterator[str]:
    points = fit.bench.points
    conditions = {point.condition for point in points if point.power_w > 0}
    if not any(point.power_w == 0 for point in points):
        yield "no unkeyed points (power 0): zero and noise are guessed; add a few"
    if fit.content.watts == "relative":
        return
    powers = {round(math.log(point.power_w), 1) for point in points if point.power_w > 0}
    assumptions = fit.outcome.assumptions
    if assumptions is not None and assumptions.detector == "unknown" and len(powers) < LAW_POWERS:
        yield (
            "few powers hardly show the detectors' law: state the type of the diodes with"
            " --detector"
        )
    if "reversed" not in conditions and not {"open", "short"} <= conditions:
        yield (
            "the balance of the ports is uncertain: add reversed points (coupler turned round), or"
            " both open and short at low power"
        )
    elif "reversed" not in conditions:
        yield "add reversed points, to measure the forward port's directivity"
    low_w, high_w = fit.content.valid.forward_w
    if (
        fit.content.valid.forward_v[0]
        > SQUARE_LAW * fit.content.forward.n_vt_v + max(0.0, fit.content.forward.zero_v)
        and high_w < TENFOLD**2 * low_w
    ):
        yield (
            f"no points below {low_w:.2g} W: add lower powers, to show where the detectors'"
            " square-law region ends; readings of low reflection depend on it"
        )
