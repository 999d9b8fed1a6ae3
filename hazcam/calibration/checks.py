"""Is a calibration sane: the checks that every rig passes before it is used, and its digest.

Pure; ``calibration/io.py`` calls them on reading.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.errors import RigError
from hazcam.frames import Floats, Pose

# Rotations written with few digits are accepted up to this residual of R Rᵀ, then made orthonormal.
ROTATION_TOLERANCE = 1e-3
# A small rover is narrower than this: a longer baseline was written in another unit.
LONGEST_BASELINE_M = 3.0
# A camera on a small rover is nearer to the rover's origin than this along each axis.
FARTHEST_MOUNT_M = 3.0
# Below this many metres of "length" the unit was rather cm than mm (3 to 30 cm either way).
_CM_BELOW = 30.0

# Noise in the rig's file: the names of StereoRig, and the keys below `noise`.
NOISE_KEYS = {"read_noise": "read_noise_grey", "noise_gain": "noise_gain_grey"}
# More noise than a camera can have and still show ground: a fifth of the full scale; the shot
# noise of 25 electrons at the full scale, where small sensors hold some thousands.
LARGEST_READ_NOISE_GREY = 50.0
LARGEST_NOISE_GAIN_GREY = 10.0

DISTORTION_SIZES: dict[LensModel, tuple[int, ...]] = {
    "brown": (4, 5), "rational": (8,), "fisheye": (4,),
}


def rig_digest(rig: StereoRig) -> str:
    """SHA-256 over the numbers of a rig: size, lens model, matrices, mount, noise, covariance."""
    def rows(values: ArrayLike | None) -> object:
        # Adding 0 turns -0 into 0: files do not keep the sign of a zero.
        return None if values is None else (np.asarray(values, dtype=np.float64) + 0.0).tolist()

    mount = rig.mount
    numbers = {
        "size": list(rig.size), "model": rig.model,
        "K1": rows(rig.K1), "D1": rows(rig.D1), "K2": rows(rig.K2), "D2": rows(rig.D2),
        "R": rows(rig.R), "T": rows(rig.T),
        "mount_R": None if mount is None else rows(mount.R),
        "mount_t": None if mount is None else rows(mount.t),
        "read_noise": rig.read_noise, "covariance": rows(rig.covariance),
    }
    # Rigs written before there was a gain keep their digest.
    if rig.noise_gain is not None:
        numbers["noise_gain"] = rig.noise_gain
    return hashlib.sha256(json.dumps(numbers, sort_keys=True).encode()).hexdigest()


def nearest_rotation(R: Floats, where: str) -> Floats:
    """Return the rotation nearest to ``R``, one up to the digits that it was written with.

    Raises
    ------
    RigError
        ``R`` is not orthonormal, or a mirror.
    """
    residual = float(np.abs(R @ R.T - np.eye(3)).max())
    if residual > ROTATION_TOLERANCE or np.linalg.det(R) < 0:
        mirror = residual <= ROTATION_TOLERANCE
        raise RigError(
            where,
            "is a mirror (determinant -1)" if mirror
            else f"is not a rotation (R Rᵀ is off the identity by {residual:.3g})",
            "an orthonormal matrix of determinant +1",
            "check the signs" if mirror else "copy the matrix again with all of its digits",
        )
    if residual < 1e-12:
        return R
    u, _, vt = np.linalg.svd(R)
    return np.asarray(u @ vt)


def _likely_unit(length: float) -> tuple[str, int]:
    """Name of the unit, and how many of it make a metre, of a length too large for metres."""
    return ("centimetres", 100) if length < _CM_BELOW else ("millimetres", 1000)


def check_mount_length(length_m: float, where: str, found: str) -> None:
    """Raise RigError for a length about the rover that is another unit than metres.

    Parameters
    ----------
    length_m : float
        A place along an axis of the rover, or a height. [m]
    where, found : str
        What the message is about, and what it says is there.
    """
    size = abs(length_m)
    if size <= FARTHEST_MOUNT_M:
        return
    unit, per_m = _likely_unit(size)
    raise RigError(where, found,
                   f"metres, {FARTHEST_MOUNT_M:g} at most along each axis of a small rover",
                   f"{size:g} is likely {unit}: divide by {per_m}")


def check_mount(R: Floats, t: Floats, where: str) -> Pose:
    """Check the pose of the left camera on the rover (``T_rover_camera``) and return it.

    Raises
    ------
    RigError
        Not a rotation; a camera at or below the feet, or in another unit; one that does not look
        ahead.
    """
    farthest = float(np.abs(t).max())
    check_mount_length(farthest, f"{where}: mount_t", f"puts the camera {farthest:g} m from the "
                       "rover's origin along one axis")
    R = nearest_rotation(R, f"{where}: mount_R")
    if t[2] <= 0:
        raise RigError(
            f"{where}: mount_t", f"puts the camera at a height of {t[2]:g} m",
            "a height above 0 (third number; z is up from the plane of the feet)",
            "give the left camera's position in the rover frame: x forward, y left, z up",
        )
    # The third column is the optical axis in the rover frame.
    if R[0, 2] <= 1e-6:
        raise RigError(
            f"{where}: mount_R", "does not look ahead (the optical axis has no part along x)",
            "the rotation from the camera (x right, y down, z forward) to the rover frame "
            "(x forward, y left, z up)",
            "transpose it if it is the rotation from rover to camera",
        )
    return Pose(R=R, t=t)


def check_camera_matrix(K: Floats, where: str) -> None:
    """Raise RigError unless ``K`` is a camera matrix [[fx 0 cx] [0 fy cy] [0 0 1]]."""
    if K[0, 0] == 0:
        raise RigError(
            where, "a focal length of 0: the camera is not calibrated",
            "focal lengths above 0 in pixels", "calibrate the camera first",
        )
    shape_ok = np.allclose(K[[0, 1, 2, 2, 2], [1, 0, 0, 1, 2]], [0, 0, 0, 0, 1], atol=1e-9)
    if K[0, 0] < 0 or K[1, 1] <= 0 or not shape_ok:
        raise RigError(
            where, f"is not a camera matrix: {K.tolist()}",
            "[[fx, 0, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0",
            "check the order of the numbers (row by row)",
        )


def _radial_brown(D: Floats) -> Callable[[Floats], Floats]:
    k1, k2, k3 = D[0], D[1], D[4] if len(D) > 4 else 0.0

    def radius(angle: Floats) -> Floats:
        r = np.tan(angle)
        return np.asarray(r * (1 + r**2 * (k1 + r**2 * (k2 + r**2 * k3))))

    return radius


def _radial_rational(D: Floats) -> Callable[[Floats], Floats]:
    above = _radial_brown(D)
    k4, k5, k6 = D[5:8]

    def radius(angle: Floats) -> Floats:
        r = np.tan(angle)
        return np.asarray(above(angle) / (1 + r**2 * (k4 + r**2 * (k5 + r**2 * k6))))

    return radius


def _radial_fisheye(D: Floats) -> Callable[[Floats], Floats]:
    k1, k2, k3, k4 = D

    def radius(angle: Floats) -> Floats:
        a2 = angle**2
        return np.asarray(angle * (1 + a2 * (k1 + a2 * (k2 + a2 * (k3 + a2 * k4)))))

    return radius


_RADIAL: dict[LensModel, Callable[[Floats], Callable[[Floats], Floats]]] = {
    "brown": _radial_brown, "rational": _radial_rational, "fisheye": _radial_fisheye,
}


def radial_distortion(D: Floats, model: LensModel) -> Callable[[Floats], Floats]:
    """From the angle to the optical axis [rad] to the radius in units of the focal length."""
    return _RADIAL[model](D)


def monotonic_radius(D: Floats, model: LensModel) -> float:
    """Distorted radius up to which the radial distortion rises, in units of the focal length.

    The radial distortion of a real lens rises with the radius. A model that turns back cannot be
    undone there, and marks a failed calibration (OpenCV, documentation of calib3d).

    Parameters
    ----------
    D : ndarray of shape (n,)
        Distortion coefficients in OpenCV's order.
    model : {"brown", "rational", "fisheye"}

    Examples
    --------
    >>> f"{monotonic_radius(np.array([-0.3, 0.0, 0.0, 0.0]), 'brown'):.3f}"  # r (1 - 0.3 r²)
    '0.703'
    """
    # The ray's angle to the axis; tan() covers all radii of a flat picture.
    angle = np.radians(np.linspace(0.0, 89.9, 9000))
    with np.errstate(all="ignore"):
        radius = radial_distortion(D, model)(angle)
    falls = np.flatnonzero(~(np.diff(radius) > 0))
    return float(radius[falls[0] if falls.size else -1])


def check_distortion(
    K: Floats, D: Floats, size: tuple[int, int], model: LensModel, where: str
) -> None:
    """Raise RigError unless the radial distortion rises out to the farthest corner."""
    if D.size not in DISTORTION_SIZES[model]:
        counts = " or ".join(str(n) for n in DISTORTION_SIZES[model])
        raise RigError(
            where, f"{D.size} distortion coefficients",
            f"{counts} of them for the model {model!r}", "check `model`, or calibrate again",
        )
    corners = np.array([[x, y] for x in (-0.5, size[0] - 0.5) for y in (-0.5, size[1] - 0.5)])
    farthest = float(np.linalg.norm((corners - K[:2, 2]) / K[[0, 1], [0, 1]], axis=1).max())
    rises_to = monotonic_radius(D, model)
    if rises_to < farthest:
        raise RigError(
            where,
            f"the radial distortion turns back at {rises_to / farthest:.0%} of the radius of the "
            "farthest corner",
            "distortion that rises over the whole picture",
            "calibrate again with target views that reach the corners",
        )


def _check_unit(baseline: float, where: str) -> None:
    if baseline <= LONGEST_BASELINE_M:
        return
    unit, per_m = _likely_unit(baseline)
    raise RigError(
        where, f"a baseline of {baseline:g} m",
        f"metres, less than {LONGEST_BASELINE_M:g} of them between two cameras of a small rover",
        f"T is likely in {unit}: divide it by {per_m}",
    )


def check_baseline(T: Floats, where: str) -> None:
    """Raise RigError unless ``T`` (x_right = R x_left + T) fits a right camera beside a left one.

    Each cause has its own words: no baseline, another unit, stacked cameras, swapped cameras.
    """
    baseline = float(np.linalg.norm(T))
    if baseline == 0:
        raise RigError(
            where, "a baseline of 0", "the distance between the two cameras, in metres",
            "calibrate the two cameras together",
        )
    _check_unit(baseline, where)
    if abs(T[1]) > abs(T[0]):
        raise RigError(
            where, f"the cameras are stacked, one above the other (T = {T.tolist()})",
            "cameras side by side: |T[0]| above |T[1]|",
            "turn the pictures and the calibration by 90 degrees, or use a side-by-side rig",
        )
    if abs(T[2]) > abs(T[0]):
        raise RigError(
            where, f"one camera is behind the other (T = {T.tolist()})",
            "cameras side by side: |T[0]| above |T[2]|", "check the order of the numbers in T",
        )
    if T[0] > 0:
        raise RigError(
            where,
            f"left and right camera are swapped: T[0] = {T[0]:g} puts the right one to the left",
            "T[0] below 0 (x_right = R x_left + T)",
            "swap K1 D1 and K2 D2 with R and T inverted, or invert R and T if they are given the "
            "other way round",
        )


def _check_covariance(rig: StereoRig, covariance: Floats, where: str) -> None:
    whole = 14 + rig.D1.size + rig.D2.size
    if covariance.shape not in ((14, 14), (whole, whole)):
        raise RigError(
            where, f"a matrix of {' x '.join(str(n) for n in covariance.shape)}",
            f"14 x 14, or with the distortion {whole} x {whole}",
            "leave it out, or write it again from the calibration",
        )
    variance = np.diag(covariance)
    # As correlations: pixels² and metres² are of very different size.
    spread = np.sqrt(np.where(variance > 0, variance, 1.0))
    correlation = covariance / np.outer(spread, spread)
    symmetric = np.allclose(correlation, correlation.T, rtol=1e-6, atol=1e-9)
    if not symmetric or variance.min() < 0 or np.linalg.eigvalsh(correlation).min() < -1e-6:
        raise RigError(
            where, "is not a covariance matrix (symmetric, without negative variances)",
            "fx fy cx cy left, fx fy cx cy right, rotation vector of R, T, and D1, D2 if known",
            "leave it out, or write it again from the calibration",
        )


def _check_noise(rig: StereoRig, where: str) -> None:
    for name, most, what in (
        ("read_noise", LARGEST_READ_NOISE_GREY, "one standard deviation without light"),
        ("noise_gain", LARGEST_NOISE_GAIN_GREY, "the variance per grey level of signal"),
    ):
        value = getattr(rig, name)
        # NaN is within no bounds.
        if value is not None and not 0 <= value <= most:
            raise RigError(
                f"{where}: noise.{NOISE_KEYS[name]}", f"found {value:g}",
                f"a finite number from 0 to {most:g}",
                f"give {what}, in grey levels of an 8-bit picture: from n bits, divide by "
                "(2^n - 1) / 255",
            )


def check_rig(rig: StereoRig) -> StereoRig:
    """Check a rig as a whole and return it.

    Raises
    ------
    RigError
        In these words: a size that is not positive, a focal length of 0, no camera matrix, the
        wrong number of coefficients, distortion that turns back, a baseline of 0 or in another
        unit, cameras stacked or swapped, no covariance, noise out of bounds. Orthonormal R is seen
        to on building.
    """
    where = rig.source or rig.name
    if min(rig.size) <= 0:
        raise RigError(
            f"{where}: image_width, image_height", f"{rig.size[0]} x {rig.size[1]} px",
            "sizes above 0", "give the size of the calibrated pictures",
        )
    for side in ("1", "2"):
        K: Floats = getattr(rig, f"K{side}")
        check_camera_matrix(K, f"{where}: K{side}")
        check_distortion(K, getattr(rig, f"D{side}"), rig.size, rig.model, f"{where}: D{side}")
    check_baseline(rig.T, f"{where}: T")
    if rig.covariance is not None:
        _check_covariance(rig, rig.covariance, f"{where}: covariance")
    _check_noise(rig, where)
    return rig
