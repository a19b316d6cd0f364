"""Charts for screen and paper, one module each; all drawing is done here."""
