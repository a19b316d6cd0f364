"""Checks of the calibrated coupler against the dummy load of its calibration, over the years."""
