"""RectifiedPair: both pictures on one image plane, rows on rows.

An already rectified pair (no distortion, no rotation, the right camera straight to the right,
equal focal lengths) is taken as it is, without resampling. Any other is resampled once to the
plane that Bouguet's method (``cv2.stereoRectify``) finds, at the mean focal length of the two
cameras, on a canvas that holds what both lenses saw; the valid area is known per pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from hazcam.calibration.rig import StereoRig
from hazcam.frames import Floats, Pose, read_only
from hazcam.imagery.intake import Intake, full_scale
from hazcam.imagery.pair import StereoPair

# The canvas may grow to this many times the picture before its rim is cut.
MAX_CANVAS_GROWTH = 1.5


@dataclass(frozen=True, kw_only=True)
class RectifiedCamera:
    """The two rectified cameras: one focal length, one row for one ray.

    Attributes
    ----------
    focal_px : float
        Focal length, the same for both and for both axes. [px]
    cx, cy : float
        Principal point of the left camera; a pixel centre is an integer. [px]
    offset_px : float
        ``cx_right - cx``: ``Z = focal_px * baseline_m / (d + offset_px)``. [px]
    baseline_m : float
        Distance of the projection centres. [m]
    width, height : int
        Size of the rectified pictures. [px]

    References
    ----------
    D. Scharstein et al., "High-resolution stereo datasets with subpixel-accurate ground truth,"
    GCPR 2014, for the rule with the offset.
    """

    focal_px: float
    cx: float
    cy: float
    offset_px: float
    baseline_m: float
    width: int
    height: int

    def depth_m(self, disparity_px: ArrayLike) -> Floats:
        """Depth along the optical axis from disparity; NaN where it is not in front. [m]"""
        shifted = np.asarray(disparity_px, dtype=np.float64) + self.offset_px
        with np.errstate(divide="ignore", invalid="ignore"):
            depth = self.focal_px * self.baseline_m / shifted
        return np.where(np.isfinite(shifted) & (shifted > 0), depth, np.nan)

    def rays(self, columns: ArrayLike, rows: ArrayLike) -> Floats:
        """Directions with z = 1 in the left camera frame, shape (..., 3)."""
        x = (np.asarray(columns, dtype=np.float64) - self.cx) / self.focal_px
        y = (np.asarray(rows, dtype=np.float64) - self.cy) / self.focal_px
        return np.stack(np.broadcast_arrays(x, y, 1.0), axis=-1)

    def plane_disparity(
        self, T_frame_camera: Pose, plane: tuple[float, float, float],
        columns: ArrayLike, rows: ArrayLike,
    ) -> Floats:
        """Disparity at which the plane ``z = c + a x + b y`` of a frame would be seen.

        Parameters
        ----------
        T_frame_camera : Pose
            Left camera to the frame in which the plane is given.
        plane : tuple of float
            ``(c, a, b)``, c in m. The camera must be above the plane.
        columns, rows : array_like
            Pixels of the rectified left picture, broadcast.

        Returns
        -------
        ndarray
            Disparity. [px] Values at or below ``-offset_px`` are above the plane's horizon.

        Raises
        ------
        ValueError
            If the camera is not above the plane.
        """
        c, a, b = plane
        tx, ty, tz = T_frame_camera.t
        height_m = tz - (c + a * tx + b * ty)
        if height_m <= 0:
            raise ValueError(f"the camera is {-height_m:.3f} m below the plane")
        # How fast a ray falls towards the plane is linear in its direction, so in the pixel too.
        gx, gy, gz = T_frame_camera.R.T @ np.array([a, b, -1.0])
        scale = self.baseline_m / height_m
        along_row = scale * gx * (np.asarray(columns, dtype=np.float64) - self.cx)
        along_column = scale * gy * (np.asarray(rows, dtype=np.float64) - self.cy)
        return np.asarray(along_row + along_column + scale * gz * self.focal_px - self.offset_px)


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonView:
    """What a rig sees with both cameras, whatever the pictures hold.

    Attributes
    ----------
    camera : RectifiedCamera
        Geometry of the rectified pictures.
    valid_left, valid_right : ndarray of shape (H, W), bool
        Pixels that each lens saw.
    T_camera_rectified : Pose
        Rectified left camera to left camera as built.
    """

    camera: RectifiedCamera
    valid_left: NDArray[np.bool_]
    valid_right: NDArray[np.bool_]
    T_camera_rectified: Pose


@dataclass(frozen=True, kw_only=True, eq=False)
class RectifiedPair:
    """Two pictures on one image plane.

    Attributes
    ----------
    left, right : ndarray of shape (H, W), float32
        Grey levels on the scale of an 8-bit picture.
    state_left, state_right : ndarray of shape (H, W), uint8
        ``PixelState`` of the picture at that pixel.
    view : CommonView
        Geometry of both, and which pixels each lens saw.
    resampled : bool
        False for a pair that was taken as it came.
    """

    left: NDArray[np.float32]
    right: NDArray[np.float32]
    state_left: NDArray[np.uint8]
    state_right: NDArray[np.uint8]
    view: CommonView
    resampled: bool

    @property
    def camera(self) -> RectifiedCamera:
        """Geometry of both pictures."""
        return self.view.camera

    @property
    def T_camera_rectified(self) -> Pose:
        """Rectified left camera to left camera as built."""
        return self.view.T_camera_rectified

    def __post_init__(self) -> None:
        shape = (self.camera.height, self.camera.width)
        for name in ("left", "right", "state_left", "state_right"):
            value = getattr(self, name)
            if value.shape != shape:
                raise ValueError(f"{name} of a RectifiedPair is {value.shape}, not {shape}")
            object.__setattr__(self, name, read_only(value))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Plane:
    """The common image plane and the maps that take each picture to it."""

    camera: RectifiedCamera
    R_left: Floats
    maps_left: tuple[NDArray[np.float32], NDArray[np.float32]]
    maps_right: tuple[NDArray[np.float32], NDArray[np.float32]]


def is_rectified(rig: StereoRig) -> bool:
    """Is the rig's pair rectified as it comes?"""
    same_focal = np.allclose([rig.K1[0, 0], rig.K1[1, 1], rig.K2[0, 0], rig.K2[1, 1]],
                             rig.K1[0, 0], rtol=1e-9)
    straight = np.allclose(rig.R, np.eye(3), atol=1e-9) and np.allclose(rig.T[1:], 0, atol=1e-9)
    undistorted = not (np.any(rig.D1) or np.any(rig.D2)) and rig.model != "fisheye"
    return bool(same_focal and straight and undistorted and rig.K1[1, 2] == rig.K2[1, 2])


