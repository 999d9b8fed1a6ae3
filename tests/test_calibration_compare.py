"""What changed between two rigs: parameters, sigmas, and the sentence that sums it up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hazcam.calibration import StereoRig
from hazcam.calibration.compare import ParameterChange, RigComparison, compare_rigs
from hazcam.calibration.effect import changed_rig
from hazcam.calibration.mount import (
    MountAngles,
    mount_angles,
    mount_numbers,
    mount_provenance,
    mount_rotation,
)
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
    assert conclusion(found) == "The two rigs are identical."
    assert "largest" not in rig_comparison_text(found)
    assert found.notes == ()
    nearly = conclusion(compare_rigs(rig, changed_rig(rig, 0.01 * np.eye(14)[0])))
    assert nearly.startswith("Nothing changed by 3 sigma or more. At 1 m ranges are read ")
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
    assert conclusion(found).startswith("Whether the cameras changed significantly is not known: "
                                        "no covariance in B. At 1 m")
    assert "in the median (± not known), at most" in conclusion(found)
    assert conclusion(compare_rigs(bare, bare)) == "The two rigs are identical."
    assert all(e.range.middle_sigma_m is None for e in found.effects)


def test_a_short_covariance_leaves_that_of_the_distortion_unknown() -> None:
    rig = known_rig()
    assert rig.covariance is not None
    short = replace(changed_rig(rig, np.eye(14)[0]), covariance=rig.covariance[:14, :14])
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
    change = found.effects[1].range
    assert change.median_sigma_m is not None
    assert change.largest_sigma_m is not None
    assert (f". At 1 m ranges are read {1000 * change.median_m:.1f} ± "
            f"{1000 * change.median_sigma_m:.1f} mm off in the median, at most "
            f"{1000 * change.largest_m:+.1f} ± {1000 * change.largest_sigma_m:.1f} mm "
            f"({change.largest_at}), heights ") in text
    assert "mount" not in text


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


# --- the mount ------------------------------------------------------------------------------------

MOUNT_SIGMAS = {"height": 0.001, "pitch": 0.05, "roll": 0.04, "yaw": None, "x": None, "y": None}


def moved_mount(rig: StereoRig, **by: float) -> StereoRig:
    """The rig with numbers of its mount changed."""
    assert rig.mount is not None
    numbers = mount_numbers(rig.mount)
    to = {name: value + by.get(name, 0.0) for name, value in numbers.items()}
    angles = MountAngles(roll_deg=to["roll"], pitch_deg=to["pitch"], yaw_deg=to["yaw"])
    return replace(rig, mount=Pose(R=mount_rotation(angles),
                                   t=np.array([to["x"], to["y"], to["height"]])))


def known_mount(rig: StereoRig, *, own: float | None = None, whole: bool = True) -> StereoRig:
    """The rig as what mounted it leaves it: its sigmas in the provenance."""
    assert rig.mount is not None
    own_sigmas = {name: own * sigma for name, sigma in MOUNT_SIGMAS.items() if own and sigma}
    return replace(rig, provenance={"mount": mount_provenance(
        mount_numbers(rig.mount), MOUNT_SIGMAS if whole else {}, own_sigmas)})


def test_a_pitch_of_the_mount_lowers_ground_by_its_sine() -> None:
    """Closed form, straight ahead: the line of sight is read higher by the angle of the turn."""
    a = a_rig(mount=Pose(R=mount_rotation(MountAngles(roll_deg=0, pitch_deg=18, yaw_deg=0)),
                         t=np.array([0.17, 0.05, 0.17])),
              K1=np.array([[505.0, 0, 319.5], [0, 504.0, 239.5], [0, 0, 1]]),
              D1=np.zeros(5), D2=np.zeros(5))
    found = compare_rigs(a, moved_mount(a, pitch=5.0), (1.0, 2.0))
    for effect, distance in zip(found.mount_effects, (1.0, 2.0), strict=True):
        below = np.arcsin(0.17 / distance)
        expected = 0.17 - distance * np.sin(below - np.radians(5.0))
        assert effect.height.middle_m == pytest.approx(expected, abs=1e-9)
        along = distance * (np.cos(below - np.radians(5.0)) - np.cos(below))
        assert effect.place.middle_m == pytest.approx(along, abs=1e-9)


def test_a_higher_camera_and_a_yaw() -> None:
    """Height moves all ground by as much; yaw moves none, but its place by the chord."""
    a = a_rig()
    assert a.mount is not None
    up = compare_rigs(a, moved_mount(a, height=0.01), (1.0,)).mount_effects[0]
    assert (up.height.middle_m, up.height.largest_m) == pytest.approx((-0.01, -0.01))
    assert up.place.largest_m == pytest.approx(0, abs=1e-12)
    aside = compare_rigs(a, moved_mount(a, yaw=5.0), (1.0,)).mount_effects[0]
    assert aside.height.largest_m == pytest.approx(0, abs=1e-12)
    reach = np.sqrt(1 - a.mount.t[2] ** 2)
    assert aside.place.median_m == pytest.approx(2 * reach * np.sin(np.radians(2.5)))


def test_sigma_of_the_mount_s_effect_is_seen_in_other_mounts() -> None:
    """Scatter of the height over mounts drawn from the sigmas of both, 1 % of 20 000 draws."""
    a = known_mount(a_rig())
    effect = compare_rigs(a, known_mount(moved_mount(a, pitch=0.1)), (1.0,)).mount_effects[0]
    sigma = effect.height.middle_sigma_m
    rng, reach = np.random.default_rng(3), np.sqrt(1 - 0.17**2)
    draws = sum(rng.normal(0, 0.001, 20000) + reach * np.radians(rng.normal(0, 0.05, 20000))
                for _ in range(2))
    assert sigma == pytest.approx(float(np.std(draws)), rel=0.03)


def test_a_mount_that_changed_is_in_the_conclusion() -> None:
    rig = known_rig()
    text = conclusion(compare_rigs(rig, moved_mount(rig, pitch=5.0)))
    assert text.startswith("The cameras are the same. The mount changed, by how many sigma is not "
                           "known: pitch (+5.0000 deg). By the change of the mount alone the "
                           "height of ground at 1 m is read ")
    known = known_mount(rig)
    text = conclusion(compare_rigs(known, known_mount(moved_mount(known, pitch=0.5))))
    assert f"mount pitch (+0.5000 deg, {0.5 / np.hypot(0.05, 0.05):.1f} sigma)" in text
    assert "not known" not in text
    text = conclusion(compare_rigs(known, known_mount(moved_mount(known, pitch=0.1))))
    assert "Of the mount nothing changed by 3 sigma or more" in text


@pytest.mark.parametrize("other", [
    moved_mount(known_mount(a_rig()), height=0.01, pitch=0.5, roll=0.1),  # replaced since
    replace(moved_mount(a_rig(), pitch=0.5), provenance={"mount": "by hand"}),
])
def test_sigmas_that_are_not_of_the_mount_as_it_is_do_not_count(other: StereoRig) -> None:
    found = compare_rigs(known_mount(a_rig()), other)
    assert named(found, "mount pitch").sigma is None
    assert found.mount_effects[0].height.middle_sigma_m is None


def test_what_one_calibration_leaves_open_of_both_mounts_drops_out() -> None:
    """The own sigma counts for the same cameras, and for no others."""
    a = known_mount(a_rig(), own=0.1)
    b = known_mount(moved_mount(a_rig(), pitch=0.1), own=0.1)
    assert named(compare_rigs(a, b), "mount pitch").sigma == pytest.approx(0.005 * np.sqrt(2))
    assert "(+0.1000 deg, 14.1 sigma)" in conclusion(compare_rigs(a, b))
    other = changed_rig(b, np.eye(14)[0])
    assert named(compare_rigs(a, other), "mount pitch").sigma == pytest.approx(0.05 * np.sqrt(2))
    alone = known_mount(b, own=0.1, whole=False)
    assert named(compare_rigs(a, alone), "mount pitch").sigma == pytest.approx(0.005 * np.sqrt(2))
    other = known_mount(other, own=0.1, whole=False)
    assert named(compare_rigs(a, other), "mount pitch").sigma is None


def test_ground_nearer_than_the_camera_is_high() -> None:
    rig = known_rig()
    found = compare_rigs(rig, moved_mount(rig, pitch=5.0), (0.1,))
    assert "no ground at that distance" in conclusion(found)
    assert "out of reach" in rig_comparison_text(found)
    assert rig_comparison_record(found)["mount_effects"][0]["height"]["median_m"] is None


def test_one_rig_without_a_mount_is_in_the_conclusion() -> None:
    rig = known_rig()
    text = conclusion(compare_rigs(rig, replace(rig, mount=None)))
    assert text == "The cameras are the same. The mounts are not compared: B has none."
    assert "parameter" not in rig_comparison_text(compare_rigs(rig, replace(rig, mount=None)))


def test_of_the_same_cameras_only_the_mount_is_shown() -> None:
    rig = known_rig()
    text = rig_comparison_text(compare_rigs(rig, moved_mount(rig, pitch=5.0)))
    starts = [line.split()[0] for line in text.splitlines() if line]
    assert starts.count("mount") == 6
    assert not any(f"\n{name}" in text for name in ("left fx", "right k1", "baseline length"))
    assert text.count("   ground   ") == text.count("   place   ") == 4
    both = rig_comparison_text(compare_rigs(rig, changed_rig(moved_mount(rig, yaw=1.0),
                                                             np.eye(14)[0])))
    assert both.count("   range   ") == both.count("   place   ") == 4
    alone = rig_comparison_text(compare_rigs(rig, changed_rig(rig, np.eye(14)[0])))
    assert "   place   " not in alone
    assert "Ground and place" not in alone


def test_solutions_of_the_same_pictures_are_not_independent() -> None:
    rig = replace(known_rig(), provenance={"pictures_digest": "12ab"})
    other = changed_rig(rig, np.eye(14)[0])
    assert any("solved from the same pictures" in n for n in compare_rigs(rig, other).notes)
    for provenance in ({"pictures_digest": "34cd"}, {}):
        notes = compare_rigs(rig, replace(other, provenance=provenance)).notes
        assert not any("same pictures" in note for note in notes)


def test_the_turn_of_a_against_itself_is_no_number() -> None:
    rig = known_rig()
    found = compare_rigs(rig, changed_rig(rig, 1e-3 * np.eye(14)[8]))
    assert named(found, "right camera pitch").a is None
    line = next(line for line in rig_comparison_text(found).splitlines()
                if line.startswith("right camera pitch"))
    assert line.split()[6:8] == ["-", f"{np.degrees(1e-3):.4f}"]
