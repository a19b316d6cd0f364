"""Zero of a reading has moved beyond what the calibration covers.

The zero is a median over unkeyed bursts of many minutes (`stages/noise.py`). A small drift is part
of the uncertainty of every interval; here it is more than SHARE of the calibrated range and more
than the steps and noise of the converter explain, so that chance raises no alarm.
"""

from __future__ import annotations

from logger.stages.view import View

SHARE = 0.02
LEAST_STEPS = 8.0
LEAST_NOISES = 10.0


def fault(view: View, *, standing: bool) -> str | None:
    """Return a description of the zero fault, if any; the limit is halved while it stands."""
    content = view.coupler.content
    for number, port in enumerate(("forward", "reflected")):
        zero_v = getattr(content, port).zero_v
        noise_v = getattr(content.noise, f"{port}_v")
        end_v = getattr(content.valid, f"{port}_v")[1]
        step_v, moved_v = view.step_v[number], view.noise.zero_u_v[number]
        limit_v = max(SHARE * end_v, LEAST_STEPS * step_v, LEAST_NOISES * noise_v)
        if moved_v > (0.5 if standing else 1.0) * limit_v:
            return (
                f"the zero of the {port} reading is {1e3 * moved_v:.3g} mV away from the calibrated"
                f" {1e3 * zero_v:.3g} mV; look for heat, moisture or a bad ground at the"
                " detector, or calibrate again"
            )
    return None
