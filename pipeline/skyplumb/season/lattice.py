"""Evenly spread points to average over: rank-1 lattices of Korobov's kind [1]_.

Sobol' points [2]_ lie as evenly, but the library that makes them takes half a second to load, half
of a whole tally.

References
----------
.. [1] N. M. Korobov, "The approximate computation of multiple integrals", Doklady Akademii Nauk
   SSSR 124, 1207-1210 (1959).
.. [2] I. M. Sobol', USSR Computational Mathematics and Mathematical Physics 7(4), 86-112 (1967).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

GENERATORS = {(32, 6): 13, (128, 9): 115}
"""By points and dimensions: of all odd numbers the one with the least centred discrepancy."""


def lattice(points: int, dimensions: int) -> NDArray[np.float64]:
    """Points in the open unit cube, shape (points, dimensions), each column once through 0..1.

    Raises `KeyError` for sizes whose generator is not known.
    """
    generator = GENERATORS[points, dimensions]
    powers = [pow(generator, power, points) for power in range(dimensions)]
    return (np.outer(np.arange(points), powers) % points + 0.5) / points
