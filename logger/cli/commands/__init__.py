"""Commands, one module each, imported when asked for."""
