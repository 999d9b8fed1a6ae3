"""Small changes of a rig, and by how much the rigs of a run may be off."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from hazcam.calibration import StereoRig
from hazcam.calibration.geometry import project, triangulate_pixels
from hazcam.calibration.mount import mount_numbers, mount_provenance
from hazcam.campaign import Run
from hazcam.tuning.rig_changes import (
    HEIGHT_WHAT_IF_M,
    RigChange,
    camera_height,
    changes_of_run,
    pitch,
    vergence,
)
from tests.rigs import a_covariance, a_rig
from tests.synthetic import ideal_rig

NAN = float("nan")
DRIFT = np.dtype([("rig", "U64"), ("pitch_deg", "f8"), ("pitch_sigma_deg", "f8"),
                  ("vergence_deg", "f8"), ("vergence_sigma_deg", "f8")])


def a_run(*rigs: StereoRig, drifts: tuple[tuple[str, float, float, float, float], ...] = ()) -> Run:
    """What is asked of a run: which rigs its pairs had, and what drift they show."""
    used = np.array([(rig.digest,) for rig in (*rigs, *rigs)], dtype=[("rig", "U64")])
    tables = {"assessments": used, "drifts": np.array(list(drifts), dtype=DRIFT)}
    return cast(Run, SimpleNamespace(
        table=lambda name, columns=None: tables[name],
        rig={rig.digest: rig for rig in rigs}.__getitem__))


def of_kind(changes: tuple[RigChange, ...], kind: str) -> list[RigChange]:
    return [change for change in changes if change.kind == kind]


def test_a_vergence_brings_all_points_nearer() -> None:
    """Closed form: x' = x + v (1 + x²) in the right picture, so Z is read Z² v (1 + x²) / B less.

    By a rig with parallel axes. The point stays on its ray from the left camera, so its range
    shrinks by the same share.
    """
    rig, v = ideal_rig(), 1e-4
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(-0.3, 0.3, 50), rng.uniform(-0.2, 0.2, 50),
                              rng.uniform(0.5, 2.0, 50)])
    left, right = project(rig, points)
    read = triangulate_pixels(vergence(np.degrees(v)).of(rig), left, right)
    x_right, Z = (points[:, 0] - rig.baseline_m) / points[:, 2], points[:, 2]
    expected = -(Z**2) * v * (1 + x_right**2) / rig.baseline_m
    ranges = np.linalg.norm(points, axis=1)
    # To first order in v: the next is the share itself, up to 0.3 %.
    assert np.linalg.norm(read, axis=1) / ranges - 1 == pytest.approx(expected / Z, rel=0.005)


def test_a_pitch_moves_rows() -> None:
    """Closed form: y' = y - w (1 + y²): a ray on the axis lies f w lower or higher."""
    rig = ideal_rig()
    ahead = [[rig.baseline_m, 0.0, 1.0]]
    rows = [project(r, ahead)[1][0, 1] for r in (rig, pitch(0.1).of(rig))]
    assert rows[1] - rows[0] == pytest.approx(-rig.K2[1, 1] * np.radians(0.1), rel=1e-4)


def test_both_cameras_are_lifted_over_the_rover() -> None:
    rig = a_rig()
    lifted = camera_height(0.004).of(rig)
    assert rig.mount is not None
    assert lifted.mount is not None
    assert lifted.mount.t - rig.mount.t == pytest.approx([0, 0, 0.004], abs=1e-15)
    assert np.array_equal(lifted.mount.R, rig.mount.R)
    assert np.array_equal(lifted.T, rig.T)
    assert lifted.digest != rig.digest
    with pytest.raises(ValueError, match="mast has no mount"):
        camera_height(0.004).of(a_rig(mount=None))


def test_a_change_by_an_unknown_amount_is_none() -> None:
    with pytest.raises(ValueError, match="pitch by nan"):
        pitch(NAN)


def test_the_largest_drift_that_shows_at_least_its_sigma() -> None:
    rig = a_rig()
    d = rig.digest
    run = a_run(rig, drifts=((d, 0.004, 0.006, -0.03, 0.01), (d, -0.005, 0.002, 0.02, 0.01),
                             (d, NAN, NAN, NAN, NAN), ("of another rig", 9.0, 1.0, 9.0, 1.0)))
    found = changes_of_run(run)
    assert [c.name for c in found.changes] == [
        "vergence +0.030°", "vergence -0.030°", "pitch +0.006°", "pitch -0.006°",
        "camera height +5.0 mm", "camera height -5.0 mm"]
    assert {c.source for c in found.changes[:4]} == {"largest drift found in its pairs"}
    assert all(c.rigs == {d} for c in found.changes)
    assert found.not_known == ()


def test_without_drift_one_sigma_of_the_calibration() -> None:
    rig = a_rig()
    rig = replace(rig, covariance=a_covariance(rig, distortion=True))
    found = changes_of_run(a_run(rig))
    # As ``a_covariance`` makes it: turns about x, y and z of 3e-4, 4e-4 and 2e-4 rad.
    up, down = of_kind(found.changes, "vergence")
    assert up.amount == -down.amount == pytest.approx(np.degrees(4e-4))
    assert of_kind(found.changes, "pitch")[0].amount == pytest.approx(np.degrees(3e-4))
    assert up.source == "one sigma of its calibration"


def test_what_is_not_known_is_left_out_and_said() -> None:
    """No drift, no covariance: of one rig of two, whose pairs are then not changed."""
    one = a_rig(name="one")
    other = a_rig(name="other", T=np.array([-0.12, 0, 0]))
    run = a_run(one, other, drifts=((one.digest, 0.01, 0.001, 0.02, 0.001),
                                    (other.digest, NAN, NAN, NAN, NAN)))
    found = changes_of_run(run)
    assert [c.rigs for c in of_kind(found.changes, "vergence")] == [{one.digest}] * 2
    assert [text.partition(":")[0] for text in found.not_known] == [
        "vergence of the rig other", "pitch of the rig other"]
    assert not of_kind(changes_of_run(a_run(other)).changes, "vergence")


def test_height_by_the_sigma_of_the_mount_or_as_a_what_if() -> None:
    rig = a_rig()
    assert rig.mount is not None
    told = mount_provenance(mount_numbers(rig.mount), {"height": 0.0012}, {})
    sure = replace(rig, digest="sure", provenance={"mount": told})
    found = of_kind(changes_of_run(a_run(rig, sure)).changes, "camera height")
    assert {(c.amount, c.source, *c.rigs) for c in found} == {
        (sign * size, source, digest) for sign in (1, -1) for size, source, digest in (
            (0.0012, "one sigma of its mount", "sure"),
            (HEIGHT_WHAT_IF_M, "what if: its mount states no sigma", rig.digest))}
