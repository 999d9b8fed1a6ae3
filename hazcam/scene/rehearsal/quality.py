"""Errors of what was measured against truth, by distance: bias, spread, and whether sigma is right.

Pure: from the errors of all scenes to a table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.scene.rehearsal.record import Errors, SceneScore

RANGES_M = ((0.3, 0.6), (0.6, 1.0), (1.0, 1.5), (1.5, 2.5))
SIGMAS = (1, 2, 3)
# Share of a Gaussian within 1, 2 and 3 standard deviations.
GAUSSIAN = tuple(math.erf(k / math.sqrt(2)) for k in SIGMAS)
_MAD_TO_SIGMA = 1.4826  # of a Gaussian, the standard deviation over the median absolute deviation


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """Something that is measured and known.

    Attributes
    ----------
    name, unit : str
        In words; the unit of the numbers of its rows.
    attribute : str
        Of ``SceneScore``.
    per_unit : float
        ``unit`` over that of the errors.
    gross : tuple of float
        Errors beyond these are counted. [unit]
    has_cover : bool
        The errors hold NaN where nothing was measured.
    """

    name: str
    unit: str
    attribute: str
    per_unit: float
    gross: tuple[float, float]
    has_cover: bool


QUANTITIES = (
    Quantity(name="disparity", unit="px", attribute="disparity", per_unit=1.0, gross=(1.0, 2.0),
             has_cover=True),
    Quantity(name="elevation", unit="cm", attribute="elevation", per_unit=100.0, gross=(1.0, 2.0),
             has_cover=False),
    Quantity(name="obstacle height", unit="cm", attribute="obstacle_height", per_unit=100.0,
             gross=(1.0, 2.0), has_cover=False),
)
# Its disparities are the truth that the matched ones are held against.
IDEAL_QUANTITIES = tuple(
    replace(quantity, name=f"{quantity.name}, ideal sensor",
            attribute=f"ideal_{quantity.attribute}") for quantity in QUANTITIES[1:])


@dataclass(frozen=True, kw_only=True)
class QualityRow:
    """One quantity in one band of distance.

    Attributes
    ----------
    quantity, unit : str
        What, and in which unit the numbers below are.
    from_m, to_m : float
        Band of distance ahead of the cameras; the first row of a quantity spans all bands. [m]
    scenes, samples, measured : int
        Scenes with a sample; samples; those that were measured.
    cover : float or None
        Share of the samples that were measured; None where only measured ones were kept.
    bias, spread : float
        Median of the errors; 1.4826 times their median absolute deviation from it. NaN without
        any.
    gross : tuple of float
        What ``beyond`` counts.
    beyond : tuple of float
        Share of the measured ones whose error is larger than each of ``gross``.
    within : tuple of float
        Share of those with a sigma whose error is at most 1, 2, 3 of it.
    sigma : float
        Median of the stated standard deviations.
    """

    quantity: str
    unit: str
    from_m: float
    to_m: float
    scenes: int
    samples: int
    measured: int
    cover: float | None
    bias: float
    spread: float
    gross: tuple[float, ...]
    beyond: tuple[float, ...]
    within: tuple[float, ...]
    sigma: float


def pooled(scores: Sequence[SceneScore], quantity: Quantity) -> Errors:
    """The errors of all scenes, in the unit of the quantity."""
    parts: list[Errors] = [getattr(score, quantity.attribute) for score in scores]
    error, sigma, range_m = (
        np.concatenate([np.empty(0, np.float32), *(getattr(part, name) for part in parts)])
        for name in ("error", "sigma", "range_m"))
    scale = np.float32(quantity.per_unit)
    return Errors(error=error * scale, sigma=sigma * scale, range_m=range_m)


def quality_rows(scores: Sequence[SceneScore]) -> tuple[QualityRow, ...]:
    """Each quantity over all distances, then by band."""
    bands = ((RANGES_M[0][0], RANGES_M[-1][1]), *RANGES_M)
    return tuple(_row(scores, quantity, pooled(scores, quantity), band)
                 for quantity in (*QUANTITIES, *IDEAL_QUANTITIES) for band in bands)


def _row(
    scores: Sequence[SceneScore], quantity: Quantity, errors: Errors, band: tuple[float, float]
) -> QualityRow:
    inside = _inside(errors, band)
    error, sigma = errors.error[inside].astype(float), errors.sigma[inside].astype(float)
    known = np.isfinite(error)
    cover = float(known.mean()) if known.size else math.nan
    error, sigma = error[known], sigma[known]
    told = np.isfinite(sigma) & (sigma > 0)
    bias = float(np.median(error)) if error.size else math.nan
    return QualityRow(
        quantity=quantity.name, unit=quantity.unit, from_m=band[0], to_m=band[1],
        scenes=sum(bool(_inside(getattr(s, quantity.attribute), band).any()) for s in scores),
        samples=int(inside.sum()), measured=int(known.sum()),
        cover=cover if quantity.has_cover else None,
        bias=bias, spread=_MAD_TO_SIGMA * _median(np.abs(error - bias)),
        gross=quantity.gross,
        beyond=tuple(_mean(np.abs(error) > limit) for limit in quantity.gross),
        within=tuple(_mean(np.abs(error[told]) <= k * sigma[told]) for k in SIGMAS),
        sigma=_median(sigma[told]),
    )


def _inside(errors: Errors, band: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((errors.range_m >= band[0]) & (errors.range_m < band[1]))


def _median(values: Floats) -> float:
    return float(np.median(values)) if values.size else math.nan


def _mean(values: NDArray[np.bool_]) -> float:
    return float(values.mean()) if values.size else math.nan
