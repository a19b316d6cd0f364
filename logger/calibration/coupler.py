"""A calibrated coupler: volts of a block to watts and flags, and what is uncertain about them."""

from __future__ import annotations

import numpy as np

from drivers.contract import SampleBlock
from logger.blocks import Bits, Floats, Noise
from logger.calibration.detector import DetectorLaw
from logger.calibration.file import CalibrationFile, Port, identify
from logger.rows import Flag

SENSITIVITY_POINTS = 256


class Coupler:
    """Applies one calibration. Immutable after construction."""

    def __init__(self, content: CalibrationFile) -> None:
        self.content = content
        self.id = identify(content)
        top_v = 1.05 * max(
            content.valid.forward_v[1],
            content.valid.reflected_v[1],
            content.converter.full_scale_v or 0.0,
        )
        self._top_v = top_v
        self.forward = self._law(content.forward)
        self.reflected = self._law(content.reflected)
        directivity = content.directivity
        self.leak = 10 ** (-directivity.reflected_db / 20) if directivity else 0.0
        forward_db = directivity.forward_db if directivity else None
        self.forward_leak = 10 ** (-forward_db / 20) if forward_db else 0.0
        self.relative_watts = content.watts == "relative"
        self._sensitivity_v = np.linspace(0.0, 1.0, SENSITIVITY_POINTS) ** 2 * top_v
        self._sensitivities = self._tabulate_sensitivities()

    def _law(self, port: Port) -> DetectorLaw:
        return DetectorLaw(
            port.coupling_db,
            port.n_vt_v,
            port.r_is_v,
            port.zero_v,
            top_v=self._top_v,
            impedance_ohm=self.content.impedance_ohm,
        )

    def power(self, block: SampleBlock) -> tuple[Floats, Floats, Bits]:
        """Incident watts, reflected watts and flags of a block, each (n,).

        Flags tell CLIPPED (a reading at the converter's end) and EXTRAPOLATED (a reading above
        those that bench points cover).
        """
        forward_w = self.forward.watts(block.forward_v)
        reflected_w = self.reflected.watts(block.reflected_v)
        full_scale = block.full_scale_v or self.content.converter.full_scale_v or np.inf
        valid = self.content.valid
        flags = np.zeros(len(block), dtype=np.uint8)
        for volts, step_v, highest in (
            (block.forward_v, block.step_v[0], valid.forward_v[1]),
            (block.reflected_v, block.step_v[1], valid.reflected_v[1]),
        ):
            clip_from = full_scale - 0.5 * max(step_v, self.content.converter.step_v)
            if volts.max() > min(highest, clip_from):
                flags |= (volts > highest).astype(np.uint8) * np.uint8(Flag.EXTRAPOLATED)
                flags |= (volts >= clip_from).astype(np.uint8) * np.uint8(Flag.CLIPPED)
        if self.relative_watts:
            flags |= np.uint8(Flag.RELATIVE)
        return forward_w, reflected_w, flags

    def readable_floor_w(self, noise: Noise) -> float:
        """The least incident power at which one pair's SWR means something, watts.

        There, two standard deviations of the reflected reading about zero amount to what an SWR
        of 1.5 would reflect, so that 1.0 and 1.5 can be told apart with 95 % confidence.
        """
        slope = float(self.reflected.slope(self.reflected.zero_v))
        sd_w = slope * float(np.hypot(noise.sd_v[1], noise.zero_u_v[1]))
        return READABLE_FACTOR * sd_w

    def ratio_variance(self, forward_v: Floats, reflected_v: Floats, zero_u: Noise) -> Floats:
        """Variance of ln(reflected/incident) that averaging does not lessen, (n,) -> (n,).

        From the covariance of the fitted parameters and the uncertainty of both zeros.
        """
        forward_w = np.maximum(self.forward.watts(forward_v), 1e-12)
        reflected_w = np.maximum(self.reflected.watts(reflected_v), 1e-12)
        total = (self.forward.slope(forward_v) * zero_u.zero_u_v[0] / forward_w) ** 2 + (
            self.reflected.slope(reflected_v) * zero_u.zero_u_v[1] / reflected_w
        ) ** 2
        covariance = self.content.covariance
        if covariance is not None:
            rows = np.array(
                [
                    -np.interp(forward_v, self._sensitivity_v, table)
                    if name.startswith("forward.")
                    else np.interp(reflected_v, self._sensitivity_v, table)
                    for name, table in zip(covariance.parameters, self._sensitivities, strict=True)
                ]
            )
            total = total + np.einsum("in,ij,jn->n", rows, np.array(covariance.matrix), rows)
        return np.asarray(total)

    def _tabulate_sensitivities(self) -> list[Floats]:
        """d ln P / d parameter of each fitted parameter over the volts of `_sensitivity_v`."""
        covariance = self.content.covariance
        if covariance is None:
            return []
        tables = []
        for name in covariance.parameters:
            side, _, field = name.partition(".")
            port: Port = getattr(self.content, side)
            value = getattr(port, field)
            step = 1e-4 if field in ("coupling_db", "zero_v") else 1e-4 * value
            readings = self._sensitivity_v + port.zero_v + 2e-4
            logs = []
            for sign in (1, -1):
                moved = {f: getattr(port, f) for f in port.__struct_fields__}
                moved[field] = value + sign * step
                logs.append(np.log(self._law(Port(**moved)).exact_watts(readings)))
            tables.append((logs[0] - logs[1]) / (2 * step))
        return tables


READABLE_FACTOR = 1.96 / 0.2**2  # SWR 1.5 is a reflection coefficient of 0.2
