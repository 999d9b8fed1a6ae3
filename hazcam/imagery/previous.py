"""The previous pair of a sequence, as the sidecar of the present one names it.

``"previous": {"pair": ..., "pose": ..., "sigma": ...}``:

pair
    The previous pair's sidecar, relative to this one; or its id, where it lies beside this one as
    ``ID.pair.json``.
pose
    Four rows of four: the present rover (or level) frame in the previous level frame. Its origin
    and its heading are used; roll and pitch are the present pair's own.
sigma
    One standard deviation of ``[x_m, y_m, heading_deg]``, or of ``[x_m, y_m, heading_deg, z_m]``.

Pure: ``imagery/io.py`` reads the files.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from hazcam.errors import PairError
from hazcam.frames import Floats, Pose
from hazcam.imagery.sidecar import Sidecar

SIGMA_WORDS = "[x_m, y_m, heading_deg] or [x_m, y_m, heading_deg, z_m]"


@dataclass(frozen=True, kw_only=True)
class PlanarMove:
    """How the rover moved between two pairs: the present level frame in the previous one.

    Both have z against gravity, so they differ by a turn about z and a shift.

    Attributes
    ----------
    x_m, y_m, z_m : float
        Present rover origin in the previous level frame. [m]
    heading_deg : float
        Where the rover now looks, positive to the left. [deg]
    sigma_x_m, sigma_y_m, sigma_heading_deg : float
        One standard deviation of each. [m], [deg]
    sigma_z_m : float or None
        Of ``z_m``; None where it is not stated: ``z_m`` then says nothing. [m]
    """

    x_m: float
    y_m: float
    z_m: float
    heading_deg: float
    sigma_x_m: float
    sigma_y_m: float
    sigma_heading_deg: float
    sigma_z_m: float | None = None

    def __post_init__(self) -> None:
        sigmas = (self.sigma_x_m, self.sigma_y_m, self.sigma_heading_deg, self.sigma_z_m or 0.0)
        if not np.all(np.isfinite((self.x_m, self.y_m, self.z_m, self.heading_deg, *sigmas))):
            raise ValueError(f"a PlanarMove needs finite numbers, got {self}")
        if min(sigmas) < 0:
            raise ValueError(f"the sigma of a PlanarMove cannot be negative, got {self}")

    def to_previous(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Floats, Floats]:
        """Places of the present level frame in the previous one. [m]"""
        c, s = self._cosine_sine()
        x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
        return self.x_m + c * x - s * y, self.y_m + s * x + c * y

    def to_present(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Floats, Floats]:
        """Places of the previous level frame in the present one. [m]"""
        return self.turned_to_present(np.asarray(x_m) - self.x_m, np.asarray(y_m) - self.y_m)

    def turned_to_present(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Directions (slopes, differences) of the previous level frame in the present one."""
        c, s = self._cosine_sine()
        a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        return c * a + s * b, -s * a + c * b

    def horizontal_sigma_m(self, distance_m: float) -> float:
        """Of a place at a distance from the present origin, in the worst direction. [m]"""
        turned = math.radians(self.sigma_heading_deg) * distance_m
        return math.hypot(max(self.sigma_x_m, self.sigma_y_m), turned)

    def _cosine_sine(self) -> tuple[float, float]:
        angle = math.radians(self.heading_deg)
        return math.cos(angle), math.sin(angle)


@dataclass(frozen=True, kw_only=True)
class NamedPrevious:
    """What a sidecar says of the previous pair.

    Attributes
    ----------
    path : Path
        The previous pair's sidecar.
    move : PlanarMove or None
        None where ``sigma`` is not one number for each of ``SIGMA_WORDS``: how well the move is
        known is then not stated, and the previous pair cannot be used.
    """

    path: Path
    move: PlanarMove | None


def previous_of(sidecar: Sidecar) -> NamedPrevious | None:
    """The previous pair that a sidecar names; None where it names none.

    Raises
    ------
    PairError
        ``pose`` is no rigid motion of an upright rover, or the pair is named as its own previous
        one.
    """
    named = sidecar.details.get("previous")
    if named is None:
        return None
    where = f"{sidecar.path}: previous"
    name = named["pair"]
    path = sidecar.path.parent / (name if name.endswith(".json") else f"{name}.pair.json")
    if path.resolve() == sidecar.path.resolve():
        raise PairError(f"{where}: pair", f"{name!r} is this pair itself",
                        "the pair that was taken before it", "name that one, or leave it out")
    pose = _pose(f"{where}: pose", named["pose"])
    sigma = named["sigma"]
    if not isinstance(sigma, list) or len(sigma) not in (3, 4):
        return NamedPrevious(path=path, move=None)
    move = PlanarMove(
        x_m=float(pose.t[0]), y_m=float(pose.t[1]), z_m=float(pose.t[2]),
        heading_deg=math.degrees(math.atan2(pose.R[1, 0], pose.R[0, 0])),
        sigma_x_m=sigma[0], sigma_y_m=sigma[1], sigma_heading_deg=sigma[2],
        sigma_z_m=sigma[3] if len(sigma) == 4 else None,
    )
    return NamedPrevious(path=path, move=move)


def _pose(where: str, rows: list[list[float]]) -> Pose:
    values = np.array(rows, dtype=np.float64)
    try:
        pose = Pose(R=values[:3, :3], t=values[:3, 3])
    except ValueError as error:
        raise PairError(
            where, f"the upper left 3 x 3 of {rows} is no rotation",
            "[R t; 0 0 0 1]: the present rover frame in the previous level frame",
            "correct the pose in the sidecar",
        ) from error
    if not np.allclose(values[3], [0, 0, 0, 1]):
        raise PairError(where, f"its last row is {rows[3]}", "[0, 0, 0, 1]",
                        "correct it; the shift stands in the last column, in m")
    # Above 45 degrees of tilt the axes are those of a camera, not of a rover.
    if pose.R[2, 2] < math.cos(math.radians(45)):
        raise PairError(where, "its z axis is not up", "frames with x forward, y left, z up",
                        "give the pose of the rover, not of a camera")
    return pose
