"""Charts to look at and to print, one module each; nothing else draws."""
