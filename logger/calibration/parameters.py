"""Parameters of the fit by name.

This module is responsible for the order of the parameters in the vector that the optimiser varies.
Input: arrays whose last axis is the parameters: values, derivatives, standard deviations, indices.
Output: views of the same numbers by name, for reading and writing.
"""

from __future__ import annotations

import itertools
import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.calibration.model import Law


class Parameters(NamedTuple):
    """Views of an array (..., p); the last axis of each, except `ln_power`, is the port.

    Parameters that a problem does not have are arrays of size 0.

    laws         (..., 4, 2) see the properties
    leak2        (..., settings, 2) squared leaks
    aligned      (..., settings, 2) parts of the leaks in phase with the reflection of an open
    band_db      (..., bands - 1, 2) couplings relative to the first band
    r_is_per_c   (..., 2) change of ln R Is per degree
    ln_power     (..., marks) ln W of each mark
    """

    laws: NDArray[Any]
    leak2: NDArray[Any]
    aligned: NDArray[Any]
    band_db: NDArray[Any]
    r_is_per_c: NDArray[Any]
    ln_power: NDArray[Any]

    @property
    def coupling_db(self) -> NDArray[Any]:
        """Couplings, (..., 2)."""
        return self.laws[..., 0, :]

    @property
    def ln_n_vt(self) -> NDArray[Any]:
        """Logarithms of n Vt in volts, (..., 2)."""
        return self.laws[..., 1, :]

    @property
    def ln_r_is(self) -> NDArray[Any]:
        """Logarithms of R Is in volts, (..., 2)."""
        return self.laws[..., 2, :]

    @property
    def zero_v(self) -> NDArray[Any]:
        """Zeros, (..., 2)."""
        return self.laws[..., 3, :]

    def law(self, port: int) -> Law:
        """Return the law of a port from values (p,)."""
        coupling_db, ln_n_vt, ln_r_is, zero_v = self.laws[:, port].tolist()
        return Law(coupling_db, math.exp(ln_n_vt), math.exp(ln_r_is), zero_v)


class Layout:
    """Places of the parameters in the vector of `size` elements."""

    def __init__(
        self, bands: int, settings: int, *, by_band: bool, by_temperature: bool, marks: int
    ) -> None:
        self._shapes = (
            (2, 4),
            (settings, 2, 2),
            ((bands - 1) * by_band, 2),
            (2 * by_temperature,),
            (marks,),
        )
        ends = np.cumsum([math.prod(shape) for shape in self._shapes]).tolist()
        self._parts = [slice(*edges) for edges in itertools.pairwise([0, *ends])]
        self.size = ends[-1]

    def view(self, array: NDArray[Any]) -> Parameters:
        """Return the parts of an array (..., p) by name; writing to them changes the array."""
        laws, leaks, *further = (
            array[..., part].reshape(*array.shape[:-1], *shape)
            for part, shape in zip(self._parts, self._shapes, strict=True)
        )
        return Parameters(laws.swapaxes(-1, -2), leaks[..., 0, :], leaks[..., 1, :], *further)

    @property
    def index(self) -> Parameters:
        """Indices of the parameters in the vector."""
        return self.view(np.arange(self.size))
