"""Adjusting an antenna: from readings at each position to where it should be set."""
