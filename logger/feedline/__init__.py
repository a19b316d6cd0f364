"""The cable between radio and antenna: what it loses and what it hides. Pure functions."""
