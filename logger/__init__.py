"""mismatchd: detector volts to SWR, alarms and a permanent record."""
