"""Antenna adjustment: from readings at each position to the best setting."""
