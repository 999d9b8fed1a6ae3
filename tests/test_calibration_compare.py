"""What changed between two rigs: parameters, sigmas, and the sentence that sums it up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hazcam.calibration import StereoRig
from hazcam.calibration.compare import ParameterChange, RigComparison, compare_rigs
from hazcam.calibration.effect import changed_rig
from hazcam.calibration.mount import MountAngles, mount_angles, mount_rotation
from hazcam.errors import RigError
from hazcam.frames import Pose
from hazcam.report.rig_comparison import conclusion, rig_comparison_record, rig_comparison_text
from tests.rigs import a_covariance, a_rig


def known_rig() -> StereoRig:
    rig = a_rig()
    return replace(rig, covariance=a_covariance(rig, distortion=True))


def named(found: RigComparison, name: str) -> ParameterChange:
    return next(c for c in found.changes if c.name.startswith(name))


def test_a_rig_against_itself() -> None:
    rig = known_rig()
    found = compare_rigs(rig, rig)
    assert all(abs(c.change) < 1e-12 for c in found.changes)
    assert conclusion(found).startswith("Nothing changed by 3 sigma or more; at 1 m ")
    assert found.notes == ()
    assert [e.distance_m for e in found.effects] == [0.5, 1.0, 1.5, 2.0]


@pytest.mark.parametrize(("index", "name", "change"), [
    (0, "left fx", 2.0), (3, "left cy", -3.0), (5, "right fy", 1.0), (6, "right cx", 4.0),
    (8, "right camera pitch", 2e-3), (9, "right camera yaw", -2e-3),
    (10, "right camera roll", 3e-3), (14, "left k1", 0.01), (19, "right k1", -0.01),
    (23, "right k3", 0.02),
])
def test_each_parameter_is_found_with_its_sigma(index: int, name: str, change: float) -> None:
    """The covariance's own diagonal, twice: both rigs state it. Turns in degrees."""
    rig = known_rig()
    assert rig.covariance is not None
    vector = np.zeros(len(rig.covariance))
    vector[index] = change
    row = named(compare_rigs(rig, changed_rig(rig, vector)), name)
    scale = np.degrees(1.0) if row.unit == "deg" else 1.0
    sigma = scale * np.sqrt(2 * rig.covariance[index, index])
    assert row.change == pytest.approx(scale * change, rel=1e-6)
    assert row.sigma == pytest.approx(sigma, rel=1e-4)
    assert row.sigmas == pytest.approx(scale * change / sigma, rel=1e-4)


def test_the_baseline_by_length_and_direction() -> None:
    """The right camera's centre is -Rᵀ T in the left frame; 1 mm up, 2 mm ahead of 0.1 m."""
    a = a_rig(R=np.eye(3), T=np.array([-0.1, 0, 0]))
    b = replace(a, T=np.array([-0.1, 0.001, -0.002]))
    found = compare_rigs(a, b)
    assert named(found, "baseline up").change == pytest.approx(np.degrees(np.arctan(0.01)))
    assert named(found, "baseline ahead").change == pytest.approx(np.degrees(np.arctan(0.02)))
    assert named(found, "baseline length").change == pytest.approx(
        np.sqrt(0.1**2 + 0.001**2 + 0.002**2) - 0.1)


def test_sigma_of_the_baseline_length_is_that_of_its_vector() -> None:
    rig = known_rig()
    assert rig.covariance is not None
    along = rig.T / rig.baseline_m
    expected = np.sqrt(2 * along @ rig.covariance[11:14, 11:14] @ along)
    assert named(compare_rigs(rig, rig), "baseline length").sigma == pytest.approx(expected)