def rectify(
    pair: StereoPair, rig: StereoRig, intake: Intake, *, exact: bool = False
) -> RectifiedPair:
    """Bring both pictures to one image plane.

    Parameters
    ----------
    pair : StereoPair
        With both pictures, of the size of ``rig``.
    rig : StereoRig
        Already moved and scaled to the pair's window and binning.
    intake : Intake
        The state of each pixel.
    exact : bool
        Resample by cubic B-splines, for some ten times the work: OpenCV's cubic kernel does not
        keep a ramp, and moves a picture by up to 0.04 px by the fraction of the pixel, which
        matters where hundredths of a pixel are measured.
    """
    if pair.left is None or pair.right is None:
        raise ValueError("rectification needs both pictures")
    if intake.left_state is None or intake.right_state is None:
        raise ValueError("rectification needs the intake of both pictures")
    if pair.size != rig.size:
        raise ValueError(f"the pair is {pair.size} px, the rig {rig.size} px")
    scale = np.float32(255.0 / full_scale(pair))
    left, right = pair.left.astype(np.float32) * scale, pair.right.astype(np.float32) * scale
    if is_rectified(rig):
        return RectifiedPair(left=left, right=right, state_left=intake.left_state,
                             state_right=intake.right_state, view=common_view(rig),
                             resampled=False)
    plane = _common_plane(rig)
    finely = _resample_exactly if exact else _resample_cubic
    return RectifiedPair(
        left=finely(left, plane.maps_left), right=finely(right, plane.maps_right),
        state_left=_resample(intake.left_state, plane.maps_left, cv2.INTER_NEAREST),
        state_right=_resample(intake.right_state, plane.maps_right, cv2.INTER_NEAREST),
        view=_view_of(plane, rig), resampled=True,
    )


def common_view(rig: StereoRig) -> CommonView:
    """What both cameras of a rig see, from the rig alone."""
    if not is_rectified(rig):
        return _view_of(_common_plane(rig), rig)
    camera = _camera_as_is(rig)
    everywhere = np.ones((camera.height, camera.width), dtype=bool)
    return CommonView(camera=camera, valid_left=everywhere, valid_right=everywhere,
                      T_camera_rectified=Pose(R=np.eye(3), t=np.zeros(3)))


def _view_of(plane: _Plane, rig: StereoRig) -> CommonView:
    return CommonView(
        camera=plane.camera, valid_left=_inside(plane.maps_left, rig.size),
        valid_right=_inside(plane.maps_right, rig.size),
        T_camera_rectified=Pose(R=plane.R_left.T, t=np.zeros(3)),
    )


