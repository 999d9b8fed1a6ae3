"""The verdict on a solved rig, and what to photograph next, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from hazcam.calibration.advice import AT_M, Proposal
from hazcam.calibration.coverage import Coverage
from hazcam.calibration.effect import sigma_of_points
from hazcam.calibration.flatness import Flatness
from hazcam.calibration.held_out import HeldOut
from hazcam.calibration.rig import StereoRig

# Rows that lie this far off on average cost the matcher its accuracy (our measurement on public
# pairs: half a pixel of spread multiplies its gross errors).
GOOD_EPIPOLAR_PX = 0.25
# A share of the range, for the length of an edge of the target, held out: 5 mm at 1 m.
GOOD_SCALE = 0.005
# What the calibration alone leaves open of heights at 1 m: half of what an attitude known to 0.5
# degrees does.
GOOD_HEIGHT_SIGMA_M = 0.005
# Common practice, no source: beyond the outermost corners a lens model is a guess.
GOOD_COVERAGE = 0.8


def verdict_text(rig: StereoRig, held_out: HeldOut, coverage: Coverage) -> str:
    """Is the rig good enough to rely on; what speaks against it."""
    against = _against(rig, held_out, coverage)
    if not against:
        return "good enough to rely on: rows, edges, heights at 1 m and coverage are within limits"
    return f"not good enough yet: {'; '.join(against)}"


def height_sigma_m(rig: StereoRig) -> float:
    """What the covariance leaves open of heights at 1 m, at most, over nine tenths of the picture.

    NaN where both cameras see nothing at 1 m. [m]

    Raises
    ------
    RigError
        The rig states no covariance.
    """
    sigma = sigma_of_points(rig, (AT_M,))[0].height_sigma_m
    known = sigma[np.isfinite(sigma)]
    return float(np.percentile(known, 90)) if known.size else float("nan")


def _against(rig: StereoRig, held_out: HeldOut, coverage: Coverage) -> list[str]:
    offset = float(np.abs(held_out.epipolar_px).mean())
    scale = abs(float(held_out.edges.mean()) - 1)
    height = height_sigma_m(rig)
    against = []
    # Compared so that what is not known, NaN, is not good.
    if not offset <= GOOD_EPIPOLAR_PX:
        against.append(f"held-out corners lie {offset:.2f} px off their rows on average (limit "
                       f"{GOOD_EPIPOLAR_PX:.2f} px)")
    if not scale <= GOOD_SCALE:
        against.append(f"edges of the target come out wrong by {100 * scale:.1f} % (limit "
                       f"{100 * GOOD_SCALE:.1f} %)")
    if not height <= GOOD_HEIGHT_SIGMA_M:
        against.append(f"heights at {AT_M:g} m are known to {1e3 * height:.1f} mm only, over nine "
                       f"tenths of the picture (limit {1e3 * GOOD_HEIGHT_SIGMA_M:.0f} mm)")
    if coverage.share < GOOD_COVERAGE:
        against.append(f"corners in {100 * coverage.share:.0f} % of the picture only (limit "
                       f"{100 * GOOD_COVERAGE:.0f} %): elsewhere the lens is extrapolated")
    return against


def advice_texts(
    coverage: Coverage, proposals: Sequence[Proposal], spread: float, hardest: str,
    flatness: Flatness, outliers: dict[str, str],
) -> tuple[str, ...]:
    """What to do next, the most useful first."""
    texts: list[str] = []
    empty = [f"{_sides(cells == 0)} of the {name} picture"
             for name, cells in (("left", coverage.left), ("right", coverage.right))
             if (cells == 0).any()]
    bring = f"bring the target where no corner lies yet: {' and '.join(empty)}"
    if empty and coverage.share < GOOD_COVERAGE:
        texts.append(bring)
    if outliers:
        texts.append(f"look at {', '.join(sorted(outliers))}: "
                     f"{'it does' if len(outliers) == 1 else 'they do'} not fit the others")
    if flatness.significant:
        texts.append(f"the target is bowed, by {1e3 * flatness.bow_m:.2f} ± "
                     f"{1e3 * flatness.sigma_m:.2f} mm (sigmas are widened by what that does): "
                     "glue it to something flat, and photograph it anew")
    if spread > 1:
        texts.append(f"the views disagree {np.sqrt(spread):.1f} times as much as the noise of "
                     f"their corners explains, {hardest} most of all (sigmas are widened by that): "
                     "see that "
                     "nothing moves or blurs, and that both cameras expose at the same moment")
    if empty and bring not in texts:
        texts.append(bring)
    texts += _proposal_texts(proposals)
    if not proposals:
        texts.append("another single view of this target adds little")
    return tuple(texts)


def _sides(empty: np.ndarray) -> str:
    """How many cells are empty, and which rims of the picture hold most of them."""
    height, width = empty.shape
    parts = [word for word, part in (
        ("upper", empty[: height // 3]), ("lower", empty[-(height // 3):]),
        ("left", empty[:, : width // 3]), ("right", empty[:, -(width // 3):]),
    ) if part.mean() > empty.mean()]
    rims = f"at the {' and the '.join(parts)} rim" if len(parts) in (1, 2) else "along the rims"
    return f"{int(empty.sum())} of {empty.size} cells, most {rims},"


def _proposal_texts(proposals: Sequence[Proposal]) -> list[str]:
    """One text for each different photograph, with how often it is wanted."""
    wanted = Counter((p.place, round(p.distance_m, 2), p.tilt) for p in proposals)
    texts = []
    for (place, distance_m, tilt), times in wanted.items():
        after_m = [p.after_m for p in proposals if (p.place, p.tilt) == (place, tilt)][-1]
        often = "" if times == 1 else f", {times} times, each a little elsewhere"
        texts.append(f"photograph the target {distance_m:.2f} m away, {_in_picture(place)}, {tilt}"
                     f"{often}: the root mean square sigma of ranges at {AT_M:g} m, over the whole "
                     f"picture, would fall to {1e3 * after_m:.1f} mm (now "
                     f"{1e3 * proposals[0].before_m:.1f} mm)")
    return texts


def _in_picture(place: str) -> str:
    """Where in the left picture, in words.

    Examples
    --------
    >>> _in_picture("lower right"), _in_picture("middle")
    ('at the lower right of the left picture', 'in the middle of the left picture')
    """
    return f"{'in the' if place == 'middle' else 'at the'} {place} of the left picture"
