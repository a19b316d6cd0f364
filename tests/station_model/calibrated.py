"""Calibrations of a model's coupler for the product: written down exactly, or fitted."""

from __future__ import annotations

import numpy as np

from logger.calibration import bench_points, file
from logger.calibration.fit import fit
from tests.coupler_model import FULL_SCALE_V, Coupler, Port, bench_rows, csv_text

DATE = "2026-02-01T10:00:00Z"


def exact(coupler: Coupler) -> file.CalibrationFile:
    """Every figure as it is in the model."""
    top_w = 1.5 * coupler.top_w

    def port(own: Port) -> file.Port:
        return file.Port(
            coupling_db=own.coupling_db, n_vt_v=own.n_vt_v, r_is_v=own.r_is_v, zero_v=own.zero_v
        )

    def reach(own: Port) -> tuple[float, float]:
        return own.zero_v, min(float(own.volts(top_w)), FULL_SCALE_V)

    return file.CalibrationFile(
        mismatchd_calibration=1,
        date=DATE,
        forward=port(coupler.forward),
        reflected=port(coupler.reflected),
        directivity=file.Directivity(
            reflected_db=coupler.reflected.directivity_db,
            forward_db=coupler.forward.directivity_db,
        ),
        noise=file.PortVolts(forward_v=coupler.noise_v, reflected_v=coupler.noise_v),
        converter=file.Converter(step_v=coupler.step_v, full_scale_v=FULL_SCALE_V),
        valid=file.Valid(
            forward_v=reach(coupler.forward),
            reflected_v=reach(coupler.reflected),
            forward_w=(0.0, top_w),
            reflected_w=(0.0, top_w),
        ),
    )


def fitted(coupler: Coupler, rng: np.random.Generator) -> file.CalibrationFile:
    """What the product's fit makes of an evening at the bench."""
    rows = bench_rows(coupler, rng, detail=True)
    bench = bench_points.parse(csv_text(rows), "bench")
    return fit(bench, reference_class_percent=max(coupler.class_percent, 0.1)).content
