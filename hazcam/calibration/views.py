"""Target views: what was found in each, and whether the set can make a rig at all.

A set that cannot is refused with its reason before anything is solved; a view that does not fit the
others is left out with its reason, and the rest goes on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.bundle import Corners
from hazcam.calibration.detect import FEWEST_FOUND, Found
from hazcam.calibration.target import Target
from hazcam.errors import CalibrationError
from hazcam.frames import Floats

# Fewer different pairs leave nothing to hold the solution against (a lens and a pose take 3).
MIN_PAIRS = 5
# Corners of two views nearer to each other than this, on average, are the same view again.
REPEAT_PX = 0.5
_MIRRORED = ("mirrored along the rows", "mirrored down the columns")
_THINNEST_PX = 2.0
# Relative rotations of the two cameras agree within this from view to view, roughly: they are read
# off single views, with a guessed focal length and no distortion.
_AGREE_DEG = 8.0


class Fate(StrEnum):
    """What became of a view."""

    USED = "used"
    LEFT_ONLY = "used, left camera only"
    RIGHT_ONLY = "used, right camera only"
    NOT_FOUND = "target not found"
    DROPPED = "dropped"


@dataclass(frozen=True, kw_only=True, eq=False)
class TargetView:
    """One placing of the target, seen by both cameras or by one.

    Attributes
    ----------
    id : str
        Name of the view, unique in the set.
    left, right : Found or None
        Corners; None where there is no picture, or no target was found in it.
    left_name, right_name : str
        Names of the pictures; empty where there is none.
    again : mapping of str to tuple
        The same corners by other corner methods: name of the method to (left, right).
    """

    id: str
    left: Found | None
    right: Found | None
    left_name: str = ""
    right_name: str = ""
    again: Mapping[str, tuple[Found | None, Found | None]] = field(default_factory=dict)

    @property
    def is_pair(self) -> bool:
        """Was the target found in both pictures?"""
        return self.left is not None and self.right is not None


def corners_of(views: Sequence[TargetView], target: Target, method: str | None = None) -> Corners:
    """The corners of all views, ordered; ``method`` takes those of another corner method."""
    view, right, ids, pixels = [], [], [], []
    for i, one in enumerate(views):
        sides = (one.left, one.right) if method is None else one.again[method]
        for is_right, found in zip((False, True), sides, strict=True):
            if found is not None:
                view.append(np.full(len(found.ids), i))
                right.append(np.full(len(found.ids), is_right))
                ids.append(found.ids)
                pixels.append(found.pixels)
    which = np.concatenate(ids)
    return Corners(view=np.concatenate(view), right=np.concatenate(right), ids=which,
                   points_m=target.points_m[which], pixels=np.concatenate(pixels))


def on_one_line(views: Sequence[TargetView]) -> dict[str, str]:
    """Views in which the points lie on one line of a picture, which has no pose: id to reason."""
    return {view.id: "its points lie on one line of the picture" for view in views
            if any(found is not None and _thickness_px(found) < _THINNEST_PX
                   for found in (view.left, view.right))}


def _thickness_px(found: Found) -> float:
    """How far the points stray from the line that is nearest to all of them. [px]"""
    away = found.pixels - found.pixels.mean(axis=0)
    return float(np.linalg.svd(away, compute_uv=False)[-1] / np.sqrt(len(away)))


def shares_points(view: TargetView) -> bool:
    """Do both pictures of a pair hold enough of the same points?"""
    if view.left is None or view.right is None:
        return False
    return len(np.intersect1d(view.left.ids, view.right.ids)) >= FEWEST_FOUND


def same_points(corners: Corners, those: Corners) -> Corners:
    """The corners that are the same points in the same pictures as ``those``."""
    def key(c: Corners) -> NDArray[np.int64]:
        most = 1 + max(int(corners.ids.max()), int(those.ids.max()))
        return np.asarray((2 * c.view + c.right) * most + c.ids)

    return corners.only(np.isin(key(corners), key(those)))


def repeats(views: Sequence[TargetView]) -> dict[str, str]:
    """Views that show the target where an earlier one does: id to the reason."""
    found: dict[str, str] = {}
    kept: list[TargetView] = []
    for view in views:
        again = next((k for k in kept if _alike(k, view)), None)
        if again is None:
            kept.append(view)
        else:
            found[view.id] = f"repeats {again.id}: the target is at the same place"
    return found


def _alike(a: TargetView, b: TargetView) -> bool:
    sides = [(a.left, b.left), (a.right, b.right)]
    if any((p is None) != (q is None) for p, q in sides):
        return False
    return all(_distance_px(p, q) < REPEAT_PX for p, q in sides if p is not None and q is not None)


def _distance_px(a: Found, b: Found) -> float:
    """Mean distance of the points that both hold; infinite where these are few. [px]"""
    _, i, j = np.intersect1d(a.ids, b.ids, return_indices=True)
    if len(i) < FEWEST_FOUND:
        return float("inf")
    return float(np.linalg.norm(a.pixels[i] - b.pixels[j], axis=1).mean())


# --- do the two cameras agree --------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class _Guess:
    """Relative rotation of the cameras by each pair, as guessed from that pair alone."""

    turns_deg: Floats
    middle_deg: Floats
    away_deg: Floats

    @property
    def agrees(self) -> bool:
        return bool(np.median(self.away_deg) < _AGREE_DEG)


def check_sides(
    pairs: Sequence[TargetView], target: Target, size: tuple[int, int], where: str
) -> dict[str, str]:
    """Do left and right pictures belong together as those of two cameras side by side?

    Returns
    -------
    dict of str to str
        Views whose two pictures do not fit those of the others, with the reason.

    Raises
    ------
    CalibrationError
        The pictures of one camera are mirrored or upside down, or the target's order differs
        between the two throughout.
    """
    guess = _guess(pairs, target, size, "as they are")
    if not guess.agrees:
        _say_what_would_agree(pairs, target, size, where)
        raise CalibrationError(
            where, "left and right pictures do not belong together: the rotation between the "
            f"cameras differs by {np.median(guess.away_deg):.0f}° from view to view",
            "pairs taken at the same moment by two cameras that are fixed to each other",
            "check that the pairs are named right, and that both hold the same target",
        )
    turn = float(np.linalg.norm(guess.middle_deg))
    if turn > 90:
        raise CalibrationError(
            where, f"the right camera is turned by {turn:.0f}° against the left one: the pictures "
            "of one camera are upside down",
            "two cameras that look the same way up",
            "turn the pictures of one camera by 180 degrees, before calibrating and in use",
        )
    return {view.id: _why_apart(away)
            for view, away in zip(pairs, guess.away_deg, strict=True) if away > 3 * _AGREE_DEG}


def _say_what_would_agree(
    pairs: Sequence[TargetView], target: Target, size: tuple[int, int], where: str
) -> None:
    """Raise if the cameras agree once the right pictures are read in another way."""
    if _guess(pairs, target, size, "from the other end").agrees:
        raise CalibrationError(
            where, "the target is ordered from the other end in the pictures of one of the two "
            "cameras", "corners in the same order in both pictures of a pair",
            "reverse the corners of one camera, or take a board whose two ends differ: one even "
            "and one odd number of inner corners",
        )
    if any(_guess(pairs, target, size, how).agrees for how in _MIRRORED):
        raise CalibrationError(
            where, "the pictures of one of the two cameras are mirrored: the cameras agree "
            "only if one side is flipped left to right", "pictures as the cameras took them",
            "switch off the flip of that camera, or flip its pictures back",
        )


def _why_apart(away_deg: float) -> str:
    if away_deg > 150:
        return ("the target is ordered from the other end in one of the two pictures (turned by "
                f"{away_deg:.0f}° against the other views)")
    return (f"the two pictures do not belong together: the cameras would be turned by "
            f"{away_deg:.0f}° against the other views")


def _guess(
    pairs: Sequence[TargetView], target: Target, size: tuple[int, int], how: str
) -> _Guess:
    """The rotation between the cameras if the right pictures are read in a certain way."""
    K = np.array([[size[0], 0, (size[0] - 1) / 2], [0, size[0], (size[1] - 1) / 2], [0, 0, 1.0]])
    turns = []
    for view in pairs:
        assert view.left is not None
        assert view.right is not None
        right = _read(view.right, target, size, how)
        R_left, R_right = (_rotation(found, target, K) for found in (view.left, right))
        turns.append(np.degrees(cv2.Rodrigues(R_right @ R_left.T)[0].ravel()))
    middle = _middle(np.array(turns))
    R_middle = cv2.Rodrigues(np.radians(middle))[0]
    away = [np.degrees(np.linalg.norm(cv2.Rodrigues(cv2.Rodrigues(np.radians(t))[0]
                                                    @ R_middle.T)[0])) for t in turns]
    return _Guess(turns_deg=np.array(turns), middle_deg=middle, away_deg=np.array(away))


def _middle(turns_deg: Floats) -> Floats:
    """The rotation vector that most others are near to: turns by 180 degrees have no mean."""
    R = [cv2.Rodrigues(np.radians(t))[0] for t in turns_deg]
    apart = np.array([[np.linalg.norm(cv2.Rodrigues(a @ b.T)[0]) for b in R] for a in R])
    return np.asarray(turns_deg[int(np.median(apart, axis=1).argmin())])


def _rotation(found: Found, target: Target, K: Floats) -> Floats:
    _, turn, _ = cv2.solvePnP(target.points_m[found.ids], found.pixels, K, np.zeros(5))
    return np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)


def _read(found: Found, target: Target, size: tuple[int, int], how: str) -> Found:
    """What was found, had the picture been flipped back, or the target ordered another way."""
    if how == "as they are":
        return found
    column, row = found.ids % target.columns, found.ids // target.columns
    pixels = found.pixels
    # In a mirrored picture the order is that of a target that is mirrored as well: along its rows
    # or down its columns, by what its colours make of it.
    if how in _MIRRORED:
        pixels = np.column_stack([size[0] - 1 - pixels[:, 0], pixels[:, 1]])
    if how in ("from the other end", "mirrored along the rows"):
        column = target.columns - 1 - column
    if how in ("from the other end", "mirrored down the columns"):
        row = target.rows - 1 - row
    ids = row * target.columns + column
    order = np.argsort(ids)
    return Found(ids=ids[order], pixels=pixels[order])
