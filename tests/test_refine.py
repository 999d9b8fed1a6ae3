"""``--refine``: the turn of the right camera taken out for one pair, and said so everywhere."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam import Settings, assess_pair, read_rover, report
from hazcam.assess import Assessment, view_of
from hazcam.calibration import StereoRig, read_rig, write_rig
from hazcam.cli import main
from hazcam.drift import turned
from hazcam.imagery import StereoPair, check_pictures, pair_from_arrays, read_pair
from hazcam.refinement import MAX_REFINE_SIGMA_DEG, NO_TURN, Refinement, refine_on
from hazcam.report.drawing import captions_in
from hazcam.report.refined_record import refined_text
from hazcam.report.stores import read_store
from tests.conftest import terrain_of
from tests.synthetic import LEVEL

ROOT = Path(__file__).parents[1]
SIDECAR = ROOT / "sample_pairs" / "scattered-rocks.pair.json"
TURN = np.array([0.3, 0.0, 0.3])


def rig() -> StereoRig:
    return read_rig(ROOT / "calibration" / "dunlin-em.yaml")


def assessed(rig: StereoRig, *, refine: bool, pair: StereoPair | None = None) -> Assessment:
    return assess_pair(pair or read_pair(SIDECAR), rig, read_rover("dunlin-em"),
                       Settings(headings_deg=(0.0, 15.0), refine=refine))


@pytest.fixture(scope="module")
def as_calibrated() -> Assessment:
    return assessed(rig(), refine=True)


@pytest.fixture(scope="module")
def plain() -> Assessment:
    return assessed(rig(), refine=False)


@pytest.fixture(scope="module")
def drifted() -> Assessment:
    """With a rig file that does not know that the camera nodded and rolled."""
    return assessed(turned(rig(), -TURN), refine=True)


def test_a_drifted_rig_asks_without_and_is_judged_with_refinement(drifted: Assessment) -> None:
    without = assessed(turned(rig(), -TURN), refine=False)
    kinds = {cause.kind for verdict in without.verdicts for cause in verdict.causes}
    assert "rig no longer matches its calibration" in kinds
    assert without.refined is None
    kinds = {cause.kind for verdict in drifted.verdicts for cause in verdict.causes}
    assert "rig no longer matches its calibration" not in kinds
    assert drifted.epipolar is not None
    assert drifted.epipolar.matches_calibration


def test_the_refined_rig_does_not_depend_on_the_drift(
    drifted: Assessment, as_calibrated: Assessment
) -> None:
    """Whatever the file says, the pictures show one rig, and the ground is read the same."""
    assert drifted.refined is not None
    assert as_calibrated.refined is not None
    assert drifted.refined.drift is not None
    assert as_calibrated.refined.drift is not None
    off = drifted.refined.drift.turn_deg - as_calibrated.refined.drift.turn_deg - TURN
    assert np.all(np.abs(off) < as_calibrated.refined.drift.sigma_deg)
    heights = terrain_of(drifted).mean_m - terrain_of(as_calibrated).mean_m
    assert np.nanmedian(np.abs(heights)) < 0.001


def test_what_is_left_open_is_carried(as_calibrated: Assessment, plain: Assessment) -> None:
    assert as_calibrated.view.scale_sigma > plain.view.scale_sigma
    assert as_calibrated.view.tilt_sigma_deg > plain.view.tilt_sigma_deg
    # 0.01 degrees of vergence at 1 m and a baseline of 0.1 m: 0.17 % of range, 0.02 degrees.
    share = np.sqrt(as_calibrated.view.scale_sigma**2 - plain.view.scale_sigma**2)
    assert 0.001 < share < 0.005


def test_the_calibration_stays_what_it_is(drifted: Assessment) -> None:
    assert drifted.rig.digest == turned(rig(), -TURN).digest
    record = report.as_record(drifted, inputs={})
    refined = record["refined"]
    assert record["digests"]["rig"] == refined["before"]["rig"]
    assert refined["after"]["rig"] not in (None, refined["before"]["rig"])
    assert refined["used"] is True
    assert max(refined["sigma_deg"]) <= MAX_REFINE_SIGMA_DEG
    assert record["settings"]["refine"] is True


def test_nothing_is_said_where_it_was_not_asked_for(plain: Assessment) -> None:
    record = report.as_record(plain, inputs={})
    assert "refined" not in record
    assert "refine" not in record["settings"]


def test_a_pair_that_shows_too_little_is_refused() -> None:
    """The lowest third of the pair hardly tells vergence from roll."""
    pair = read_pair(SIDECAR)
    assert pair.left is not None
    assert pair.right is not None
    dark = [np.where(np.arange(480)[:, None] < 330, 0, p) for p in (pair.left, pair.right)]
    strip = pair_from_arrays(*(p.astype(np.uint8) for p in dark), id="strip", attitude=LEVEL)
    found = assessed(turned(rig(), (0.3, 0.0, 0.0)), refine=True, pair=strip)
    assert found.refined is not None
    assert found.refined.refused
    assert not found.refined.used
    assert found.refined.rig is found.rig
    text = report.as_record(found, inputs={})["refined"]["text"]
    assert text.startswith("not refined: ")
    assert "limit 0.02°" in text
    assert "hazcam calibrate drift FOLDER --rig-out FILE" in text


def test_one_picture_is_not_refined() -> None:
    one = replace(read_pair(SIDECAR), right=None)
    record = report.as_record(assessed(rig(), refine=True, pair=one), inputs={})
    assert record["refined"]["used"] is False
    assert "both pictures" in record["refined"]["text"]


# From the command line


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    folder = tmp_path_factory.mktemp("refined")
    write_rig(turned(rig(), -TURN), folder / "rig.yaml")
    result = CliRunner().invoke(main, [
        "assess", str(SIDECAR), "--rig", str(folder / "rig.yaml"), "--headings", "0,15",
        "--refine", "-o", str(folder / "out")])
    return folder, result


def test_every_output_says_so(written: tuple[Path, Result]) -> None:
    folder, result = written
    assert result.exit_code == 0
    out = folder / "out" / "scattered-rocks"
    words = "the right camera has turned against the left one since the calibration by pitch"
    assert words in " ".join(result.stdout.split())
    assert "the refined rig matches the pictures" in " ".join(result.stdout.split())
    record = json.loads((out / "assessment.json").read_text())
    assert record["refined"]["text"] in " ".join((out / "page.html").read_text().split())
    for name in ("terrain.npz", "demands.npz"):
        said = read_store(out / name).said
        assert said["refined"]["text"] == record["refined"]["text"]
    judged = CliRunner().invoke(main, ["judge", str(out / "terrain.npz")])
    assert words in " ".join(judged.stdout.split())


def test_the_captions_of_the_figures_say_so(
    as_calibrated: Assessment, plain: Assessment
) -> None:
    assert captions_in(as_calibrated) > captions_in(plain)


def test_the_index_of_a_folder_says_so(as_calibrated: Assessment, tmp_path: Path) -> None:
    record = report.write_assessment(as_calibrated, tmp_path / "scattered-rocks", {})
    report.write_index(tmp_path, [record], {})
    assert record["refined"]["text"] in " ".join((tmp_path / "index.html").read_text().split())


def test_it_is_reproduced(written: tuple[Path, Result]) -> None:
    folder, _ = written
    result = CliRunner().invoke(
        main, ["reproduce", str(folder / "out" / "scattered-rocks" / "assessment.json")])
    assert result.exit_code == 0, result.output
    assert "reproduced to the byte" in result.output


# A rig that states a covariance


def refined_with(vergence_sigma_deg: float) -> Refinement:
    covariance = np.zeros((14, 14))
    covariance[9, 9] = np.radians(vergence_sigma_deg) ** 2
    pair, known = read_pair(SIDECAR), replace(rig(), covariance=covariance)
    return refine_on(pair, known, check_pictures(pair), view_of(pair.attitude, known, Settings()))


def test_the_limit_is_on_what_the_pictures_leave_open() -> None:
    """0.04 degrees of the calibration's own do not refuse it, and are in what is left open."""
    found, without = refined_with(0.04), refined_with(0.0)
    assert found.drift is not None
    assert found.drift.sigma_deg[1] > 0.04 > MAX_REFINE_SIGMA_DEG
    assert found.used
    assert found.view.scale_sigma > 1.5 * without.view.scale_sigma
    assert "the calibration's own part is 0.000°, 0.040°, 0.000°" in refined_text(found)


