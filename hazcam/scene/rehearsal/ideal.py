"""The ideal sensor: what a perfect matcher would find, from the depth that was rendered.

It sees through the true lenses from the true places, and is read with the calibration that the
rover believes, as any matcher is: a drift of the rig or another baseline are in its disparities.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.rig import StereoRig
from hazcam.disparity import Blank, DisparityMap
from hazcam.frames import Floats, Pose
from hazcam.rectification import RectifiedPair
from hazcam.scene.camera import Camera, pixels_of, rays_of
from hazcam.scene.truth import SceneTruth, TrueDepth

# What a matcher reaches on good texture. Our own choice: small beside all else, and not zero.
IDEAL_SIGMA_PX = 0.05
# Neighbours in the picture whose disparities differ by more than this, or by more than twice what
# the rows of flat ground differ by, lie on two surfaces. Our own choice.
_EDGE_PX, _EDGE_ROWS = 1.0, 2.0
_HERE = Pose(R=np.eye(3), t=np.zeros(3))

Mask = NDArray[np.bool_]


def ideal_disparity(
    depth: TrueDepth, truth: SceneTruth, rectified: RectifiedPair, rig: StereoRig
) -> DisparityMap:
    """Disparities by truth with a sigma of ``IDEAL_SIGMA_PX``, and why a pixel has none.

    Blank is ``DISAGREE`` what is hidden from the right camera, ``EDGE`` what lies outside one of
    the pictures, ``OUT_OF_RANGE`` the sky.

    Parameters
    ----------
    depth, truth, rectified, rig
        As for ``true_disparity``.
    """
    sight = _look(depth, truth, rectified, rig)
    disparity = sight.disparity_px(rectified).astype(np.float32)
    blank = np.full(disparity.shape, Blank.DISAGREE, dtype=np.uint8)
    blank[np.isnan(sight.x_right)] = Blank.OUT_OF_RANGE
    blank[sight.outside] = Blank.EDGE
    matched = np.isfinite(disparity)
    blank[matched] = Blank.MATCHED
    sigma = np.where(matched, np.float32(IDEAL_SIGMA_PX), np.float32(np.nan))
    return DisparityMap(disparity_px=disparity, sigma_px=sigma, blank=blank,
                        matcher=f"ideal(sigma {IDEAL_SIGMA_PX:g} px, from the rendered depth)")


def true_disparity(
    depth: TrueDepth, truth: SceneTruth, rectified: RectifiedPair, rig: StereoRig
) -> Floats:
    """Disparity that a perfect matcher would find on the rectified left picture.

    Parameters
    ----------
    depth : TrueDepth
        Of the raw left picture.
    truth : SceneTruth
        Has the true cameras.
    rectified : RectifiedPair
        The pictures as the rover rectifies them; only their geometry is used.
    rig : StereoRig
        As the rover believes it to be: the one that they were rectified with.

    Returns
    -------
    ndarray of shape (H, W), float64
        ``x_left - x_right``. [px] NaN for sky, for what the right camera does not see, and
        outside either picture.

    Raises
    ------
    ValueError
        The depth is not of the size of the rig's pictures.
    """
    return _look(depth, truth, rectified, rig).disparity_px(rectified)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sight:
    """Where each pixel of the rectified left picture lies in the right one, all (H, W).

    ``x_right`` is NaN for sky; ``shared``: the right camera sees it; ``outside``: of a picture.
    """

    x_right: Floats
    shared: Mask
    outside: Mask

    def disparity_px(self, rectified: RectifiedPair) -> Floats:
        columns = np.arange(rectified.camera.width)
        return np.where(self.shared & ~self.outside, columns - self.x_right, np.nan)


def _look(
    depth: TrueDepth, truth: SceneTruth, rectified: RectifiedPair, rig: StereoRig
) -> _Sight:
    if depth.depth_m.shape != rig.size[::-1]:
        raise ValueError(f"the depth is of shape {depth.depth_m.shape}, the rig's pictures are "
                         f"{rig.size} px")
    shape = (rectified.camera.height, rectified.camera.width)
    raw = _raw_left(rectified, rig)
    inverse, row, column = _inverse_depth(depth, truth, rectified, raw)
    met = np.isfinite(inverse) & rectified.view.valid_left.ravel()
    left, right = truth.cameras
    rays = np.column_stack([rays_of(left, raw[met]), np.ones(int(met.sum()))])
    places = left.T_level_camera.apply(rays / inverse[met, None])
    across = np.full((met.size, 2), np.nan)
    across[met] = _rectified_right(pixels_of(right, places)[0], rectified, rig)
    x, y = across.T
    outside = ~rectified.view.valid_left.ravel() | (met & ~_in_right(x, y, rectified))
    return _Sight(x_right=x.reshape(shape), outside=outside.reshape(shape),
                  shared=(met & depth.shared[row, column]).reshape(shape))


def _raw_left(rectified: RectifiedPair, rig: StereoRig) -> Floats:
    """Pixel of the left picture as taken, for each rectified one, (N, 2). [px]"""
    camera = rectified.camera
    rows, columns = np.indices((camera.height, camera.width))
    rays = rectified.T_camera_rectified.apply(camera.rays(columns, rows).reshape(-1, 3))
    believed = Camera(K=rig.K1, D=rig.D1, size=rig.size, T_level_camera=_HERE, model=rig.model)
    return pixels_of(believed, rays)[0]


def _inverse_depth(
    depth: TrueDepth, truth: SceneTruth, rectified: RectifiedPair, raw: Floats
) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Inverse depth at raw pixels [1/m], NaN for sky; row and column of the nearest pixel.

    Inverse depth is linear in the pixel on a plane. Across an edge the nearest pixel speaks: there
    is nothing halfway.
    """
    height, width = depth.depth_m.shape
    x = np.clip(np.nan_to_num(raw[:, 0]), 0, width - 1)
    y = np.clip(np.nan_to_num(raw[:, 1]), 0, height - 1)
    column, row = (np.minimum(v.astype(np.intp), end - 2) for v, end in ((x, width), (y, height)))
    inverse = 1 / depth.depth_m
    corners = np.stack([inverse[row + i, column + j] for i in (0, 1) for j in (0, 1)])
    right, down = x - column, y - row
    weights = np.stack([(1 - right) * (1 - down), right * (1 - down), (1 - right) * down,
                        right * down])
    near_row, near_column = np.rint(y).astype(np.intp), np.rint(x).astype(np.intp)
    jump = corners.max(axis=0) - corners.min(axis=0)  # NaN beside the sky
    with np.errstate(invalid="ignore"):
        smooth = jump <= _largest_jump_per_m(truth, rectified)
    return (np.where(smooth, (weights * corners).sum(axis=0), inverse[near_row, near_column]),
            near_row, near_column)


