"""What a driver raises; `drivers.contract` has these too. Quick to import, without numpy."""


class DriverError(Exception):
    """The driver could not do something; the text is one line for the user."""


class LinkError(DriverError):
    """The device could not be opened or was disconnected."""


class EndOfInput(DriverError):  # noqa: N818 - it is an end, not an error
    """A finite source has no more data."""
