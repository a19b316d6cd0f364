"""Published attenuation of cables by standard designation, with the spread between sources."""

from __future__ import annotations

import csv
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.errors import UsageError

REACH = 2.0  # a source is used up to this factor beyond the frequencies that it prints
USUAL_VELOCITY = 0.66  # of solid polyethylene, for sources that state none
SPEED_OF_LIGHT_M_S = 299_792_458.0


class AttenuationSource(NamedTuple):
    """Attenuation of a cable as one source prints it: MHz and dB per 100 m, each (n,)."""

    name: str
    frequency_mhz: Floats
    db_per_100m: Floats

    def covers(self, frequency_mhz: float) -> bool:
        """True if the source can be used at this frequency."""
        least, most = self.frequency_mhz.min() / REACH, self.frequency_mhz.max() * REACH
        return bool(least <= frequency_mhz <= most)

    def loss(self, frequency_mhz: float) -> float:
        """Return the attenuation in dB per 100 m at a frequency.

        The model is k1 sqrt(f) + k2 f (conductors and dielectric), fitted to the printed values by
        relative deviations; neither coefficient may be negative.
        """
        shape = np.stack([np.sqrt(self.frequency_mhz), self.frequency_mhz], axis=1)
        relative = shape / self.db_per_100m[:, None]
        ones = np.ones(len(self.db_per_100m))
        k: Floats = np.zeros(2)
        if len(ones) > 1:
            k = np.asarray(np.linalg.lstsq(relative, ones, rcond=None)[0])
        if len(ones) == 1 or k.min() < 0:
            only = int(len(ones) > 1 and k[0] < 0)
            k = np.zeros(2)
            k[only] = relative[:, only].sum() / (relative[:, only] ** 2).sum()
        return float(k @ (np.sqrt(frequency_mhz), frequency_mhz))


class Attenuation(NamedTuple):
    """Attenuation of a cable at a frequency, dB per 100 m: median and extremes of the sources."""

    cable: str
    frequency_mhz: float
    nominal: float
    low: float
    high: float
    sources: tuple[str, ...]
    velocity_factor: float = USUAL_VELOCITY

    @property
    def half_wave_m(self) -> float:
        """Half a wavelength in the cable, metres."""
        return self.velocity_factor * SPEED_OF_LIGHT_M_S / (2e6 * self.frequency_mhz)


class Cable(NamedTuple):
    """A cable and its published attenuation."""

    name: str
    sources: tuple[AttenuationSource, ...]
    velocity_factor: float

    def attenuation(self, frequency_mhz: float) -> Attenuation:
        """Return the attenuation at a frequency. Raise UsageError if no source covers it."""
        sources = [source for source in self.sources if source.covers(frequency_mhz)]
        if not sources:
            mhz = np.concatenate([source.frequency_mhz for source in self.sources])
            raise UsageError(
                f"{self.name}: no data at {frequency_mhz:g} MHz, only from {mhz.min() / REACH:g} to"
                f" {mhz.max() * REACH:g} MHz; take it from the data sheet: --cable NAME=DB (per 100"
                " m)"
            )
        losses = [source.loss(frequency_mhz) for source in sources]
        return Attenuation(
            self.name,
            frequency_mhz,
            float(np.median(losses)),
            min(losses),
            max(losses),
            tuple(source.name for source in sources),
            self.velocity_factor,
        )


@lru_cache
def published() -> dict[str, Cable]:
    """Return all published cables by designation."""
    text = (files("logger.feedline") / "attenuation.csv").read_text("utf-8")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    cables = {}
    for name in dict.fromkeys(row["cable"] for row in rows):
        cable_rows = [row for row in rows if row["cable"] == name]
        sources = tuple(
            AttenuationSource(
                source,
                np.array([float(r["frequency_mhz"]) for r in cable_rows if r["source"] == source]),
                np.array([float(r["db_per_100m"]) for r in cable_rows if r["source"] == source]),
            )
            for source in dict.fromkeys(row["source"] for row in cable_rows)
        )
        factors = [float(row["velocity_factor"]) for row in cable_rows if row["velocity_factor"]]
        cables[name] = Cable(name, sources, factors[0] if factors else USUAL_VELOCITY)
    return cables


def attenuation(designation: str, frequency_mhz: float) -> Attenuation:
    """Return the attenuation of a cable by designation or as `NAME=DB`. Raise UsageError.

    DB is the attenuation from the data sheet, in dB per 100 m at `frequency_mhz`.
    """
    name, equals, figure = designation.partition("=")
    if equals:
        try:
            loss = float(figure.replace(",", "."))
        except ValueError:
            loss = 0.0
        if not (name and 0 < loss < np.inf):
            raise UsageError(f"{designation!r}: expected NAME=DB, such as mine=5.2 (dB per 100 m)")
        return Attenuation(name, frequency_mhz, loss, loss, loss, ("as given",))
    return cable(designation).attenuation(frequency_mhz)


def validate(designation: str) -> None:
    """Raise UsageError if this is neither the designation of a published cable nor NAME=DB."""
    if "=" in designation:
        attenuation(designation, 1.0)
    else:
        cable(designation)


def published_at(frequency_mhz: float) -> list[str]:
    """Return the designations whose attenuation at this frequency is published."""
    return [
        name
        for name, entry in published().items()
        if any(source.covers(frequency_mhz) for source in entry.sources)
    ]


def cable(designation: str) -> Cable:
    """Return the cable of a designation in any spelling. Raise UsageError if there is none."""
    cables = {_plain(name): entry for name, entry in published().items()}
    if _plain(designation) in cables:
        return cables[_plain(designation)]
    matches = get_close_matches(_plain(designation), cables, 1)
    raise UsageError(
        f"unknown cable {designation!r}; "
        + (
            f"did you mean {cables[matches[0]].name}?"
            if matches
            else f"known: {', '.join(published())}."
        )
        + " Add another from its data sheet: NAME=DB (per 100 m at your frequency)"
    )


def _plain(name: str) -> str:
    return "".join(letter for letter in name.upper() if letter.isalnum())
