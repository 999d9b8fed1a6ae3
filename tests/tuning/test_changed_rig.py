"""Pairs of a run read anew with a changed rig: what the same ground demands then."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam import assess_pair, read_pair
from hazcam.calibration import StereoRig, read_rig
from hazcam.campaign import Run, open_run
from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.record import PairEntry
from hazcam.campaign.store.writer import Store
from hazcam.cli.work import Assess, assess_campaign_pair
from hazcam.disparity import SgbmMatcher
from hazcam.errors import PairError
from hazcam.frames import Floats, level_from_rover
from hazcam.report.record import settings_record
from hazcam.rover import Limit, Limits
from hazcam.rover.profile import LIMIT_UNITS
from hazcam.settings import Settings
from hazcam.tuning import changed_rig
from hazcam.tuning.changed_rig import DemandsUnder, LeftOut, demands_under
from hazcam.tuning.rig_changes import RigChange, camera_height, vergence
from hazcam.tuning.shift import shift_of
from hazcam.verdict.gist import ASK, GO, join_gists, judge_gists
from tests.campaign.entries import ABOUT

SAMPLES = Path(__file__).parents[2] / "sample_pairs"
RIG = SAMPLES.parent / "calibration" / "dunlin-em.yaml"
ID = "ledge-up"
# No defaults: they come from the run. The near strip holds the circle of a turn in place.
SETTINGS = Settings(headings_deg=(-10.0, -5.0, 0.0, 5.0, 10.0), near_strip_max_m=0.6,
                    matcher=SgbmMatcher())
TURN_DEG, LIFT_M = 0.3, 0.01
PITCHED = RigChange(kind="pitch", amount=TURN_DEG)
LIFTED = camera_height(LIFT_M)
STEPS_M = np.arange(0.05, 0.1, 0.0001)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a pair, and RUN: the pair, and one without a right picture."""
    folder = tmp_path_factory.mktemp("changed")
    said = json.loads((SAMPLES / f"{ID}.pair.json").read_text(encoding="utf-8"))
    said["rig"] = str(RIG)
    for id_, changes in ((ID, {}), ("lone", {"id": "lone", "right": None})):
        (folder / f"{id_}.pair.json").write_text(json.dumps(said | changes), encoding="utf-8")
    for side in ("left", "right"):
        shutil.copy(SAMPLES / f"{ID}.{side}.png", folder)
    asked: dict[str, Any] = {"limits": {"step": 0.06}, "margin_m": 0.04}
    manifest = read_manifest(folder)
    about = {**ABOUT, "manifest": manifest.path.name,
             "options": json.dumps({**asked, "settings": settings_record(SETTINGS)})}
    with Store.open(folder / "RUN", about) as store:
        store.add_pairs(manifest)
        for pair in manifest.pairs:
            entry = assess_campaign_pair(Assess(pair=pair, folder=folder, **asked,
                                                settings=SETTINGS, with_drift=False))
            assert isinstance(entry, PairEntry)
            store.add(replace(entry, timings={}))
        store.finish()
    return folder


@pytest.fixture
def run(folder: Path) -> Iterator[Run]:
    with open_run(folder / "RUN") as opened:
        yield opened


Found = dict[RigChange | None, DemandsUnder]


@pytest.fixture(scope="module")
def found(folder: Path) -> Found:
    """The pair as calibrated, with both signs of a vergence, a pitch, and the cameras lifted."""
    changes = (vergence(TURN_DEG), vergence(-TURN_DEG), PITCHED, LIFTED)
    with open_run(folder / "RUN") as run:
        answers = list(demands_under(run, folder, [ID], changes, most=1))
    assert [answer.change for answer in answers] == [None, *changes]
    return {answer.change: answer for answer in answers if isinstance(answer, DemandsUnder)}