def test_a_calibration_that_leaves_the_ground_open_is_refused() -> None:
    """0.2 degrees are 10 mm of height at 1 m; two sigma of it have to be within 5 mm."""
    found = refined_with(0.2)
    assert not found.used
    assert "which no pairs lower" in found.refused
    assert "calibrate with more views" in refined_text(found)


def refined_by(believed: StereoRig) -> Refinement:
    pair = read_pair(SIDECAR)
    return refine_on(pair, believed, check_pictures(pair),
                     view_of(pair.attitude, believed, Settings()))


def test_what_is_no_turn_of_one_camera_is_refused() -> None:
    """R of the file rolled by 0.5 degrees, T not: the baseline would have turned as well."""
    found = refined_by(replace(turned(rig(), (0.0, 0.0, 0.5)), T=rig().T))
    assert not found.used
    assert "the baseline would have to have turned by 0.4" in refined_text(found)


def test_a_turn_that_is_no_more_than_chance_is_left(drifted: Assessment) -> None:
    """With the rig that the pair itself asks for nothing is left to take out."""
    assert drifted.refined is not None
    found = refined_by(drifted.refined.rig)
    assert not found.used
    assert refined_text(found) == f"not refined: {NO_TURN}"


def test_a_rig_that_was_hit_hard_is_to_be_calibrated_anew() -> None:
    found = refined_by(turned(rig(), (-0.9, 0.0, 0.0)))
    assert not found.used
    assert "calibrate anew" in found.refused


def test_the_turn_may_be_the_other_cameras(drifted: Assessment) -> None:
    """0.3 degrees of pitch and of roll: any share may be the left camera's, so heights tilt."""
    assert drifted.refined is not None
    tilt = np.hypot(0.5, np.hypot(0.3, 0.3) / np.sqrt(3))
    assert drifted.view.tilt_sigma_deg == pytest.approx(tilt, abs=0.02)
