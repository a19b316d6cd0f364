"""Pairs from any microcontroller that prints them as lines of text."""
