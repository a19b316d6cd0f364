"""Sources of detector volts. Drivers do not convert to watts."""
