"""Live readings, several times a second, for any number of viewers."""