def _camera_as_is(rig: StereoRig) -> RectifiedCamera:
    return RectifiedCamera(
        focal_px=float(rig.K1[0, 0]), cx=float(rig.K1[0, 2]), cy=float(rig.K1[1, 2]),
        offset_px=float(rig.K2[0, 2] - rig.K1[0, 2]), baseline_m=rig.baseline_m,
        width=rig.size[0], height=rig.size[1],
    )


def _common_plane(rig: StereoRig) -> _Plane:
    find = cv2.fisheye.stereoRectify if rig.model == "fisheye" else cv2.stereoRectify
    found = find(rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R, rig.T.reshape(3, 1),
                 flags=cv2.CALIB_ZERO_DISPARITY)
    R1, R2 = (np.asarray(R, dtype=np.float64) for R in found[:2])
    focal = float(np.mean([rig.K1[0, 0], rig.K1[1, 1], rig.K2[0, 0], rig.K2[1, 1]]))
    K, size = _canvas(rig, R1, R2, focal)
    camera = RectifiedCamera(
        focal_px=focal, cx=float(K[0, 2]), cy=float(K[1, 2]), offset_px=0.0,
        baseline_m=rig.baseline_m, width=size[0], height=size[1],
    )
    return _Plane(
        camera=camera, R_left=R1,
        maps_left=_maps(rig, rig.K1, rig.D1, R1, K, size),
        maps_right=_maps(rig, rig.K2, rig.D2, R2, K, size),
    )


def _canvas(rig: StereoRig, R1: Floats, R2: Floats, focal: float) -> tuple[Floats, tuple[int, int]]:
    """Camera matrix and size of the picture that holds what both lenses saw."""
    rims = np.vstack([_rim(rig, rig.K1, rig.D1, R1), _rim(rig, rig.K2, rig.D2, R2)]) * focal
    low, high = rims.min(axis=0), rims.max(axis=0)
    # About the middle of what was seen: a window may lie far from the principal point.
    middle, room = (low + high) / 2, np.array(rig.size) * MAX_CANVAS_GROWTH / 2
    low = np.floor(np.maximum(low, middle - room))
    high = np.ceil(np.minimum(high, middle + room))
    K = np.array([[focal, 0.0, -low[0]], [0.0, focal, -low[1]], [0.0, 0.0, 1.0]])
    width, height = (high - low + 1).astype(int)
    return K, (int(width), int(height))


def _rim(rig: StereoRig, K: Floats, D: Floats, R: Floats) -> Floats:
    """Rim of the picture in normalised coordinates of the common plane, shape (N, 2)."""
    w, h = rig.size
    x, y = np.linspace(0, w - 1, 33), np.linspace(0, h - 1, 33)
    rim = np.vstack([np.column_stack([x, np.full_like(x, v)]) for v in (0, h - 1)]
                    + [np.column_stack([np.full_like(y, v), y]) for v in (0, w - 1)])
    undistort = cv2.fisheye.undistortPoints if rig.model == "fisheye" else cv2.undistortPoints
    points = undistort(rim.reshape(-1, 1, 2), K, D, R=R)
    return np.asarray(points, dtype=np.float64).reshape(-1, 2)


def _maps(
    rig: StereoRig, K: Floats, D: Floats, R: Floats, K_new: Floats, size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    if rig.model == "fisheye":
        maps = cv2.fisheye.initUndistortRectifyMap(K, D, R, K_new, size, cv2.CV_32FC1)
    else:
        maps = cv2.initUndistortRectifyMap(K, D, R, K_new, size, cv2.CV_32FC1)
    return np.asarray(maps[0], dtype=np.float32), np.asarray(maps[1], dtype=np.float32)


def _inside(
    maps: tuple[NDArray[np.float32], NDArray[np.float32]], size: tuple[int, int]
) -> NDArray[np.bool_]:
    x, y = maps
    return (x >= 0) & (x <= size[0] - 1) & (y >= 0) & (y <= size[1] - 1)


def _resample_cubic(
    picture: NDArray[np.float32], maps: tuple[NDArray[np.float32], NDArray[np.float32]]
) -> NDArray[np.float32]:
    return _resample(picture, maps, cv2.INTER_CUBIC)


def _resample_exactly(
    picture: NDArray[np.float32], maps: tuple[NDArray[np.float32], NDArray[np.float32]]
) -> NDArray[np.float32]:
    x, y = maps
    found = ndimage.map_coordinates(picture, [y, x], order=3, output=np.float32)
    return np.asarray(found, dtype=np.float32)


def _resample(
    picture: NDArray[Any], maps: tuple[NDArray[np.float32], NDArray[np.float32]], how: int
) -> NDArray[Any]:
    return np.asarray(
        cv2.remap(picture, maps[0], maps[1], how, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    )
