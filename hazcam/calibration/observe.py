"""Observe: the target in each picture, by the corner method in use and by others beside it.

What another window of the sub-pixel refinement makes of the same pictures tells how much the
choice of the corner method moves the calibration: it is part of what is not known, and no noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from hazcam.calibration.detect import Found, find_target, refine, window_for
from hazcam.calibration.target import Target
from hazcam.imagery.pair import Picture

# Other windows of the refinement, as shares of the spacing of the corners: as wide apart as people
# use them, and no wider than that corners stay apart.
OTHER_WINDOWS = {"half window of 0.2 of the spacing": 0.2, "half window of 0.4 of the spacing": 0.4}


@dataclass(frozen=True, kw_only=True, eq=False)
class Observed:
    """The target in one picture.

    Attributes
    ----------
    found : Found or None
        None where the target is not there.
    again : dict of str to Found
        The same points by other corner methods; empty where there are none (circles).
    """

    found: Found | None
    again: dict[str, Found]


def observe(picture: Picture, target: Target, half_window_px: int | None = None) -> Observed:
    """Find and refine the target in one picture; see ``refine`` for the window."""
    rough = find_target(picture, target)
    if rough is None:
        return Observed(found=None, again={})
    found = refine(picture, rough, target, half_window_px)
    if not target.has_squares:
        return Observed(found=found, again={})
    return Observed(found=found, again={
        name: refine(picture, rough, target, window_for(rough, target, share))
        for name, share in OTHER_WINDOWS.items()})


def observe_all(
    pictures: Sequence[Picture], target: Target, half_window_px: int | None = None, *,
    workers: int | None = None,
) -> list[Observed]:
    """``observe`` each picture, several at a time: OpenCV does not hold Python back.

    The result does not depend on the number of workers.
    """
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(lambda p: observe(p, target, half_window_px), pictures))
