"""What the feedline has been doing for years: daily values, a model, a verdict."""
