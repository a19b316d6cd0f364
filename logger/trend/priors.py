"""What is usual for stations of the same cable and age, from a file that a hub has written.

A single station uses it only if the file is configured (`priors`). The slope of a trend is then the
mean of its own estimate and that of the others, weighted by their precisions.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import msgspec
import yaml
from scipy.special import gammaincinv

from logger.config.load import FeedlineOptions
from logger.errors import ConfigError, UsageError
from logger.feedline.cables import cable
from logger.trend.outcome import Slope
from logger.utc import DAY_NS
from logger.wording import count

FORMAT = 1
ANY = "any"
AGES = ((5, "up to 5 years"), (15, "6 to 15 years"), (200, "over 15 years"))  # up to years
HEADER = (
    "# What is usual for stations of a cable and age; written by `mismatchd fleet learn`.\n"
    "# ageing: SWR a year, mean and standard deviation of another station of the class.\n"
    "# excursions: in a keyed hour, mean and shape of a gamma distribution.\n"
)
MOST_BYTES = 1_000_000
Above0 = Annotated[float, msgspec.Meta(gt=0)]
YEAR_NS = 365.25 * DAY_NS


class AgeingPrior(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Slopes of a class of stations, SWR a year: mean and standard deviation for another one."""

    cable: str
    age: str
    stations: int
    mean: float
    deviation: Above0


class RatePrior(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Excursions in a keyed hour of a class of stations: gamma distribution for another one."""

    cable: str
    age: str
    stations: int
    excursions: int
    keyed_hours: float
    mean: Above0
    shape: Above0

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """Return the range in which the rates of so large a share of stations are."""
        tails = ((1 - share) / 2, (1 + share) / 2)
        low, high = (float(gammaincinv(self.shape, p)) * self.mean / self.shape for p in tails)
        return low, high


class Priors(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A file of priors: of how many stations, when, and the classes."""

    format: int = FORMAT
    made_utc: str
    stations: int
    ageing: tuple[AgeingPrior, ...]
    excursions: tuple[RatePrior, ...]

    def of_ageing(self, cable: str, age: str) -> AgeingPrior | None:
        """Return the prior of a class; of all stations if the class is not in the file."""
        classes = {(prior.cable, prior.age): prior for prior in self.ageing}
        return classes.get((cable, age)) or classes.get((ANY, ANY))

    def of_excursions(self, cable: str, age: str) -> RatePrior | None:
        """Return the prior of a class; of all stations if the class is not in the file."""
        classes = {(prior.cable, prior.age): prior for prior in self.excursions}
        return classes.get((cable, age)) or classes.get((ANY, ANY))


def read(path: Path) -> Priors:
    """Read a file of priors. Raise ConfigError."""
    try:
        with path.open("rb") as file:
            content = yaml.safe_load(file.read(MOST_BYTES))
        priors = msgspec.convert(content, Priors)
    except OSError as error:
        raise ConfigError(f"priors: {path}: cannot be read: {error.strerror}") from error
    except (yaml.YAMLError, ValueError, msgspec.ValidationError) as error:
        reason = " ".join(str(error).split())
        raise ConfigError(f"priors: {path}: not a file of `fleet learn`: {reason}") from error
    if priors.format != FORMAT:
        raise ConfigError(f"priors: {path}: written by a newer program; use that one")
    return priors


def write(priors: Priors, path: Path) -> None:
    """Write a file of priors. Raise OSError."""
    content = msgspec.to_builtins(priors)
    path.write_text(HEADER + yaml.safe_dump(content, sort_keys=False), encoding="utf-8")


def age_class(years: float | None) -> str:
    """Return the class of a line's age."""
    if years is None:
        return ANY
    return next(name for most, name in AGES if years < most + 1)


class LinePriors:
    """The priors for the lines of a station, by antenna."""

    def __init__(
        self, priors: Priors, lines: Mapping[str | None, FeedlineOptions], now_ns: int
    ) -> None:
        self._priors, self._lines, self._now_ns = priors, lines, now_ns

    def ageing(self, antenna: str | None) -> AgeingPrior | None:
        """Return the prior for the slopes of an antenna, None without."""
        return self._priors.of_ageing(*self._class(antenna))

    def excursions(self) -> RatePrior | None:
        """Return the prior for the excursions of the station, by its main line; None without."""
        return self._priors.of_excursions(*self._class(None))

    def _class(self, antenna: str | None) -> tuple[str, str]:
        return class_of(self._lines.get(antenna, self._lines[None]), self._now_ns)


def class_of(line: FeedlineOptions, now_ns: int) -> tuple[str, str]:
    """Return the cable and the class of age of a line; ANY where they are not known."""
    name = ANY if line.cable is None else line.cable.partition("=")[0]
    with contextlib.suppress(UsageError):
        name = cable(name).name
    years = None if line.laid is None else 1970 + now_ns / YEAR_NS - line.laid
    return name, age_class(years)


def weigh(slope: Slope, prior: AgeingPrior) -> Slope:
    """Return the mean of a slope and its prior, weighted by precision.

    The degrees of freedom are those of the variance of the sum (F. E. Satterthwaite, Biometrics
    Bulletin 2 (1946) 110), in which that of the prior is taken as known.
    """
    own, others = slope.error**-2, prior.deviation**-2
    share = own / (own + others)
    return Slope(
        share * slope.per_year + (1 - share) * prior.mean,
        (own + others) ** -0.5,
        slope.freedom / share**2,
    )


def describe(prior: AgeingPrior, own: Slope) -> str:
    """Return what the report says of a slope that was weighed."""
    low, high = own.interval()
    return (
        f"Slope with the prior of {count(prior.stations, 'station')} ({class_name(prior)}):"
        f" {prior.mean:+.3f} ± {2 * prior.deviation:.3f} a year; own readings alone:"
        f" {own.per_year:+.3f} ({low:+.3f} to {high:+.3f})."
    )


def describe_rate(prior: RatePrior, excursions: int, keyed_hours: float) -> str:
    """Return how a station's excursions compare with those of others."""
    low, high = prior.interval()
    own = (prior.shape + excursions) / (prior.shape / prior.mean + keyed_hours)
    verdict = "more than usual" if own > high else "fewer than usual" if own < low else "usual"
    return (
        f"Excursions: {excursions} in {keyed_hours:.1f} keyed hours, {verdict} by the prior of"
        f" {count(prior.stations, 'station')} ({class_name(prior)}): {low:.2g} to {high:.2g} an"
        " hour."
    )


def class_name(prior: AgeingPrior | RatePrior) -> str:
    """Return the name of a class, such as `RG-58, up to 5 years`."""
    parts = [part for part in (prior.cable, prior.age) if part != ANY]
    return ", ".join(parts) or "any cable and age"
