"""Scoring a scene: the rows against the plan, the verdicts against the assessment itself."""

from __future__ import annotations

import shutil
from dataclasses import replace
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.errors import RoverError
from hazcam.imagery import read_pair
from hazcam.rover import RoverProfile, read_rover, with_limits
from hazcam.scene.io import TruthError
from hazcam.scene.rehearsal.record import NOT_ASSESSED, HeadingRow, Plan, SceneScore
from hazcam.scene.rehearsal.score import OWN_STRIP_M, score_pair
from hazcam.settings import Settings
from tests.rehearsal.box_truth import depth_of, truth_of, write_boxes, write_truth
from tests.rehearsal.ideal_matcher import IdealMatcher
from tests.synthetic import Box, Scene, ideal_rig

ROVER = read_rover("dunlin-em")
WALL = Scene(boxes=(Box(1.00, 1.10, -0.60, 0.60, 0.07),))
PLAN = Plan(limits_m=(0.04, 0.08), look_aheads_m=(0.6, 1.0), headings_deg=(-10.0, 0.0))


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_boxes(tmp_path_factory.mktemp("boxes"), WALL)


@pytest.fixture(scope="module")
def score(sidecar: Path) -> SceneScore:
    return score_pair(sidecar, PLAN)


@pytest.fixture
def broken(sidecar: Path, tmp_path: Path) -> Path:
    """A copy whose left picture is black."""
    folder = tmp_path / "broken"
    shutil.copytree(sidecar.parent, folder)
    cv2.imwrite(str(folder / "boxes.left.png"), np.zeros((480, 640), np.uint8))
    return folder / sidecar.name


def rows_with(score: SceneScore, **wanted: object) -> list[HeadingRow]:
    return [row for row in score.rows
            if all(getattr(row, name) == value for name, value in wanted.items())]


def key(row: HeadingRow) -> tuple[object, ...]:
    return row.sensor, row.strip, row.limit_m, row.look_ahead_m, row.heading_deg


def test_there_is_one_row_for_each_of_all_combinations(score: SceneScore) -> None:
    expected = set(product(("matched", "ideal"), ("straight ahead", "own"), PLAN.limits_m,
                           PLAN.look_aheads_m, PLAN.headings_deg))
    assert len(score.rows) == len(expected) == 32
    assert {key(row) for row in score.rows} == expected


def test_a_wall_blocks_what_is_lower_than_it_and_nothing_is_sent_into_it(
    score: SceneScore,
) -> None:
    """7 cm high, its face 0.845 m from the nose: within 0.6 m it does not matter."""
    for sensor in ("matched", "ideal"):
        row, = rows_with(score, sensor=sensor, strip="straight ahead", limit_m=0.04,
                         look_ahead_m=1.0, heading_deg=0.0)
        assert (row.label, row.blocking_kind, row.verdict) == ("blocked", "rock", "ask-ground")
        assert row.ratio == pytest.approx(0.07 / 0.04)
        assert row.true_clear_m == pytest.approx(0.845, abs=0.01)
        assert 0.0 < row.clear_m < row.true_clear_m + 0.03
        assert row.exceeds is True
        assert row.probability > 0.9
        short, = rows_with(score, sensor=sensor, strip="straight ahead", limit_m=0.04,
                           look_ahead_m=0.6, heading_deg=0.0)
        assert (short.label, short.verdict, short.cause) == ("free", "go", "")
        assert short.clear_m == short.true_clear_m == pytest.approx(0.6)
        assert (short.exceeds, short.bounded) == (False, True)
        assert short.probability <= 1 - PLAN.confidence  # as it is a go
    assert not any(row.is_false_go for row in score.rows)


def assessed(sidecar: Path, rover: RoverProfile, settings: Settings) -> Assessment:
    return assess_pair(read_pair(sidecar), ideal_rig(), rover, settings)


@pytest.mark.parametrize("strip", ["straight ahead", "own"])
@pytest.mark.parametrize("sensor", ["matched", "ideal"])
def test_verdicts_are_those_that_an_assessment_gives(
    score: SceneScore, sidecar: Path, sensor: str, strip: str
) -> None:
    """With the limits of the plan set by the user, at that look-ahead and confidence."""
    limits = dict.fromkeys(("step", "drop", "belly"), 0.08)
    settings = Settings(headings_deg=PLAN.headings_deg, look_ahead_m=0.6)
    if strip == "own":
        settings = replace(settings, near_strip_max_m=OWN_STRIP_M)
    if sensor == "ideal":
        settings = replace(settings, matcher=IdealMatcher(
            depth=depth_of(WALL), truth=truth_of(WALL), rig=ideal_rig()))
    found = assessed(sidecar, with_limits(ROVER, limits), settings)
    rows = rows_with(score, sensor=sensor, strip=strip, limit_m=0.08, look_ahead_m=0.6)
    for row, verdict, demand in zip(rows, found.verdicts, found.demands, strict=True):
        assert row.heading_deg == verdict.heading_deg
        assert row.verdict == verdict.verdict
        assert row.clear_m == pytest.approx(verdict.clear_m)
        assert row.assumed_m == pytest.approx(demand.assumed_m)
        assert row.probability == pytest.approx(verdict.probability)
        assert row.bounded == verdict.bounded
        assert row.cause == (verdict.causes[0].kind if verdict.causes else "")


