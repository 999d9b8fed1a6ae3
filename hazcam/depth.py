"""PointMap: depth and points with covariance, from disparity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hazcam.disparity.record import Blank, DisparityMap
from hazcam.frames import Floats, Pose, View, read_only
from hazcam.rectification import CommonView, RectifiedCamera, RectifiedPair

# A matched pixel stands for a window: where in it the surface point lies. Our own estimate.
PIXEL_SIGMA_PX = 0.3


@dataclass(frozen=True, kw_only=True, eq=False)
class PointMap:
    """The surface point of each pixel of the rectified left picture.

    Attributes
    ----------
    depth_m, sigma_z_m : ndarray of shape (H, W), float32
        Depth along the optical axis of the rectified left camera, and one standard deviation.
        [m] NaN where there is no disparity.
    points_level_m : ndarray of shape (H, W, 3), float32
        Points in the level frame. [m] NaN where there is no disparity.
    covariance_level_m2 : ndarray of shape (H, W, 6), float32
        xx, xy, xz, yy, yz, zz of each point's covariance in the level frame, from the matching
        alone: what all points share (attitude, mount, focal length, baseline) is not in it.
        [m²]
    blank : ndarray of shape (H, W), uint8
        ``Blank`` of each pixel.
    common_view : CommonView
        Geometry of the pictures, and which pixels each lens saw.
    T_rover_camera : Pose
        Rectified left camera to rover frame.
    view : View
        Attitude, and how well it is known.
    """

    depth_m: NDArray[np.float32]
    sigma_z_m: NDArray[np.float32]
    points_level_m: NDArray[np.float32]
    covariance_level_m2: NDArray[np.float32]
    blank: NDArray[np.uint8]
    common_view: CommonView
    T_rover_camera: Pose
    view: View

    def __post_init__(self) -> None:
        shape = (self.camera.height, self.camera.width)
        sizes = {"depth_m": shape, "sigma_z_m": shape, "points_level_m": (*shape, 3),
                 "covariance_level_m2": (*shape, 6), "blank": shape}
        for name, size in sizes.items():
            value = getattr(self, name)
            if value.shape != size:
                raise ValueError(f"{name} of a PointMap is {value.shape}, not {size}")
            object.__setattr__(self, name, read_only(value))

    @property
    def camera(self) -> RectifiedCamera:
        """Geometry of the pictures."""
        return self.common_view.camera

    @property
    def T_level_camera(self) -> Pose:
        """Rectified left camera to level frame."""
        return self.view.T_level_rover @ self.T_rover_camera

    @property
    def points_rover_m(self) -> Floats:
        """Points in the rover frame, shape (H, W, 3). [m]"""
        return self.view.T_level_rover.inverse().apply(self.points_level_m)


def depth_sigma_m(camera: RectifiedCamera, depth_m: ArrayLike, sigma_px: ArrayLike) -> Floats:
    """``sigma_Z = Z² sigma_d / (f B)``, to first order. [m]

    References
    ----------
    L. Matthies and S. Shafer, "Error modeling in stereo navigation," IEEE J. Robotics and
    Automation 3(3):239-248, 1987, doi:10.1109/JRA.1987.1087097.
    """
    depth = np.asarray(depth_m, dtype=np.float64)
    return np.asarray(depth**2 * np.asarray(sigma_px) / (camera.focal_px * camera.baseline_m))


def point_jacobian(
    camera: RectifiedCamera, columns: ArrayLike, rows: ArrayLike, disparity_px: ArrayLike
) -> Floats:
    """d(X, Y, Z)/d(u, v, d) in the camera frame, shape (..., 3, 3). [m/px]"""
    shifted = np.asarray(disparity_px, dtype=np.float64) + camera.offset_px
    scale = camera.baseline_m / shifted
    x = (np.asarray(columns, dtype=np.float64) - camera.cx) * scale / shifted
    y = (np.asarray(rows, dtype=np.float64) - camera.cy) * scale / shifted
    z = camera.focal_px * scale / shifted
    zero = np.zeros_like(scale)
    rows_of_j = [(scale, zero, -x), (zero, scale, -y), (zero, zero, -z)]
    return np.stack([np.stack(np.broadcast_arrays(*row), axis=-1) for row in rows_of_j], axis=-2)


def triangulate(disparity: DisparityMap, rectified: RectifiedPair, view: View) -> PointMap:
    """Points with covariance in the level frame.

    The covariance is ``J diag(su², su², sd²) Jᵀ`` turned to the level frame (error propagation
    to first order: R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed. 2004, ch. 5).
    """
    camera = rectified.camera
    T_rover_camera = view.T_rover_camera @ rectified.T_camera_rectified
    T_level_camera = view.T_level_rover @ T_rover_camera
    depth = camera.depth_m(disparity.disparity_px)
    rows, columns = np.indices(depth.shape)
    points = T_level_camera.apply(camera.rays(columns, rows) * depth[..., None])
    covariance = np.full((*depth.shape, 6), np.nan, dtype=np.float32)
    known = np.isfinite(depth)
    behind = ~known & (disparity.blank == Blank.MATCHED)  # no point has such a disparity
    matched_rows, matched_columns = np.nonzero(known)
    J = T_level_camera.R @ point_jacobian(
        camera, matched_columns, matched_rows, disparity.disparity_px[known]
    )
    sigma = np.full((J.shape[0], 3), PIXEL_SIGMA_PX)
    sigma[:, 2] = disparity.sigma_px[known]
    root = J * sigma[:, None, :]
    full = root @ root.swapaxes(1, 2)
    upper = np.triu_indices(3)
    covariance[known] = full[:, upper[0], upper[1]]
    return PointMap(
        depth_m=depth.astype(np.float32),
        sigma_z_m=depth_sigma_m(camera, depth, disparity.sigma_px).astype(np.float32),
        points_level_m=points.astype(np.float32),
        covariance_level_m2=covariance,
        blank=np.where(behind, np.uint8(Blank.OUT_OF_RANGE), disparity.blank),
        common_view=rectified.view,
        T_rover_camera=T_rover_camera, view=view,
    )
