"""The reading of this moment, several times a second, for whoever looks on."""
