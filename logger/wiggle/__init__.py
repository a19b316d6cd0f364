"""Finds the loose joint: readings under a steady carrier while joint after joint is moved."""
