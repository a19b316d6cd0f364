"""Which joint is loose: readings under a steady carrier while one joint after another is moved."""