def least_steps(gist: bytes) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Of each heading the first of ``STEPS_M`` at which it is go, no other limit in the way."""
    gists = join_gists([gist])
    go = np.empty((len(STEPS_M), len(gists.kind)), dtype=bool)
    for n, step in enumerate(STEPS_M):
        wide = {name: Limit(value=50.0, source="set by the user") for name in LIMIT_UNITS}
        limits = Limits(**wide | {"step": Limit(value=float(step), source="set by the user")})
        verdicts = judge_gists(gists, limits, SETTINGS.confidence)
        assert set(verdicts.tolist()) <= {ASK, GO}
        go[n] = verdicts == GO
    return np.where(go.any(axis=0), go.argmax(axis=0), len(STEPS_M))


def moved(found: Found, change: RigChange) -> Floats:
    """By how much each heading needs a higher step limit under a change. [m]"""
    least = [least_steps(found[key].gist) for key in (None, change)]
    assert max(index.max() for index in least) < len(STEPS_M)
    assert min(index.min() for index in least) > 0
    return np.asarray(STEPS_M[least[1]] - STEPS_M[least[0]])


def test_unchanged_it_demands_what_the_run_holds(found: Found, run: Run) -> None:
    assert found[None].gist == run.gist(ID) == {id_: g for id_, _, g in run.gists()}[ID]
    assert found[None].against == ""
    assert len({answer.gist for answer in found.values()}) == len(found)


def test_a_step_is_read_lower_by_the_share_that_it_is_read_nearer(found: Found, run: Run) -> None:
    """Closed form: Z = f B / d, and d + f v gives Z v / B less, of depths and what stands there."""
    store, rig = run.demands(ID), run.rig(str(run.table("assessments", [ID])["rig"][0]))
    assert rig.mount is not None
    at_m = np.array([d.station_m[np.nanargmax(d.step)] for d in store.demands])
    heading = np.radians(SETTINGS.headings_deg)
    along = store.rover.body.nose_m + at_m
    # Half way up the ledge; what its sidecar says of the attitude.
    ledge = np.column_stack([along * np.cos(heading), along * np.sin(heading), 0 * along + 0.035])
    in_rover = ledge @ level_from_rover(roll_deg=-0.371, pitch_deg=3.579)
    depth_m = rig.mount.inverse().apply(in_rover)[:, 2]
    share = 2 * np.radians(TURN_DEG) * depth_m / rig.baseline_m
    before = STEPS_M[least_steps(found[None].gist)]
    change = moved(found, vergence(-TURN_DEG)) - moved(found, vergence(TURN_DEG))
    # Of 6 mm that it is, matching and cells deal up to 1 mm of a heading anew.
    assert np.median(change / before) == pytest.approx(np.median(share), rel=0.15)


def test_both_signs_move_the_limit_the_other_way(found: Found) -> None:
    least = {change: least_steps(answer.gist) for change, answer in found.items()}
    for sign in (1, -1):
        shift = shift_of(least[None], least[vergence(sign * TURN_DEG)], STEPS_M, limit=0.078,
                         band=0.01)
        assert (shift.headings, shift.lost, shift.won) == (5, 0, 0)
        assert 0.002 < -sign * shift.median < 0.004
        assert shift.scatter < 0.001


def test_the_rig_check_speaks_of_the_changed_rig(found: Found) -> None:
    """0.3 degrees of pitch are 2.7 px of rows, of which the check bears 1."""
    assert "rig no longer matches its calibration" in found[PITCHED].against
    assert (least_steps(found[PITCHED].gist) == len(STEPS_M)).all()


def test_lifted_cameras_read_all_ground_higher_and_no_step_otherwise(
    found: Found, folder: Path, run: Run
) -> None:
    """Of the shift that cameras and ground make together no difference of heights knows."""
    before = run.terrain(ID)
    after = assess_pair(read_pair(folder / f"{ID}.pair.json"), LIFTED.of(read_rig(RIG)),
                        before.rover, SETTINGS)
    assert after.terrain is not None
    rise = after.terrain.mean_m - before.terrain.mean_m
    # Up in the rover is not quite up: it stands 3.6 degrees nose down.
    assert np.nanmedian(rise) == pytest.approx(LIFT_M * np.cos(np.radians(3.579)), abs=0.0005)
    assert abs(np.median(moved(found, LIFTED))) < LIFT_M / 10


# --- what is left out -----------------------------------------------------------------------------


def reasons(run: Run, folder: Path, *ids: str, most: int = 9) -> dict[str, str]:
    """Why pairs are left out; every one of them is."""
    answers = list(demands_under(run, folder, ids, [LIFTED], most=most))
    assert all(isinstance(answer, LeftOut) and answer.change is None for answer in answers)
    return {answer.id: answer.reason for answer in answers if isinstance(answer, LeftOut)}


def test_pairs_without_demands_or_unknown_are_left_out(run: Run, folder: Path) -> None:
    told = reasons(run, folder, "lone", "no-such")
    assert "one of its pictures is missing" in told["lone"]
    assert "no pair of this id" in told["no-such"]


def test_no_more_pairs_are_looked_at_than_asked_for(run: Run, folder: Path) -> None:
    assert list(reasons(run, folder, "lone", "no-such", ID, most=2)) == ["lone", "no-such"]
    assert reasons(run, folder, ID, most=0) == {}


def copied(folder: Path, tmp_path: Path) -> Path:
    shutil.copytree(folder, tmp_path / "moved", ignore=shutil.ignore_patterns("RUN"))
    return tmp_path / "moved"


def test_pictures_that_are_not_there_leave_a_pair_out(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    elsewhere = copied(folder, tmp_path)
    right = elsewhere / f"{ID}.right.png"
    right.unlink()
    assert reasons(run, elsewhere, ID)[ID] == f"the right picture {right} is not there, which " \
                                              "was assessed"
    (elsewhere / f"{ID}.left.png").unlink()
    assert "both pictures are missing" in reasons(run, elsewhere, ID)[ID]
    assert "does not exist" in reasons(run, tmp_path, ID)[ID]


def test_other_pictures_leave_a_pair_out(run: Run, folder: Path, tmp_path: Path) -> None:
    elsewhere = copied(folder, tmp_path)
    path = elsewhere / f"{ID}.left.png"
    picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    picture[0, 0] ^= 1
    cv2.imwrite(str(path), picture)
    told = reasons(run, elsewhere, ID)[ID]
    assert str(path) in told
    assert "not the pictures that were assessed" in told


def test_another_attitude_leaves_a_pair_out(run: Run, folder: Path, tmp_path: Path) -> None:
    elsewhere = copied(folder, tmp_path)
    path = elsewhere / f"{ID}.pair.json"
    said = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(said | {"pitch_deg": 3.5}), encoding="utf-8")
    assert "its sidecar, or the pair before it, must be another" in reasons(run, elsewhere, ID)[ID]


def assessed(monkeypatch: pytest.MonkeyPatch, answer: Any) -> list[str]:
    """Let ``answer`` assess; the digests of the rigs that it was given."""
    seen: list[str] = []

    def assess(pair: Any, rig: Any, *_: Any) -> Any:
        seen.append(rig.digest)
        return answer(rig)

    monkeypatch.setattr(changed_rig, "assess_pair", assess)
    return seen


def test_other_versions_are_named(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assessed(monkeypatch, lambda _: SimpleNamespace(demands=(), epipolar=None))
    then = run.record(ID)["versions"]
    monkeypatch.setattr(changed_rig, "versions", lambda: then | {"numpy": "9.9"})
    told = reasons(run, folder, ID)[ID]
    assert f"(numpy {then['numpy']} then, 9.9 now)" in told


def test_a_change_that_cannot_be_assessed_leaves_out_that_change(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = run.rig(str(run.table("assessments", [ID])["rig"][0])).digest
    store = run.demands(ID)

    def answer(rig: Any) -> Any:
        if rig.digest != own:
            raise PairError("the pair", "nothing is left", "something", "none")
        return SimpleNamespace(demands=store.demands, epipolar=None)

    rigs_before: list[str] = []

    def previous(_: Path, rig: StereoRig, *__: Any) -> tuple[None, tuple[str, ...]]:
        rigs_before.append(rig.digest)
        return None, ()

    monkeypatch.setattr(changed_rig, "read_previous", previous)
    seen = assessed(monkeypatch, answer)
    of_others = replace(LIFTED, rigs=frozenset({"another"}))
    of_it = replace(LIFTED, rigs=frozenset({own, "another"}))
    first, second = demands_under(run, folder, [ID], [of_others, of_it], most=1)
    assert isinstance(first, DemandsUnder)
    assert isinstance(second, LeftOut)
    assert (second.change, second.reason) == (of_it, "the pair: nothing is left")
    # The pair before is read by the same rig.
    assert rigs_before == seen == [own, of_it.of(run.rig(own)).digest]
