"""Hot loops that make gists (``verdict/gist.py``), compiled by numba."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

_Records = NDArray[np.void]


@numba.njit(cache=True, boundscheck=False, nogil=True)
def upper_envelope(
    value: NDArray[np.float64], sigma: NDArray[np.float64], low: float, high: float,
    chosen: NDArray[np.int64],
) -> int:
    """Which are the greatest of ``value + s * sigma`` for some s from ``low`` to ``high``.

    Parameters
    ----------
    value, sigma : ndarray of shape (n,)
        NaN where there is none; never the greatest.
    low, high : float
        Ends of s.
    chosen : ndarray of shape (n,)
        Where to put the places of those found.

    Returns
    -------
    int
        How many.
    """
    best, most = -1, -np.inf
    for i in range(len(value)):
        here = value[i] + low * sigma[i]
        if here > most or (here == most and sigma[i] > sigma[best]):
            best, most = i, here
    count = 0
    while best >= 0:
        chosen[count] = best
        count += 1
        following, at = -1, high
        for i in range(len(value)):
            if not sigma[i] > sigma[best]:
                continue
            cross = (value[best] - value[i]) / (sigma[i] - sigma[best])
            if cross < at or (cross == at and following >= 0 and sigma[i] > sigma[following]):
                following, at = i, cross
        best = following
    return count


@numba.njit(cache=True, boundscheck=False, nogil=True)
def leading_terms(
    value: NDArray[np.float64], own: NDArray[np.float64], stations: int, far: float,
    terms: _Records,
) -> int:
    """Of stations that count once, those that can be the likeliest over a limit, for any limit.

    One is likelier over a limit by at least z sigma exactly if ``value - z * own`` is the greater;
    beyond ``far`` sigma of either sign nothing hangs on it.

    Parameters
    ----------
    value, own : ndarray of shape (k, n)
        Of k demands with the same limit; the error of each station's own.
    stations : int
        So many, one after the other, count once.
    far : float
        Sigmas.
    terms : ndarray of shape (k * n,)
        Where to put value, own error and block of those found.

    Returns
    -------
    int
        How many.
    """
    kinds, n = value.shape
    blocks = -(-n // stations)
    chosen = np.empty(kinds * stations, dtype=np.int64)
    highest = -np.inf  # below which even the surest station cannot be over a limit alone
    for i in range(n):
        for k in range(kinds):
            if value[k, i] - far * own[k, i] > highest:
                highest = value[k, i] - far * own[k, i]
    count = 0
    for block in range(blocks):
        here = slice(block * stations, min((block + 1) * stations, n))
        values, owns = value[:, here].copy().reshape(-1), own[:, here].copy().reshape(-1)
        found = upper_envelope(values, owns, -far, far, chosen)
        if found == 0 or values[chosen[found - 1]] + far * owns[chosen[found - 1]] < highest:
            continue
        for i in chosen[:found]:
            terms[count].value = values[i]
            terms[count].own = owns[i]
            terms[count].block = block
            count += 1
    return count
