"""mismatchd: from detector volts to SWR, alarms and a lasting record."""
