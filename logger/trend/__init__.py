"""Long-term behaviour of the feedline: daily values, a model, a verdict."""