def test_a_rig_that_moved_is_held_against_the_matched_sensor_alone(
    sidecar: Path, tmp_path: Path
) -> None:
    """The rig check looks at the pictures; the ideal sensor has none."""
    folder = tmp_path / "moved"
    shutil.copytree(sidecar.parent, folder)
    right = cv2.imread(str(folder / "boxes.right.png"), cv2.IMREAD_UNCHANGED)
    assert right is not None
    cv2.imwrite(str(folder / "boxes.right.png"), np.roll(right, 2, axis=0))
    found = score_pair(folder / sidecar.name, replace(PLAN, headings_deg=(0.0,)))
    matched, ideal = (rows_with(found, sensor=sensor) for sensor in ("matched", "ideal"))
    assert {row.cause for row in matched} == {"rig no longer matches its calibration"}
    assert not any(row.can_go or row.bounded for row in matched)
    assert "rig no longer matches its calibration" not in {row.cause for row in ideal}
    assert any(row.can_go for row in ideal)


def test_the_measures_are_those_of_the_matched_pair(score: SceneScore) -> None:
    known = np.isfinite(score.disparity.error)
    assert 0.5 < known.mean() < 1.0
    assert abs(float(np.median(score.disparity.error[known]))) < 0.1
    assert abs(float(np.median(score.elevation.error))) < 0.003
    assert np.abs(score.obstacle_height.error).max() < 0.01
    assert len(score.obstacle_height.error) == 1


def test_what_is_said_of_the_scene_is_that_of_its_truth(score: SceneScore) -> None:
    assert (score.pair, score.mixture, score.digest) == ("boxes", "boxes/1", "digest of boxes")
    assert (score.sun_elevation_deg, score.compression, score.rig) == (30.0, "none", "ideal-rig")
    assert score.failure == ""


def test_a_pair_that_fails_asks_in_every_row_and_keeps_its_labels(
    score: SceneScore, broken: Path
) -> None:
    found = score_pair(broken, PLAN)
    assert "black" in found.failure
    assert str(broken.parent) not in found.failure
    assert [key(row) for row in found.rows] == [key(row) for row in score.rows]
    for row, whole in zip(found.rows, score.rows, strict=True):
        if row.sensor == "ideal":
            assert row == whole, "no picture has a say"
            continue
        assert (row.verdict, row.cause, row.clear_m) == ("ask-ground", NOT_ASSESSED, 0.0)
        assert not row.can_go
        assert not row.bounded
        assert np.isnan(row.probability)
        assert (row.label, row.exceeds) == (whole.label, whole.exceeds)
        assert row.assumed_m == pytest.approx(whole.assumed_m)
    assert len(found.disparity.error) == len(found.elevation.error) == 0


def test_a_missing_picture_is_a_failure(broken: Path) -> None:
    (broken.parent / "boxes.left.png").unlink()
    found = score_pair(broken, replace(PLAN, headings_deg=(0.0,)))
    assert "one of its pictures is missing" in found.failure
    assert {row.verdict for row in rows_with(found, sensor="matched")} == {"ask-ground"}


def test_without_its_truth_a_pair_cannot_be_scored(broken: Path) -> None:
    (broken.parent / "boxes.truth.json").unlink()
    with pytest.raises(TruthError, match="render the pair again"):
        score_pair(broken, PLAN)


def test_a_limit_that_the_rover_cannot_have_is_refused(sidecar: Path) -> None:
    with pytest.raises(RoverError, match="step"):
        score_pair(sidecar, replace(PLAN, limits_m=(4.0,)))


def test_a_rover_that_is_given_wins_over_the_one_in_the_sidecar(sidecar: Path) -> None:
    """2 cm more of nose: the wall is as much nearer."""
    body = replace(ROVER.body, nose_m=ROVER.body.nose_m + 0.02)
    plan = replace(PLAN, headings_deg=(0.0,), look_aheads_m=(1.0,), limits_m=(0.04,))
    found = score_pair(sidecar, plan, replace(ROVER, body=body))
    assert found.rows[0].true_clear_m == pytest.approx(0.825, abs=0.01)


def test_a_truth_of_other_pictures_is_an_error_not_a_score(broken: Path) -> None:
    depth = depth_of(WALL)
    small = replace(depth, depth_m=depth.depth_m[::2], shared=depth.shared[::2])
    write_truth(broken.parent, truth_of(WALL), small)
    with pytest.raises(ValueError, match="the depth is of shape"):
        score_pair(broken, PLAN)


def test_only_the_sensors_of_the_plan_are_scored(sidecar: Path) -> None:
    found = score_pair(sidecar, replace(PLAN, headings_deg=(0.0,), sensors=("ideal",)))
    assert {row.sensor for row in found.rows} == {"ideal"}
    assert len(found.disparity.error) == 0
    assert len(found.ideal_elevation.error) > 100


def test_the_state_is_that_of_the_ground_that_was_not_seen(score: SceneScore) -> None:
    states = {row.state for row in score.rows if row.cause == "outside view"}
    assert states == {"outside"}
    assert {row.state for row in score.rows if row.verdict == "go"} == {""}
