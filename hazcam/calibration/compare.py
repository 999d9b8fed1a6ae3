"""RigComparison: what changed between two calibrations, and what that does to depth and height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from hazcam.calibration.checks import rig_digest
from hazcam.calibration.effect import (
    DistanceEffect,
    derivatives,
    effect_of_change,
    up_of,
)
from hazcam.calibration.mount import NUMBERS, mount_numbers, mount_sigmas
from hazcam.calibration.mount_effect import MountEffect, effect_of_mount
from hazcam.calibration.rig import StereoRig
from hazcam.errors import RigError
from hazcam.frames import Floats

DISTANCES_M = (0.5, 1.0, 1.5, 2.0)
# A change of so many sigma is called one.
SIGNIFICANT = 3.0
# Arithmetic and files leave less of a number that is the same. [px, m, deg]
_ROUNDING = 1e-9
# The numbers of a mount in words.
_MOUNT_WORDS = {"x": "ahead", "y": "to the left"}

_CAMERA = ("fx", "fy", "cx", "cy")
_TURNS = tuple(f"right camera {turn}" for turn in (
    "pitch (about x, right)", "yaw (about y, down)", "roll (about z, ahead)"))
_DISTORTION = {
    "brown": ("k1", "k2", "p1", "p2", "k3"),
    "rational": ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"),
    "fisheye": ("k1", "k2", "k3", "k4"),
}


@dataclass(frozen=True, kw_only=True)
class ParameterChange:
    """One parameter of the rig in both calibrations.

    Attributes
    ----------
    name : str
        In words, for example ``left fx``.
    unit : str
        ``px``, ``m``, ``deg``, or empty for a coefficient.
    a : float or None
        In rig A; None of the turn of the right camera, which is that of B against A.
    b : float
        In rig B.
    of_mount : bool
        Is it a number of the mount, not of the cameras?
    sigma_a, sigma_b : float or None
        One standard deviation; None where the covariance does not say.
    """

    name: str
    unit: str
    a: float | None
    b: float
    of_mount: bool = False
    sigma_a: float | None = None
    sigma_b: float | None = None

    @property
    def change(self) -> float:
        """B less A."""
        return self.b if self.a is None else self.b - self.a

    @property
    def moved(self) -> bool:
        """Is the change more than rounding?"""
        return abs(self.change) > _ROUNDING

    @property
    def sigma(self) -> float | None:
        """Of the change, the two calibrations independent; None where one is not known."""
        if self.sigma_a is None or self.sigma_b is None:
            return None
        return float(np.hypot(self.sigma_a, self.sigma_b))

    @property
    def sigmas(self) -> float | None:
        """The change in its sigma; None where that is not known or 0."""
        return self.change / self.sigma if self.sigma else None


@dataclass(frozen=True, kw_only=True, eq=False)
class RigComparison:
    """Two calibrations of one rig against each other.

    Attributes
    ----------
    a, b : StereoRig
        The calibration that is read with, and the rig as it is taken to be.
    changes : tuple of ParameterChange
    effects : tuple of DistanceEffect
        Of reading with A what B sees, by distance; the cameras alone.
    mount_effects : tuple of MountEffect
        Of placing with the mount of A what the mount of B sees, by distance; the mount alone. Empty
        where one has none.
    same_cameras : bool
        Are the two cameras, and how they stand to each other, the same?
    up : str
        What heights are along, in words.
    notes : tuple of str
        What cannot be compared, and why.
    """

    a: StereoRig
    b: StereoRig
    changes: tuple[ParameterChange, ...]
    effects: tuple[DistanceEffect, ...]
    mount_effects: tuple[MountEffect, ...]
    same_cameras: bool
    up: str
    notes: tuple[str, ...]

    @property
    def identical(self) -> bool:
        """Are all numbers of the two rigs the same?"""
        return rig_digest(self.a) == rig_digest(self.b)

    @property
    def without_covariance(self) -> str:
        """Which of A and B states no covariance, in words; empty where both do."""
        return " and ".join(name for name, rig in (("A", self.a), ("B", self.b))
                            if rig.covariance is None)


def compare_rigs(
    a: StereoRig, b: StereoRig, distances_m: Sequence[float] = DISTANCES_M
) -> RigComparison:
    """What changed from rig A to rig B, in sigmas, and what it does to depth and height.

    Parameters
    ----------
    a, b : StereoRig
        Of one picture size; with or without mount and covariance.
    distances_m : sequence of float
        Distances from the left camera. [m]

    Raises
    ------
    RigError
        The rigs were calibrated at different picture sizes.
    """
    if a.size != b.size:
        raise RigError(
            f"{a.source or a.name}, {b.source or b.name}",
            f"calibrated at {a.size[0]} x {a.size[1]} px and at {b.size[0]} x {b.size[1]} px",
            "two calibrations of one picture size",
            "compare calibrations of the whole sensor, or calibrate both at one size")
    cameras = _camera_changes(a, b)
    same = a.model == b.model and not any(c.moved for c in cameras)
    return RigComparison(
        a=a, b=b, changes=(*cameras, *_mount_changes(a, b, same_cameras=same)),
        effects=effect_of_change(a, b, distances_m),
        mount_effects=effect_of_mount(a, b, distances_m, same_cameras=same),
        same_cameras=same, up=up_of(a)[1], notes=_notes(a, b, same_cameras=same))


def _camera_changes(a: StereoRig, b: StereoRig) -> list[ParameterChange]:
    found = [_values(rig, a) for rig in (a, b)]
    sigmas = [_sigmas(rig, a) for rig in (a, b)]
    rows = zip(_names(), *found, *sigmas, strict=True)
    changes = [ParameterChange(name=name, unit=unit, a=None if name in _TURNS else float(va),
                               b=float(vb), sigma_a=sa, sigma_b=sb)
               for (name, unit), va, vb, sa, sb in rows]
    return changes + (_distortion_changes(a, b) if a.model == b.model else [])


def _names() -> list[tuple[str, str]]:
    """Name and unit of each number of ``_values``."""
    return [*((f"{side} {name}", "px") for side in ("left", "right") for name in _CAMERA),
            *((turn, "deg") for turn in _TURNS),
            ("baseline length", "m"), ("baseline up", "deg"), ("baseline ahead", "deg")]


def _values(rig: StereoRig, reference: StereoRig) -> Floats:
    """Focal lengths, centres, turn of the right camera against the reference, baseline."""
    # cv2.Rodrigues takes angles below 1e-5 for none.
    turn = Rotation.from_matrix(rig.R @ reference.R.T).as_rotvec()
    right, down, ahead = -rig.R.T @ rig.T
    return np.array([
        *(K[i, j] for K in (rig.K1, rig.K2) for i, j in ((0, 0), (1, 1), (0, 2), (1, 2))),
        *np.degrees(turn), rig.baseline_m,
        *np.degrees(np.arctan2([-down, ahead], right))])


def _sigmas(rig: StereoRig, reference: StereoRig) -> list[float | None]:
    """Sigma of each of ``_values``; None without a covariance."""
    if rig.covariance is None:
        return [None] * len(_names())
    J = derivatives(rig, lambda r: _values(r, reference), 14)
    return [float(v) for v in np.sqrt(np.einsum("ni,ij,nj->n", J, rig.covariance[:14, :14], J))]


def _distortion_changes(a: StereoRig, b: StereoRig) -> list[ParameterChange]:
    """Coefficients by name; one that a file leaves out is 0."""
    changes = []
    for side, first in (("left", 0), ("right", 1)):
        numbers = [_coefficients(rig, first) for rig in (a, b)]
        for name in _DISTORTION[a.model][: max(map(len, numbers))]:
            (va, sa), (vb, sb) = (n.get(name, (0.0, None)) for n in numbers)
            changes.append(ParameterChange(name=f"{side} {name}", unit="", a=va, b=vb, sigma_a=sa,
                                           sigma_b=sb))
    return changes


def _coefficients(rig: StereoRig, side: int) -> dict[str, tuple[float, float | None]]:
    """Value and sigma of each coefficient of the left (0) or right (1) camera, by name."""
    D = (rig.D1, rig.D2)[side]
    start = 14 + side * rig.D1.size
    known = rig.covariance is not None and len(rig.covariance) > 14
    sigma: list[float | None] = [None] * D.size
    if rig.covariance is not None and known:
        sigma = [float(v) for v in np.sqrt(np.diag(rig.covariance)[start : start + D.size])]
    return dict(zip(_DISTORTION[rig.model], zip(map(float, D), sigma, strict=True), strict=False))


def _mount_changes(
    a: StereoRig, b: StereoRig, *, same_cameras: bool
) -> list[ParameterChange]:
    """Place and attitude on the rover, where both have one; sigmas by what mounted them.

    What one calibration leaves open of both mounts is alike, and drops out of the change.
    """
    if a.mount is None or b.mount is None:
        return []
    (va, sa), (vb, sb) = (
        (mount_numbers(mount), mount_sigmas(mount, rig.provenance, own=same_cameras))
        for mount, rig in ((a.mount, a), (b.mount, b)))
    return [ParameterChange(name=f"mount {_MOUNT_WORDS.get(name, name)}", unit=unit, a=va[name],
                            b=vb[name], of_mount=True, sigma_a=sa[name], sigma_b=sb[name])
            for name, unit in NUMBERS.items()]


def _notes(a: StereoRig, b: StereoRig, *, same_cameras: bool) -> tuple[str, ...]:
    notes = [] if same_cameras else _notes_on_cameras(a, b)
    unmounted = [name for name, rig in (("A", a), ("B", b)) if rig.mount is None]
    if unmounted:
        notes.append(f"no mount in {' and '.join(unmounted)}: place and attitude on the rover are "
                     "not compared")
    return tuple(notes)


def _notes_on_cameras(a: StereoRig, b: StereoRig) -> list[str]:
    notes = []
    if a.model != b.model:
        notes.append(f"the lens models differ ({a.model}, {b.model}): their coefficients are not "
                     "compared, and focal lengths and centres mean the same only in part; what the "
                     "change does to depth and height holds all the same")
    bare = [name for name, rig in (("A", a), ("B", b)) if rig.covariance is None]
    if bare:
        notes.append(f"no covariance in {' and '.join(bare)}: what of the change is significant is "
                     "not known")
    elif a.model == b.model and min(len(rig.covariance) for rig in (a, b)
                                    if rig.covariance is not None) == 14:
        notes.append("a covariance does not hold the distortion: the sigma of its change is not "
                     "known")
    digests = [rig.provenance.get("pictures_digest") for rig in (a, b)]
    if digests[0] is not None and digests[0] == digests[1]:
        notes.append("A and B were solved from the same pictures: they are not independent, and "
                     "the sigmas of the change, which take them as independent, do not hold "
                     "(what both are off by alike drops out, so they are rather too large)")
    return notes
