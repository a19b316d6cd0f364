"""The calibrated coupler: detector laws, directivity, uncertainty, and the calibration file."""