def _largest_jump_per_m(truth: SceneTruth, rectified: RectifiedPair) -> float:
    """By how much the inverse depths of neighbours on one surface differ at most. [1/m]"""
    camera = rectified.camera
    height_m = max(float(truth.cameras[0].T_level_camera.t[2]), 1e-3)
    jump_px = max(_EDGE_PX, _EDGE_ROWS * camera.baseline_m / height_m)
    return jump_px / (camera.focal_px * camera.baseline_m)


def _rectified_right(pixels: Floats, rectified: RectifiedPair, rig: StereoRig) -> Floats:
    """Raw pixels of the right picture on the rectified one, as the rover believes, (N, 2). [px]"""
    camera = rectified.camera
    believed = Camera(K=rig.K2, D=rig.D2, size=rig.size, T_level_camera=_HERE, model=rig.model)
    rays = np.column_stack([rays_of(believed, pixels), np.ones(len(pixels))])
    # both rectified cameras look the same way: R_rect_left @ x = R_rect_right @ (rig.R @ x)
    turned = rays @ (rectified.T_camera_rectified.R.T @ rig.R.T).T
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = camera.focal_px * turned[:, :2] / turned[:, 2:]
    return np.asarray(flat + np.array([camera.cx + camera.offset_px, camera.cy]))


def _in_right(x: Floats, y: Floats, rectified: RectifiedPair) -> Mask:
    """Whether places lie in what the right lens saw; the row may be off by half a pixel."""
    camera = rectified.camera
    with np.errstate(invalid="ignore"):
        inside = (x >= 0) & (x <= camera.width - 1) & (y > -0.5) & (y < camera.height - 0.5)
    column, row = (np.rint(np.where(inside, v, 0)).astype(np.intp) for v in (x, y))
    return np.asarray(inside & rectified.view.valid_right[row, column])
