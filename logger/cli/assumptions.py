"""Options that state the limits of bench and transmitter, for `calibrate fit` and `bench`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from logger.calibration.expectation import DETECTORS
from logger.calibration.file import Assumptions

F = TypeVar("F", bound=Callable[..., Any])

USUAL = Assumptions()
NAMES = (
    "load_return_loss_db",
    "test_port_match_db",
    "harmonics_dbc",
    "coupling_slope_db",
    "detector",
)
LOAD_DB = 10.0, 60.0  # no dummy load is worse, and none is known to be better
OTHER_DB = 3.0, 90.0


def _decibels(context: click.Context, option: click.Parameter, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        decibels = abs(float(text.strip().lower().removesuffix("c").removesuffix("db")))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not in dB; give a number such as 26") from None
    least_db, most_db = LOAD_DB if option.name == "load_return_loss_db" else OTHER_DB
    if not least_db <= decibels <= most_db:
        raise click.BadParameter(f"{text!r} is not between {least_db:g} and {most_db:g} dB")
    return decibels


def assumption_options(function: F) -> F:
    """Add the options; the command receives the values of `NAMES`, None where not stated."""
    options = (
        click.option(
            "--load-return-loss",
            "load_return_loss_db",
            callback=_decibels,
            metavar="DB",
            help="Return loss of the dummy load at the frequency used, from its data sheet or a"
            f" network analyser. Default: unknown, about {USUAL.load_return_loss_db:g} dB.",
        ),
        click.option(
            "--test-port-match",
            "test_port_match_db",
            callback=_decibels,
            metavar="DB",
            help="Return loss of the coupler's antenna port, with a good load on the other."
            " Default: unknown, 15 to 30 dB.",
        ),
        click.option(
            "--harmonics",
            "harmonics_dbc",
            callback=_decibels,
            metavar="DBC",
            help="Strongest harmonic of the transmitter, dB below the carrier. Default: unknown, 30"
            " to 60 dB.",
        ),
        click.option(
            "--coupling-slope",
            "coupling_slope_db",
            type=click.FloatRange(0, 12),
            metavar="DB",
            help="Rise of the coupling per octave: 6 for parallel lines, 0 for transformers."
            " Default: unknown.",
        ),
        click.option(
            "--detector",
            type=click.Choice(list(DETECTORS)),
            help="Type of the detector diodes, which replaces low powers if there are only one or"
            " two.",
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


def assume(options: dict[str, Any]) -> Assumptions:
    """Remove the values of `NAMES` from `options` and return them as assumptions."""
    values = {name: options.pop(name, None) for name in NAMES}
    stated = {name: value for name, value in values.items() if value is not None}
    return Assumptions(**stated, stated=list(stated))
