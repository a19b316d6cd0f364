"""Guided work at the terminal."""
