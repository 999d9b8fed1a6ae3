"""How many rocks of which size lie on a square metre.

The law is that of Golombek and Rapp [1]_: rocks of at least diameter ``D`` cover the share
``F(D) = k exp(-q D)`` of the ground, with ``q = 1.79 + 0.152 / k`` and ``D`` in metres. It was
fitted to two landing sites on **Mars**. Its use for any other ground, ours included, is an analogy.

References
----------
.. [1] M. Golombek and D. Rapp, "Size-frequency distributions of rocks on Mars and Earth analog
   sites," J. Geophys. Res. 102(E2):4117-4129, 1997.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

from hazcam.frames import Floats

# Share of the ground that rocks cover, k, by name.
ABUNDANCES: dict[str, float] = {"sparse": 0.02, "moderate": 0.05, "dense": 0.10}


def fineness_per_m(k: float) -> float:
    """How fast the cover falls with the diameter, ``q``. [1/m]

    Examples
    --------
    >>> f"{fineness_per_m(0.05):.2f}"
    '4.83'
    """
    return 1.79 + 0.152 / k


def cover(k: float, diameter_m: float) -> float:
    """Share of the ground covered by rocks of at least this diameter."""
    return float(k * np.exp(-fineness_per_m(k) * diameter_m))


def count_per_m2(k: float, diameter_m: float) -> float:
    """Rocks of at least this diameter on a square metre, each of the area of a circle. [1/m²]"""
    q = fineness_per_m(k)
    return float(quad(lambda d: k * q * np.exp(-q * d) * 4 / (np.pi * d**2), diameter_m, 10.0)[0])


def draw_diameters_m(
    rng: np.random.Generator, k: float, area_m2: float, smallest_m: float, largest_m: float
) -> Floats:
    """Draw the diameters of the rocks of an area, largest first, shape (N,). [m]"""
    below, above = count_per_m2(k, smallest_m), count_per_m2(k, largest_m)
    count = rng.poisson((below - above) * area_m2)
    wanted = rng.uniform(above, below, size=count)
    found = [brentq(lambda d, n=n: count_per_m2(k, d) - n, smallest_m, largest_m) for n in wanted]
    return np.sort(np.array(found, dtype=np.float64))[::-1]
