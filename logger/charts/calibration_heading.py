"""Heading of a calibration sheet: identity, figures with their uncertainty, remarks."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

import numpy as np
from matplotlib.figure import Figure

from logger.calibration.budget import describe, make_budget
from logger.calibration.coupler import Coupler
from logger.calibration.file import LAW, Assumptions, CalibrationFile, Port
from logger.charts import sheet

SIDES = ("forward", "reflected")

# Millimetres, heights from the lower edge.
TABLE = 262.0
COLUMNS = (0.0, 17.0, 39.5, 62.0, 84.5, 107.5, 131.0, 149.5)
BUDGET_SWR, BUDGET_PAIRS, BUDGET_PARTS = 1.5, 100, 5
WRAP = 108  # characters per line
REFERENCES = {
    "watts": "shows watts",
    "vrms": "shows rms volts across the load",
    "vp": "shows peak volts across the load",
    "vpp": "shows peak-to-peak volts across the load",
}


def heading(figure: Figure, coupler: Coupler) -> float:
    """Write title, table and remarks; return the upper edge for the panels, mm."""
    content = coupler.content
    sheet.write_title(figure, "Calibration of the coupler")
    facts = [coupler.id, _short(content.date), f"{content.impedance_ohm:g} Ω"]
    if content.temperature_c is not None:
        facts.append(f"{content.temperature_c:.3g} °C")
    sheet.write(figure, sheet.LEFT, sheet.TITLE - 6.5, ", ".join(facts), fontsize=9.5)
    for number, row in enumerate(_table(content)):
        for left, cell in zip(COLUMNS, row, strict=True):
            weight = "bold" if number == 0 or left == 0 else "normal"
            sheet.write(
                figure,
                sheet.LEFT + left,
                TABLE - number * sheet.LINE,
                cell,
                fontsize=7.5,
                fontweight=weight,
            )
    base = TABLE - 3 * sheet.LINE - 1.5
    for line in (*_remarks(content), *_budget(coupler)):
        weight = "bold" if line.startswith("Watts are relative") else "normal"
        lines = textwrap.wrap(line, WRAP)
        base = sheet.write_lines(figure, base, lines, fontsize=8, fontweight=weight)
    return base - 5


def _table(content: CalibrationFile) -> Iterator[tuple[str, ...]]:
    yield (
        "port",
        "coupling, dB",
        "n·Vt, mV",
        "R·Is, mV",
        "zero, mV",
        "directivity, dB",
        "noise, mV",
        "calibrated, V",
    )
    covariance = content.covariance
    doubts = {}
    if covariance is not None:
        deviations = np.sqrt(np.maximum(np.diag(np.array(covariance.matrix)), 0.0)).tolist()
        doubts = dict(zip(covariance.parameters, deviations, strict=True))
    for name in SIDES:
        port: Port = getattr(content, name)
        low_v, high_v = getattr(content.valid, f"{name}_v")
        noise_v = getattr(content.noise, f"{name}_v")
        yield (
            name,
            *(
                _figure(scale * getattr(port, field), scale * doubts.get(f"{name}.{field}", 0.0))
                for field, scale in zip(LAW, (1, 1e3, 1e3, 1e3), strict=True)
            ),
            _directivity(content, name),
            f"{1e3 * noise_v:.2g}" if noise_v else "not known",
            f"{low_v:.3g} to {high_v:.3g}",
        )


def _figure(value: float, doubt: float) -> str:
    """Return a value rounded to the place of its uncertainty."""
    if doubt <= 0:
        return f"{value:.4g}"
    places = min(max(1 - math.floor(math.log10(doubt)), 0), 3)
    return f"{value:.{places}f} ± {doubt:.{places}f}"


def _directivity(content: CalibrationFile, name: str) -> str:
    directivity = content.directivity
    db = getattr(directivity, f"{name}_db", None)
    if directivity is None or db is None:
        return "not known"
    if directivity.bound if name == "reflected" else directivity.forward_bound:
        return f"at least {db:.1f}"
    doubt = getattr(directivity, f"{name}_u_db")
    return f"{db:.1f} ± {doubt:.1f}" if doubt else f"{db:.1f}"


def _budget(coupler: Coupler) -> Iterator[str]:
    content = coupler.content
    if not isinstance(content.assumptions, Assumptions):
        return
    budget = make_budget(coupler, content.valid.forward_w[1], BUDGET_SWR, BUDGET_PAIRS)
    if budget.is_readable:
        parts = ", ".join(f"{part.name} {part.u:.2g}" for part in budget.components[:BUDGET_PARTS])
        yield (
            f"SWR {budget.swr:g} at {budget.incident_w:.3g} W: 95 % from {budget.low:.2f} to"
            f" {budget.high:.2f}; standard uncertainties: {parts}"
        )
    yield f"Budget: {'; '.join(describe(coupler))}"


def _remarks(content: CalibrationFile) -> Iterator[str]:
    instrument = content.instrument
    if content.watts == "relative":
        yield "Watts are relative: the powers at the bench were not known. SWR is calibrated."
    if "coupler" in instrument:
        yield f"Coupler: {_short(str(instrument['coupler']))}"
    reference = str(instrument.get("reference", "not named"))
    parts = [REFERENCES.get(reference, _short(reference))]
    if content.watts == "absolute":
        if "reference_class_percent" in instrument:
            parts.append(f"class {float(instrument['reference_class_percent']):.3g} %")
        if "scatter_percent" in instrument:
            parts.append(f"readings scatter by {float(instrument['scatter_percent']):.2g} %")
    yield f"Reference: {', '.join(parts)}"
    step_v, full_scale_v = content.converter.step_v, content.converter.full_scale_v
    parts = [_short(str(instrument["converter"]))] if "converter" in instrument else []
    parts.append(f"step {1e3 * step_v:.3g} mV" if step_v else "step not known")
    parts.append(f"full scale {full_scale_v:.3g} V" if full_scale_v else "full scale not known")
    yield f"Converter: {', '.join(parts)}"
    for name in SIDES:
        port: Port = getattr(content, name)
        if port.coupling_by_khz:
            corrections = ", ".join(
                f"{khz:g} kHz {signed(db, 2)} dB" for khz, db in port.coupling_by_khz
            )
            yield f"Coupling of the {name} port by frequency: {corrections}"
        if port.r_is_per_c:
            yield f"R·Is of the {name} port: {signed(100 * port.r_is_per_c, 1)} % per °C"
    if content.covariance is not None:
        yield "± is one standard deviation; the bars of residuals are 95 %"


def signed(value: float, places: int) -> str:
    """Return a value with its sign and a typographic minus."""
    return f"{value:+.{places}f}".replace("-", "−")


def _short(words: str) -> str:
    return textwrap.shorten(words, 70, placeholder=" …")