def test_mount_angles_and_places() -> None:
    a = a_rig()
    assert a.mount is not None
    angles = mount_angles(a.mount.R)
    moved = MountAngles(roll_deg=angles.roll_deg + 1, pitch_deg=angles.pitch_deg - 2,
                        yaw_deg=angles.yaw_deg + 3)
    b = replace(a, mount=Pose(R=mount_rotation(moved), t=a.mount.t + np.array([0.01, -0.02, 0.03])))
    found = compare_rigs(a, b)
    for name, change in (("roll", 1), ("pitch", -2), ("yaw", 3), ("height", 0.03),
                         ("ahead", 0.01), ("to the left", -0.02)):
        row = named(found, f"mount {name}")
        assert row.change == pytest.approx(change)
        assert row.sigma is None
        assert row.sigmas is None


def test_unknown_covariances_leave_the_significance_unknown() -> None:
    rig, bare = known_rig(), a_rig()
    found = compare_rigs(rig, changed_rig(bare, np.eye(14)[0]))
    assert all(c.sigma is None for c in found.changes)
    assert any("no covariance in B" in note for note in found.notes)
    assert conclusion(found).startswith("Whether anything changed significantly is not known")
    assert conclusion(compare_rigs(bare, bare)).startswith("Nothing changed; at 1 m")
    assert all(e.range.middle_sigma_m is None for e in found.effects)


def test_a_short_covariance_leaves_that_of_the_distortion_unknown() -> None:
    rig = known_rig()
    assert rig.covariance is not None
    short = replace(rig, covariance=rig.covariance[:14, :14])
    found = compare_rigs(rig, short)
    assert named(found, "left k1").sigma is None
    assert named(found, "left fx").sigma is not None
    assert any("does not hold the distortion" in note for note in found.notes)


def test_coefficients_that_one_file_leaves_out_are_zero() -> None:
    a, b = a_rig(), a_rig(D1=np.array([-0.25, 0.08, 6e-4, -4e-4]))
    assert named(compare_rigs(a, b), "left k3").b == 0.0


def test_lens_models_that_differ() -> None:
    found = compare_rigs(a_rig("brown"), a_rig("fisheye"))
    assert not any(c.name.endswith("k1") for c in found.changes)
    assert any("lens models differ (brown, fisheye)" in note for note in found.notes)
    assert abs(found.effects[0].range.largest_m) > 0


def test_a_bare_rig_is_compared_without_its_mount() -> None:
    found = compare_rigs(a_rig(), a_rig(mount=None))
    assert not any(c.name.startswith("mount") for c in found.changes)
    assert any("no mount in B" in note for note in found.notes)
    assert found.up == "up of the mount"
    assert "no mount" in compare_rigs(a_rig(mount=None), a_rig()).up


def test_sizes_that_differ() -> None:
    small = replace(a_rig(), size=(320, 240), source="b.yaml")
    with pytest.raises(RigError, match=r"b\.yaml: calibrated at 640 x 480 px and at 320 x 240 px"):
        compare_rigs(a_rig(), small)


def test_the_conclusion_names_what_changed_and_what_it_does_at_one_metre() -> None:
    rig = known_rig()
    vector = np.zeros(14)
    vector[9] = np.radians(0.3)
    found = compare_rigs(rig, changed_rig(rig, vector), (2.0, 1.0))
    text = conclusion(found)
    assert text.startswith("Changed by 3 sigma or more: right camera yaw (about y, down) "
                           "(+0.3000 deg, ")
    largest = found.effects[1].range.largest_m
    assert f"; at 1 m ranges are read up to {1000 * largest:+.1f} mm off (" in text


def test_record_and_text_hold_the_same() -> None:
    rig = known_rig()
    found = compare_rigs(rig, changed_rig(rig, np.eye(14)[4] * 2), (0.05, 1.0))
    record, text = rig_comparison_record(found), rig_comparison_text(found)
    assert record["schema"] == "hazcam-rig-comparison/1"
    assert record["digests"] == {"a": found.a.digest, "b": found.b.digest}
    assert record["effects"][0]["range"]["largest_m"] is None
    assert record["changes"][4]["change"] == pytest.approx(2.0)
    assert "not seen by both" in text
    assert max(map(len, text.splitlines())) <= 100
    sigmas = record["changes"][4]["sigmas"]
    assert any(line.startswith("right fx") and f"{sigmas:+.1f}" in line
               for line in text.splitlines())
