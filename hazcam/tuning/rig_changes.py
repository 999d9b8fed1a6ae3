"""Small changes of a rig, and by how much the rigs of a run may be off.

*Vergence and pitch* turn the right camera about its own y and x axis (``hazcam.drift``). Read with
a vergence ``v`` more, all disparities are larger: a point at the depth ``Z`` comes out nearer by
``Z² v / B``, and what stands there lower by the share ``Z v / B``. Pitch moves rows, which the
assessment measures in each pair and takes out, so that little should be left of it.

*Camera height* lifts both cameras over the rover. All ground is then read that much higher: a rigid
shift, which no step, drop or slope knows of. What still moves is where the search expects the
ground, how far the near strip goes, and which cell a point falls into.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import StereoRig, rig_digest
from hazcam.calibration.mount import mount_sigmas
from hazcam.campaign import Run
from hazcam.drift import NAMES, turned
from hazcam.frames import Pose

ChangeKind = Literal["vergence", "pitch", "camera height"]

HEIGHT_WHAT_IF_M = 0.005
"""By how much the camera height is changed where the mount states no sigma: our own choice, a
question and no measurement. [m]"""

# Where a size comes from.
_DRIFT = "largest drift found in its pairs"
_COVARIANCE = "one sigma of its calibration"
_MOUNT = "one sigma of its mount"
_WHAT_IF = "what if: its mount states no sigma"

# Of the covariance of a rig: the turn stands behind the eight numbers of the two cameras.
_TURN_AT = 8


@dataclass(frozen=True, kw_only=True)
class RigChange:
    """A small change of a rig.

    Attributes
    ----------
    kind : str
        ``vergence`` or ``pitch`` of the right camera, or ``camera height``.
    amount : float
        With its sign. [deg; m for the height] Positive as in ``DriftEstimate``, and upwards.
    source : str
        Where the amount comes from, in words.
    rigs : frozenset of str
        Digests of the rigs that it is of; empty: of any.
    """

    kind: ChangeKind
    amount: float
    source: str = ""
    rigs: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if not math.isfinite(self.amount):
            raise ValueError(f"a change of {self.kind} by {self.amount} is none")

    @property
    def name(self) -> str:
        """What is changed by how much.

        Examples
        --------
        >>> vergence(-0.02).name, camera_height(0.005).name
        ('vergence -0.020°', 'camera height +5.0 mm')
        """
        if self.kind == "camera height":
            return f"{self.kind} {1000 * self.amount:+.1f} mm"
        return f"{self.kind} {self.amount:+.3f}°"

    def is_of(self, digest: str) -> bool:
        """Is it a change of the rig of this digest?"""
        return not self.rigs or digest in self.rigs

    def of(self, rig: StereoRig) -> StereoRig:
        """The rig, changed; its covariance and noise stay.

        Raises
        ------
        ValueError
            The height of a rig without a mount.
        """
        if self.kind != "camera height":
            turn = np.zeros(3)
            turn[NAMES.index(self.kind)] = self.amount
            return turned(rig, turn)
        if rig.mount is None:
            raise ValueError(f"the rig {rig.name} has no mount: its height is not known")
        lifted = Pose(R=rig.mount.R, t=rig.mount.t + np.array([0.0, 0.0, self.amount]))
        moved = replace(rig, mount=lifted)
        return replace(moved, digest=rig_digest(moved))


def vergence(amount_deg: float) -> RigChange:
    """The right camera turned about its y axis (down). [deg]"""
    return RigChange(kind="vergence", amount=amount_deg)


def pitch(amount_deg: float) -> RigChange:
    """The right camera turned about its x axis (right). [deg]"""
    return RigChange(kind="pitch", amount=amount_deg)


def camera_height(amount_m: float) -> RigChange:
    """Both cameras higher above the rover. [m]"""
    return RigChange(kind="camera height", amount=amount_m)


# --- which changes --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RunChanges:
    """What is worth changing of the rigs of a run.

    Attributes
    ----------
    changes : tuple of RigChange
        Both signs of each, vergence first.
    not_known : tuple of str
        Of which rig it is not known how far it may have changed, and why; that is left out.
    """

    changes: tuple[RigChange, ...]
    not_known: tuple[str, ...]


class _Size(NamedTuple):
    amount: float
    source: str


def changes_of_run(run: Run) -> RunChanges:
    """By how much the rigs of a run may be off, as far as the run says so.

    Vergence and pitch by the largest drift that a pair of the rig shows, at least its sigma; where
    none shows any, by one sigma of the rig's covariance. That is of each angle alone: of errors
    that a calibration ties to the other parameters it makes more than they are. Camera height by
    one sigma of the mount, or else by ``HEIGHT_WHAT_IF_M``, named as such. Of rigs whose sizes come
    from the same source, the largest is taken for all.
    """
    digests = sorted(set(run.table("assessments", columns=("rig",))["rig"].tolist()))
    rigs = {digest: run.rig(digest) for digest in digests}
    drifts = run.table("drifts")
    changes: list[RigChange] = []
    not_known: list[str] = []
    kinds: tuple[Literal["vergence", "pitch"], ...] = ("vergence", "pitch")
    for kind in kinds:
        found = {digest: _turn_of(rig, kind, drifts[drifts["rig"] == digest])
                 for digest, rig in rigs.items()}
        changes += _both_signs(kind, {d: size for d, size in found.items() if size is not None})
        not_known += [f"{kind} of the rig {rigs[digest].name}: no pair shows its drift, and it "
                      "states no covariance" for digest, size in found.items() if size is None]
    changes += _both_signs("camera height", {d: _height_of(rig) for d, rig in rigs.items()})
    return RunChanges(changes=tuple(changes), not_known=tuple(not_known))


def _turn_of(
    rig: StereoRig, kind: Literal["vergence", "pitch"], drifts: NDArray[np.void]
) -> _Size | None:
    """How far a right camera may have turned [deg]; None where nothing says so."""
    largest = np.fmax(np.abs(drifts[f"{kind}_deg"]), drifts[f"{kind}_sigma_deg"])
    if np.isfinite(largest).any():
        return _Size(float(np.nanmax(largest)), _DRIFT)
    if rig.covariance is None:
        return None
    at = _TURN_AT + NAMES.index(kind)
    return _Size(float(np.degrees(np.sqrt(rig.covariance[at, at]))), _COVARIANCE)


def _height_of(rig: StereoRig) -> _Size:
    """How far the height of the cameras may be off. [m]"""
    sigma = None if rig.mount is None else mount_sigmas(rig.mount, rig.provenance)["height"]
    return _Size(HEIGHT_WHAT_IF_M, _WHAT_IF) if sigma is None else _Size(sigma, _MOUNT)


def _both_signs(kind: ChangeKind, sizes: Mapping[str, _Size]) -> Iterator[RigChange]:
    """The largest of each source, up and down, of the rigs that have it from there."""
    for source in dict.fromkeys(size.source for size in sizes.values()):
        rigs = frozenset(digest for digest, size in sizes.items() if size.source == source)
        largest = max(sizes[digest].amount for digest in rigs)
        for sign in (1, -1):
            yield RigChange(kind=kind, amount=sign * largest, source=source, rigs=rigs)


__all__ = ["HEIGHT_WHAT_IF_M", "ChangeKind", "RigChange", "RunChanges", "camera_height",
           "changes_of_run", "pitch", "vergence"]
