"""Height, pitch and roll from a floor: exact planes, rendered floors, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hazcam.calibration import StereoRig, read_rig, write_rig
from hazcam.calibration.mount import mount_angles, mount_sigmas
from hazcam.disparity import CensusMatcher, DisparityMap
from hazcam.disparity.record import Blank
from hazcam.errors import PairError, RigError
from hazcam.floor import FloorPlane, find_floor, plane_of
from hazcam.frames import Floats, Pose
from hazcam.imagery import StereoPair, check_pictures, pair_from_arrays
from hazcam.mounting import (
    MountEstimate,
    check_height,
    combine,
    mounted_rig,
    placement_without_target,
)
from hazcam.rectification import RectifiedPair, rectify
from hazcam.report.mount import mount_record, mount_text
from tests.floors import floor_pair, mounted
from tests.rigs import a_rig
from tests.synthetic import ideal_rig

ROOT = Path(__file__).parents[1]
SIGMA = 0.1


@lru_cache
def rectified_noise() -> tuple[StereoPair, RectifiedPair]:
    """A pair of the ideal rig; what it shows does not matter where disparities are given."""
    rng = np.random.default_rng(0)
    grey = rng.integers(50, 200, (2, 480, 640), dtype=np.uint8)
    pair = pair_from_arrays(grey[0], grey[1], id="given")
    return pair, rectify(pair, ideal_rig(), check_pictures(pair))


def disparities(values: Floats) -> DisparityMap:
    known = np.isfinite(values)
    return DisparityMap(
        disparity_px=values.astype(np.float32),
        sigma_px=np.where(known, np.float32(SIGMA), np.float32(np.nan)),
        blank=np.where(known, np.uint8(Blank.MATCHED), np.uint8(Blank.NO_TEXTURE)),
        matcher="given")


def exact(*, height_m: float, pitch_deg: float, roll_deg: float) -> Floats:
    """Disparities of the plane z = 0 as ``RectifiedCamera`` has them; NaN far off."""
    pose = mounted(ideal_rig(), height_m=height_m, pitch_deg=pitch_deg, roll_deg=roll_deg).mount
    assert pose is not None
    rows, columns = np.indices((480, 640))
    found = rectified_noise()[1].camera.plane_disparity(pose, (0.0, 0.0, 0.0), columns, rows)
    return np.where(found > 5.0, found, np.nan)


def fit(values: Floats) -> FloorPlane:
    return plane_of(*rectified_noise(), disparities(values))


def numbers(floor: FloorPlane) -> Floats:
    return np.array([floor.height_m, floor.pitch_deg, floor.roll_deg])


# --- the plane ------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [(0.17, 18.0, 0.0), (0.12, 5.0, 3.0), (0.5, 45.0, -12.0)])
def test_an_exact_plane_gives_the_exact_place(place: tuple[float, float, float]) -> None:
    floor = fit(exact(height_m=place[0], pitch_deg=place[1], roll_deg=place[2]))
    np.testing.assert_allclose(numbers(floor), place, atol=1e-5)  # float32 disparities
    assert floor.off == 0
    assert floor.bow_px < 1e-4


def test_gross_errors_of_a_few_do_not_count() -> None:
    values = exact(height_m=0.2, pitch_deg=20.0, roll_deg=1.0)
    rng = np.random.default_rng(2)
    wrong = np.isfinite(values) & (rng.random(values.shape) < 0.08)
    floor = fit(np.where(wrong, rng.uniform(5, 200, values.shape), values))
    np.testing.assert_allclose(numbers(floor), [0.2, 20.0, 1.0], atol=1e-4)
    assert floor.off == pytest.approx(0.08, abs=0.01)


def test_errors_alike_within_patches_are_in_the_sigma() -> None:
    """Errors of 0.3 px alike over blocks of 16 px: the spread over 40 draws is what is stated."""
    values = exact(height_m=0.2, pitch_deg=20.0, roll_deg=0.0)
    rng = np.random.default_rng(3)
    floors = [fit(values + 0.3 * np.kron(rng.standard_normal((30, 40)), np.ones((16, 16))))
              for _ in range(40)]
    found = np.array([numbers(floor) for floor in floors])
    stated = np.sqrt(np.mean([np.diag(floor.covariance) for floor in floors], axis=0))
    # 1 / sqrt(2 * 39) is 11 % of a sigma: three of those either way
    ratio = found.std(axis=0, ddof=1) / stated
    assert np.all((ratio > 0.66) & (ratio < 1.34)), ratio


def test_height_is_proportional_to_the_baseline_of_the_rig() -> None:
    pair, rectified = rectified_noise()
    longer = replace(rectified, view=replace(rectified.view, camera=replace(
        rectified.camera, baseline_m=1.02 * rectified.camera.baseline_m)))
    given = disparities(exact(height_m=0.2, pitch_deg=20.0, roll_deg=0.0))
    assert plane_of(pair, longer, given).height_m == pytest.approx(0.2 * 1.02, abs=1e-6)


# --- what is refused ------------------------------------------------------------------------------


def test_a_step_in_the_floor_is_not_flat() -> None:
    values = exact(height_m=0.2, pitch_deg=20.0, roll_deg=0.0)
    values[:, 400:] *= 1.2
    with pytest.raises(PairError, match=r"given: not a flat floor: \d+% of the matches lie off"):
        fit(values)


def test_a_floor_that_bends_is_not_flat() -> None:
    columns = np.arange(640)
    bent = 1.9 * (((columns - 320) / 320.0) ** 2 - 1 / 3)
    values = exact(height_m=0.2, pitch_deg=30.0, roll_deg=0.0) + bent
    with pytest.raises(PairError, match=r"whole patches of the picture lie 0\.\d+ px"):
        plane_of(*rectified_noise(), replace(disparities(values), sigma_px=np.where(
            np.isfinite(values), np.float32(0.6), np.float32(np.nan))))


def test_a_wall_is_no_floor() -> None:
    with pytest.raises(PairError, match=r"a plane, but not a floor: .* pitched 90°"):
        fit(np.full((480, 640), 60.0))


def test_pictures_upside_down() -> None:
    with pytest.raises(PairError, match=r"rolled -?180°"):
        fit(exact(height_m=0.2, pitch_deg=20.0, roll_deg=0.0)[::-1, ::-1])


def test_too_little_matched() -> None:
    values = exact(height_m=0.2, pitch_deg=20.0, roll_deg=0.0)
    values[:440] = np.nan
    with pytest.raises(PairError, match=r"only 8% of the picture could be matched"):
        fit(values)


def test_a_missing_picture() -> None:
    pair = pair_from_arrays(np.zeros((480, 640), np.uint8), None, id="half")
    with pytest.raises(PairError, match="half: the right picture is missing"):
        find_floor(pair, ideal_rig(), CensusMatcher())


# --- rendered floors ------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "place"), [
    ("dunlin-em", (0.17, 18.0, 0.0)), ("dunlin-em-raw", (0.30, 32.0, -5.0)),
    ("dunlin-em-raw", (0.15, 15.0, 3.0)),
])
def test_rendered_floors_with_noise(name: str, place: tuple[float, float, float]) -> None:
    """Within 2 mm and 0.1 degrees, and within 4 of the stated sigma."""
    rig = mounted(read_rig(ROOT / "calibration" / f"{name}.yaml"), height_m=place[0],
                  pitch_deg=place[1], roll_deg=place[2], yaw_deg=4.0)
    floor = find_floor(floor_pair(rig, seed=2, noise_grey=1.5), replace(rig, mount=None),
                       CensusMatcher())
    error = numbers(floor) - place
    assert abs(error[0]) < 0.002
    assert np.abs(error[1:]).max() < 0.1
    assert np.all(np.abs(error) < 4 * np.sqrt(np.diag(floor.covariance)))


def test_a_rendered_bowl_is_refused() -> None:
    """2.5 cm of rise at 1 m from the middle of the view: no flat floor."""
    rig = mounted(ideal_rig(), height_m=0.25, pitch_deg=30.0, roll_deg=0.0)
    with pytest.raises(PairError, match="not a flat floor"):
        find_floor(floor_pair(rig, bump_m=0.1), rig, CensusMatcher())


# --- several pairs, calibration, and the check ----------------------------------------------------


def a_floor(height_m: float = 0.2, pitch_deg: float = 20.0, roll_deg: float = 0.0,
            sigma: tuple[float, float, float] = (1e-4, 0.01, 0.01)) -> FloorPlane:
    mount = mounted(ideal_rig(), height_m=height_m, pitch_deg=pitch_deg, roll_deg=roll_deg).mount
    assert mount is not None
    return FloorPlane(pair_id="p", pair_digest="d", up=mount.R[2], height_m=height_m,
                      covariance=np.diag(np.square(sigma)), matched=0.7, off=0.0, bow_px=0.05,
                      residual_px=0.05, residual_sigmas=0.5)


def test_pairs_are_averaged_and_their_spread_counts() -> None:
    rig = a_rig(mount=None)
    found = combine([a_floor(0.199), a_floor(0.201), a_floor(0.203)], rig)
    assert found.height_m == pytest.approx(0.201)
    assert found.spread[0] == pytest.approx(0.002)  # of 199, 201, 203 mm
    assert found.own_sigma[0] == pytest.approx(0.002 / np.sqrt(3))
    assert found.own_sigma[1] == pytest.approx(0.01 / np.sqrt(3))  # no spread: as stated
    alone = combine([a_floor()], rig)
    assert np.isnan(alone.spread).all()
    assert alone.own_sigma.tolist() == pytest.approx([1e-4, 0.01, 0.01])
    assert alone.calibration_sigma is None
    assert alone.sigma.tolist() == alone.own_sigma.tolist()


def test_the_baseline_s_sigma_is_that_share_of_the_height_alone() -> None:
    sigma = np.zeros(14)
    sigma[11] = 0.01 * ideal_rig().baseline_m
    found = combine([a_floor()], replace(ideal_rig(), covariance=np.diag(sigma**2)))
    assert found.calibration_sigma is not None
    np.testing.assert_allclose(found.calibration_sigma, [0.002, 0, 0], rtol=1e-5, atol=1e-7)
    assert found.sigma[0] == pytest.approx(np.hypot(1e-4, 0.002), rel=1e-5)


def test_the_principal_points_tilt_the_floor() -> None:
    """Both centres one pixel lower together: every ray one pixel up, pitch by about 1 / f."""
    both_lower = np.zeros(14)
    both_lower[[3, 7]] = 1.0
    rig = replace(ideal_rig(), covariance=np.outer(both_lower, both_lower))
    found = combine([a_floor(pitch_deg=5.0)], rig).calibration_sigma
    assert found is not None
    assert found[1] == pytest.approx(np.degrees(1 / rig.K1[0, 0]), rel=0.05)
    assert found[2] < 1e-4


def test_what_the_calibration_leaves_open_is_seen_by_other_rigs() -> None:
    """Floors that are read with a changed rig lie as far off as the derivative says."""
    change = np.zeros(14)
    change[9] = 5e-4  # the right camera turned about y
    rig = replace(ideal_rig(), covariance=np.outer(change, change))
    found = combine([a_floor()], rig).calibration_sigma
    assert found is not None
    # coordinates turned by a about y shift the right columns by f a (1 + x²), so disparities fall
    columns = np.arange(640)
    values = exact(height_m=0.2, pitch_deg=20.0, roll_deg=0.0)
    x = (columns - values - 319.5) / rig.K1[0, 0]
    off = numbers(fit(values - rig.K1[0, 0] * 5e-4 * (1 + x**2))) - [0.2, 20.0, 0.0]
    assert abs(off[1]) == pytest.approx(found[1], rel=0.1)
    # the height hardly moves: near and far floor are read too far and too near
    assert max(abs(off[0]), found[0]) < 2e-4


def test_a_measured_height_that_agrees() -> None:
    check = check_height(combine([a_floor(0.2004)], a_rig()), 0.2, 0.0005)
    assert check.agrees
    assert check.text.startswith("agrees: by the pictures the camera stands +0.20 % ± 0.25 %")
    assert "off by less than 0.8 % would not show" in check.text


def test_a_measured_height_that_does_not() -> None:
    check = check_height(combine([a_floor(0.204)], a_rig()), 0.2, 0.0005)
    assert not check.agrees
    assert "the baseline is off by +2.00 % ± 0.25 %" in check.text
    assert "do not trust ranges" in check.text


# --- the rest of the mount ------------------------------------------------------------------------


def test_yaw_and_offsets_of_the_rig_are_kept() -> None:
    rig = a_rig()
    assert rig.mount is not None
    placement = placement_without_target(rig, None, 0.06)
    assert (placement.x_m, placement.y_m) == (rig.mount.t[0], 0.06)
    assert placement.yaw_deg == pytest.approx(-0.6)
    assert placement.x_from == placement.yaw_from == "kept from the rig's mount"
    assert "measured" in placement.y_from


@pytest.mark.parametrize(("given", "lacking"), [
    ({"x_m": None, "y_m": None}, "--camera-x-m and --camera-y-m"),
    ({"x_m": 0.1, "y_m": None}, "give --camera-y-m,"),
])
def test_a_bare_rig_needs_its_offsets(given: dict[str, Any], lacking: str) -> None:
    with pytest.raises(RigError, match=f"has no mount(.|\n)*{lacking}"):
        placement_without_target(a_rig(mount=None), **given)
    placement = placement_without_target(a_rig(mount=None), 0.1, 0.05)
    assert placement.yaw_deg == 0
    assert "assumed" in placement.yaw_from


def test_the_mounted_rig_stands_so_and_says_why(tmp_path: Path) -> None:
    rig = a_rig(mount=None, provenance={"made": "by hand"})
    estimate = combine([a_floor(0.21, 22.0, 1.5)], rig)
    found = mounted_rig(rig, estimate, placement_without_target(rig, 0.15, -0.02), None)
    write_rig(found, tmp_path / "out.yaml")
    back = read_rig(tmp_path / "out.yaml")
    assert back.digest == found.digest != rig.digest
    assert isinstance(back.mount, Pose)
    angles = mount_angles(back.mount.R)
    assert (angles.roll_deg, angles.pitch_deg, angles.yaw_deg) == pytest.approx((1.5, 22.0, 0.0))
    np.testing.assert_allclose(back.mount.t, [0.15, -0.02, 0.21])
    said = back.provenance["mount"]
    assert back.provenance["made"] == "by hand"
    assert said["height_own_sigma_m"] == pytest.approx(1e-4)
    assert "assumed" in said["yaw"]
    assert "not known" in said["calibration_part"]


def test_a_mount_that_no_rig_may_have_is_refused() -> None:
    rig = a_rig(mount=None)
    with pytest.raises(RigError, match=r"mount_t: puts the camera 170 m(.|\n)*divide by 1000"):
        mounted_rig(rig, combine([a_floor()], rig), placement_without_target(rig, 170.0, 0.0), None)


@pytest.mark.parametrize(("measured_m", "result"), [(0.2, "agrees"), (0.19, "disagrees")])
def test_the_check_of_the_height_goes_with_the_rig(measured_m: float, result: str) -> None:
    rig = a_rig()
    estimate = combine([a_floor(0.2)], rig)
    check = check_height(estimate, measured_m, 0.001)
    said = mounted_rig(rig, estimate, placement_without_target(rig, None, None), check)
    kept = said.provenance["mount"]["height_check"]
    assert kept["result"] == result
    assert (kept["measured_m"], kept["measured_sigma_m"]) == (measured_m, 0.001)
    assert kept["share"] == pytest.approx(0.2 / measured_m - 1)
    bare = mounted_rig(rig, estimate, placement_without_target(rig, None, None), None)
    assert "not made" in bare.provenance["mount"]["height_check"]["result"]


def test_sigmas_in_the_provenance_are_read_again(tmp_path: Path) -> None:
    """Of a rig with a covariance; those of kept offsets stay with the next mount."""
    rig = replace(ideal_rig(), covariance=np.diag([1e-2] * 8 + [1e-8] * 6))
    estimate = combine([a_floor(0.2)], rig)
    placement = replace(placement_without_target(rig, None, None), x_sigma_m=0.003)
    write_rig(mounted_rig(rig, estimate, placement, None), tmp_path / "out.yaml")
    back = read_rig(tmp_path / "out.yaml")
    assert back.mount is not None
    known = mount_sigmas(back.mount, back.provenance)
    assert [known[name] for name in ("height", "pitch", "roll")] == pytest.approx(
        estimate.sigma.tolist())
    assert (known["x"], known["y"], known["yaw"]) == (0.003, None, None)
    own = mount_sigmas(back.mount, back.provenance, own=True)
    assert own["pitch"] == pytest.approx(estimate.own_sigma[1])
    assert own["x"] == 0.003
    assert placement_without_target(back, None, None).x_sigma_m == 0.003
    assert placement_without_target(back, 0.1, None).x_sigma_m is None


def everything(rig: StereoRig, estimate: MountEstimate) -> tuple[dict[str, Any], str]:
    placement = placement_without_target(rig, None, None)
    check = check_height(estimate, 0.2, 0.001)
    record = mount_record(rig, mounted_rig(rig, estimate, placement, check), estimate, placement,
                          check, {"bad.pair.json": "why"})
    return record, mount_text(record)


def test_record_and_text_say_what_is_not_known() -> None:
    rig = a_rig()
    record, text = everything(rig, combine([a_floor()], rig))
    assert record["schema"] == "hazcam-mount/1"
    assert record["found"]["height_calibration_sigma_m"] is None
    assert record["found"]["height_spread_m"] is None
    assert "not known" in text
    assert "no scene shows the" in text
    assert "failed: bad.pair.json" in text
    assert "states no covariance" in text
    assert text.startswith("The left camera stands 200.00 ± ")
    assert "measured height 200.0 ± 1.0 mm agrees" in " ".join(text.split())
    assert "farther than 1 px and 4 sigma from it" in " ".join(text.split())
    assert "\n  its own noise " in text
    assert "\n  calibration's part " in text
    assert max(map(len, text.splitlines())) <= 100


def test_record_and_text_of_several_pairs() -> None:
    rig = replace(ideal_rig(), covariance=np.diag([1e-2] * 8 + [1e-8] * 3 + [1e-8] * 3))
    record, text = everything(rig, combine([a_floor(0.2), a_floor(0.201)], rig))
    assert record["found"]["height_spread_m"] == pytest.approx(0.001 / np.sqrt(2))
    assert "not known" not in text
    assert text.count("\np ") == 2


def test_a_height_that_disagrees_comes_first() -> None:
    rig = ideal_rig()
    estimate = combine([a_floor(0.2)], rig)
    check = check_height(estimate, 0.19, 0.001)
    placement = placement_without_target(rig, None, None)
    record = mount_record(rig, mounted_rig(rig, estimate, placement, check), estimate, placement,
                          check, {})
    text = " ".join(mount_text(record).split())
    assert text.startswith("Do not use this mount yet. The measured height 190.0 ± 1.0 mm "
                           f"disagrees by {check.sigmas:.1f} sigma: the baseline is off by +5.26 %")
    assert record["conclusion"].endswith("by 1 pair (± the fit alone: the rig states no "
                                         "covariance).")
