"""Do row offsets bend over the picture, or is it chance? Pure, and the same on every run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.calibration.held_out import shared_points
from hazcam.calibration.solution import RigSolution
from hazcam.frames import Floats, read_only
from hazcam.report.calibration_panels import LEAST_CORNERS

PARTS = 8
# A bend is spoken of where chance gives so large a one this rarely.
RARE = 0.01
_DRAWS = 1023
# Two views with the same signs, or with all signs turned, look alike: of V views chance is at
# least 2 / 2^V, and fewer than this many never get below ``RARE``.
FEWEST_VIEWS = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class Bend:
    """Medians of the held-out row offset along one axis of the left picture.

    Attributes
    ----------
    places_px : ndarray of shape (P,)
        Middles of those eighths of the picture's width or height that hold a few corners. [px]
    medians_px : ndarray of shape (P,)
        Median row offset of the corners there. [px]
    chance : float or None
        Share of the cases in which chance alone makes medians as large. None where there are too
        few views to tell.
    """

    places_px: Floats
    medians_px: Floats
    chance: float | None

    def __post_init__(self) -> None:
        if self.places_px.shape != self.medians_px.shape or self.places_px.ndim != 1:
            raise ValueError("places_px and medians_px of a Bend are not of one shape (P,)")
        for name in ("places_px", "medians_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def beyond_chance(self) -> bool:
        """Is it larger than chance makes it but rarely?"""
        return self.chance is not None and self.chance < RARE


def shared_pixels(solution: RigSolution) -> Floats:
    """Pixels in the left picture of the corners of ``held_out.epipolar_px``, shape (N, 2)."""
    return np.concatenate([shared_points(solution.corners, v)[1]
                           for v in range(len(solution.used))])


def bend_along(solution: RigSolution, axis: int) -> Bend:
    """Medians of the row offset along the columns (axis 0) or the rows (axis 1).

    Corners of one view share what the view does not tell of its pose, so the corners are not
    independent; the views are. Without a bend, the offsets of a view are as likely as the same with
    all their signs turned: signs are drawn view by view, and the sum of the squared medians, each
    by its number of corners, is compared with what these draws give (a sign-flip test; common
    practice, no source).
    """
    offset_px, view = solution.held_out.epipolar_px, solution.held_out.epipolar_view
    length_px = solution.rig.size[axis]
    part = np.clip(PARTS * (shared_pixels(solution)[:, axis] + 0.5) / length_px, 0, PARTS - 1)
    members = {i: np.flatnonzero(part.astype(int) == i) for i in range(PARTS)}
    members = {i: m for i, m in members.items() if len(m) >= LEAST_CORNERS}
    places = np.array([(i + 0.5) * length_px / PARTS - 0.5 for i in members])
    medians = np.array([np.median(offset_px[m]) for m in members.values()])
    if len(np.unique(view)) < FEWEST_VIEWS:
        return Bend(places_px=places, medians_px=medians, chance=None)
    signs = np.random.default_rng(0).choice((-1.0, 1.0), (_DRAWS, len(solution.used)))
    drawn = sum(len(m) * np.median(offset_px[m] * signs[:, view[m]], axis=1)**2
                for m in members.values())
    found = sum(len(m) * one**2 for m, one in zip(members.values(), medians, strict=True))
    # What was found is one of the cases; equal but for rounding counts as equal.
    as_large = int((drawn >= found * (1 - 1e-9)).sum())
    return Bend(places_px=places, medians_px=medians, chance=(1 + as_large) / (1 + _DRAWS))
