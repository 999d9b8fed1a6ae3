"""The rig card against values worked by hand, and against what an assessment of pictures finds."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.assess import Assessment
from hazcam.calibration import StereoRig
from hazcam.errors import RigError
from hazcam.flat_ground import hidden_length_m
from hazcam.frames import R_BODY_OPTICAL, Floats, Pose, rotation_x, rotation_y
from hazcam.report import Record, rig_card_record, rig_card_text, to_json
from hazcam.report.rig_card import rig_card_figure
from hazcam.rig_card import HeadingCard, RigCard, rig_card
from hazcam.rover import read_rover
from hazcam.scene.rigs import demonstration_rigs, moved_rig
from hazcam.verdict import near_strip_m
from tests.conftest import Assess, terrain_of
from tests.synthetic import Box, Scene, ideal_rig, mount_of

ROVER = read_rover("dunlin-em")
F_PX, B_M, H_M, X_M = 500.0, 0.10, 0.20, 0.10
SIGMA_PX = 0.2


def level_rig(**changes: Any) -> StereoRig:
    """Looks along the horizon, the left camera on the rover's middle line."""
    K = np.array([[F_PX, 0, 319.5], [0, F_PX, 239.5], [0, 0, 1.0]])
    fields: dict[str, Any] = {
        "name": "level", "size": (640, 480), "K1": K, "D1": np.zeros(5), "K2": K,
        "D2": np.zeros(5), "R": np.eye(3), "T": np.array([-B_M, 0, 0]), "digest": "level",
        "mount": Pose(R=R_BODY_OPTICAL, t=np.array([X_M, 0.0, H_M])),
    }
    return StereoRig(**(fields | changes))


def heading(card: RigCard, heading_deg: float) -> HeadingCard:
    return next(h for h in card.headings if h.reach.heading_deg == heading_deg)


@pytest.fixture(scope="module")
def level() -> RigCard:
    return rig_card(level_rig(), ROVER, disparity_sigma_px=SIGMA_PX)


@pytest.fixture(scope="module")
def dunlin() -> RigCard:
    return rig_card(ideal_rig(), ROVER)


@pytest.fixture(scope="module")
def ahead(level: RigCard) -> HeadingCard:
    return heading(level, 0.0)


@pytest.fixture(scope="module")
def range_m(level: RigCard) -> Floats:
    """From below the camera, straight ahead, where the ground is in both pictures.

    The lowest row with its rim of 12 px is 227.5 rows below the horizon: f H / 227.5 = 0.44 m.
    """
    distance = level.distance_m + ROVER.body.nose_m - X_M
    return np.where(distance > F_PX * H_M / 227.5, distance, np.nan)


# --- straight ahead, worked by hand -----------------------------------------------------------


def test_the_distances_are_the_rows_of_the_card(level: RigCard) -> None:
    assert level.distance_m == pytest.approx(np.arange(1, 21) / 10)
    assert [h.reach.heading_deg for h in level.headings] == list(range(-45, 46, 5))


def test_ground_out_of_both_pictures_has_no_numbers(ahead: HeadingCard, range_m: Floats) -> None:
    assert 0 < np.isnan(range_m).sum() < 6
    for name in HeadingCard.__dataclass_fields__:
        if name in ("reach", "swath_share"):
            continue
        known = np.isfinite(getattr(ahead, name)).reshape(len(range_m), -1)
        assert np.array_equal(known.all(axis=1), np.isfinite(range_m)), name


def test_ground_sample_distance_of_a_level_camera(ahead: HeadingCard, range_m: Floats) -> None:
    """Closed form: row w below the horizon sees r = f H / w, so a row spans about r² / (f H)."""
    w = F_PX * H_M / range_m
    exact = F_PX * H_M / (w - 0.5) - F_PX * H_M / (w + 0.5)
    assert ahead.gsd_along_m == pytest.approx(exact, rel=1e-9, nan_ok=True)
    assert ahead.gsd_along_m == pytest.approx(range_m**2 / (F_PX * H_M), rel=1e-3, nan_ok=True)
    assert ahead.gsd_across_m == pytest.approx(range_m / F_PX, rel=1e-9, nan_ok=True)


def test_range_sigma_is_that_of_matthies_and_shafer(ahead: HeadingCard, range_m: Floats) -> None:
    """``sigma_Z = Z² sigma_d / (f B)``.

    L. Matthies and S. Shafer, "Error modeling in stereo navigation," IEEE J. Robotics and
    Automation 3(3), 1987; a rule, so the tolerance is that of rounding.
    """
    expected = range_m**2 * SIGMA_PX / (F_PX * B_M)
    assert ahead.range_sigma_m == pytest.approx(expected, rel=1e-9, nan_ok=True)


def test_height_sigma_of_a_level_camera(ahead: HeadingCard, range_m: Floats) -> None:
    """By hand: y = (v - cy) B / d, so ``(Z / f)² (0.3² + (H sigma_d / B)²)`` on the ground."""
    expected = range_m / F_PX * np.hypot(0.3, H_M * SIGMA_PX / B_M)
    assert ahead.height_sigma_m == pytest.approx(expected, rel=1e-9, nan_ok=True)


def test_what_all_points_share_stands_apart(
    level: RigCard, ahead: HeadingCard, range_m: Floats
) -> None:
    """0.5 degrees about the rover origin; 0.7 % and 0.8 % of scale about the camera."""
    scale = np.hypot(0.007, 0.008)
    known = np.where(np.isfinite(range_m), 1.0, np.nan)
    from_origin = known * (level.distance_m + ROVER.body.nose_m)
    assert ahead.tilt_height_sigma_m == pytest.approx(
        from_origin * np.sin(np.radians(0.5)), rel=1e-9, nan_ok=True)
    assert ahead.scale_range_sigma_m == pytest.approx(scale * range_m, rel=1e-9, nan_ok=True)
    assert ahead.scale_height_sigma_m == pytest.approx(scale * H_M * known, rel=1e-9, nan_ok=True)


def test_smallest_obstacle_is_the_larger_of_both_rules(range_m: Floats) -> None:
    """9 rows are 9 Z / f of a level camera; four sigma overtake them where matching is poor."""
    for sigma_px, overtakes in ((SIGMA_PX, False), (2.0, True)):
        found = heading(rig_card(level_rig(), ROVER, disparity_sigma_px=sigma_px), 0.0)
        rows = 9 * range_m / F_PX
        sigmas = 4 * range_m / F_PX * np.hypot(0.3, H_M * sigma_px / B_M)
        known = np.isfinite(range_m)
        assert np.all((sigmas > rows)[known] == overtakes)
        assert found.rows_height_m == pytest.approx(rows, rel=1e-9, nan_ok=True)
        assert found.smallest_m == pytest.approx(np.maximum(rows, sigmas), rel=1e-9, nan_ok=True)


def test_hidden_length_is_the_cone_of_sight(ahead: HeadingCard, range_m: Floats) -> None:
    """Similar triangles: h d / (H - h), for 2 and 4 cm under a camera 20 cm up."""
    expected = np.stack([0.02 * range_m / 0.18, 0.04 * range_m / 0.16], axis=-1)
    assert ahead.hidden_m == pytest.approx(expected, rel=1e-9, nan_ok=True)


def test_what_reaches_the_camera_hides_all_behind_it() -> None:
    assert hidden_length_m(0.2, np.array([0.5, 1.0]), 0.2).tolist() == [np.inf, np.inf]


# --- any mount and heading, against another way to the same value ----------------------------


def leaning_rig() -> StereoRig:
    R = rotation_y(22.0) @ rotation_x(2.0) @ R_BODY_OPTICAL
    return level_rig(mount=Pose(R=R, t=np.array([0.12, 0.03, 0.19])))


@pytest.mark.parametrize("heading_deg", [-15.0, 0.0, 10.0])
def test_an_upright_of_the_stated_height_covers_its_rows(heading_deg: float) -> None:
    """Foot and top through ``cv2.projectPoints``; neighbouring rows are 1 px apart there too."""
    rig = leaning_rig()
    card = rig_card(rig, ROVER)
    found = heading(card, heading_deg)
    known = np.isfinite(found.rows_height_m)
    assert known.sum() >= 10
    reach, along = ROVER.body.nose_m + card.distance_m[known], np.radians(heading_deg)
    foot = np.stack([reach * np.cos(along), reach * np.sin(along), 0 * reach], axis=-1)
    top = foot + np.stack([0 * reach, 0 * reach, found.rows_height_m[known]], axis=-1)
    T = mount_of(rig).inverse()
    rows = [cv2.projectPoints(T.apply(p), np.zeros(3), np.zeros(3), rig.K1, None)[0][:, 0, 1]
            for p in (foot, top)]
    assert rows[0] - rows[1] == pytest.approx(np.full(known.sum(), 9.0), abs=1e-6)


@pytest.mark.parametrize("heading_deg", [-15.0, 0.0, 10.0])
def test_own_sigmas_are_those_of_numerical_differences(heading_deg: float) -> None:
    """Triangulate by hand, move each of u, v, d by a thousandth of a pixel, combine."""
    rig = leaning_rig()
    card = rig_card(rig, ROVER, disparity_sigma_px=SIGMA_PX)
    found, i = heading(card, heading_deg), 12
    reach, along = ROVER.body.nose_m + card.distance_m[i], np.radians(heading_deg)
    mount = mount_of(rig)
    x, y, z = mount.inverse().apply([reach * np.cos(along), reach * np.sin(along), 0.0])
    pixel = np.array([F_PX * x / z, F_PX * y / z, F_PX * B_M / z])

    def range_and_height(u: float, v: float, d: float) -> Floats:
        p = mount.apply(np.array([u, v, F_PX]) * B_M / d)
        return np.array([np.hypot(*(p[:2] - mount.t[:2])), p[2]])

    variance = np.zeros(2)
    for k, sigma_px in enumerate((0.3, 0.3, SIGMA_PX)):
        step = 1e-3 * np.eye(3)[k]
        slope = (range_and_height(*(pixel + step)) - range_and_height(*(pixel - step))) / 2e-3
        variance += (slope * sigma_px) ** 2
    stated = [found.range_sigma_m[i], found.height_sigma_m[i]]
    assert stated == pytest.approx(np.sqrt(variance), rel=1e-5)


@settings(deadline=None, max_examples=8)
@given(longer=st.floats(1.1, 2.0), height_m=st.floats(0.1, 0.3))
def test_a_longer_baseline_never_has_the_larger_sigma(longer: float, height_m: float) -> None:
    rig = moved_rig(ideal_rig(), height_m=height_m)
    short, far = (rig_card(r, ROVER) for r in
                  (rig, moved_rig(rig, baseline_m=longer * rig.baseline_m)))
    compared = 0
    for a, b in zip(short.headings, far.headings, strict=True):
        both = np.isfinite(a.height_sigma_m) & np.isfinite(b.height_sigma_m)
        assert np.all(b.height_sigma_m[both] < a.height_sigma_m[both])
        assert np.all(b.range_sigma_m[both] < a.range_sigma_m[both])
        compared += int(both.sum())
    assert compared > 20


@pytest.fixture(scope="module")
def with_a_cube(assess: Assess, dunlin: RigCard) -> tuple[Assessment, Box]:
    """A pair with a cube of the smallest size, 1.0 m from the nose."""
    size_m = float(heading(dunlin, 0.0).smallest_m[9])
    x = ROVER.body.nose_m + 1.0
    cube = Box(x, x + size_m, -size_m / 2, size_m / 2, size_m)
    return assess(Scene(boxes=(cube,)), headings_deg=(0.0,)), cube


def test_a_cube_of_the_smallest_size_keeps_its_height(with_a_cube: tuple[Assessment, Box]) -> None:
    """The rule on a synthetic pair: the matched points reach four fifths of the cube."""
    found, cube = with_a_cube
    assert found.points is not None
    p = found.points.points_level_m.reshape(-1, 3)
    near = (np.abs(p[:, 0] - cube.x0) < 0.02) & (np.abs(p[:, 1]) < cube.y1)
    assert np.percentile(p[near, 2], 95) > 0.8 * cube.top_m


# --- where the swath is in view -----------------------------------------------------------------


def test_the_near_strip_is_the_verdicts(
    with_a_cube: tuple[Assessment, Box], dunlin: RigCard
) -> None:
    terrain = terrain_of(with_a_cube[0])
    for heading_deg in (-10.0, 0.0, 7.0, 15.0):
        strip = near_strip_m(terrain, ROVER, heading_deg, 1.0)
        assert np.isfinite(strip)
        assert dunlin.reach_at(heading_deg).near_m == strip


def test_the_near_strip_grows_with_the_turn(dunlin: RigCard) -> None:
    for side in (-1, 1):
        strips = [dunlin.reach_at(side * h).near_m for h in (0.0, 5.0, 10.0, 15.0, 20.0, 25.0)]
        assert strips == sorted(strips)
        assert strips[0] < strips[2] < strips[4] < strips[5] == np.inf


def test_left_and_right_swap_with_the_mirrored_mount() -> None:
    """No symmetry is assumed: a rig off the middle sees farther round on its side."""
    right_m = -0.20
    cards = []
    for y in (right_m, B_M - right_m):  # of the left camera; the right one is B to its right
        mount = Pose(R=rotation_y(18.0) @ R_BODY_OPTICAL, t=np.array([0.17, y, 0.17]))
        cards.append(rig_card(level_rig(mount=mount), ROVER))
    one, mirrored = cards
    assert one.reach_at(-20.0).near_m < one.reach_at(20.0).near_m
    for heading_deg in (-20.0, -10.0, 0.0, 10.0):
        assert one.reach_at(heading_deg).near_m == pytest.approx(
            mirrored.reach_at(-heading_deg).near_m, abs=0.0101)  # a cell


def test_what_ends_the_view() -> None:
    """A wide lens sees to the rim of the grid, 1.5 m to the side; a nose-down one not so far."""
    K = np.array([[150.0, 0, 319.5], [0, 150.0, 239.5], [0, 0, 1.0]])
    wide = rig_card(level_rig(K1=K, K2=K), ROVER)
    assert (wide.reach_at(0.0).far_m, wide.reach_at(0.0).far_limit) == (2.0, "card")
    reach = wide.reach_at(45.0)
    # The outer edge of the swath: (nose + s) sin 45 + half the swath cos 45 = 1.5.
    edge = 1.5 * np.sqrt(2) - ROVER.swath_m / 2 - ROVER.body.nose_m
    assert reach.far_m == pytest.approx(edge, abs=0.011)
    assert reach.far_limit == "grid"
    assert wide.outside(45.0, 1.98) == "the swath lies beyond the grid at 1.98 m, 45° left"
    steep = Pose(R=rotation_y(45.0) @ R_BODY_OPTICAL, t=np.array([0.17, 0.05, 0.17]))
    down = rig_card(level_rig(mount=steep), ROVER).reach_at(0.0)
    # The top row with its rim of 12 px: 45 degrees less atan(227.5 / 500) below the horizon.
    top = 0.17 / np.tan(np.radians(45) - np.arctan(227.5 / F_PX)) + 0.17 - ROVER.body.nose_m
    assert down.far_m == pytest.approx(top, abs=0.015)
    assert down.far_limit == "pictures"


@pytest.mark.parametrize(("heading_deg", "distance_m", "words"), [
    (0.0, 1.0, None),
    (15.0, 0.9, None),
    (0.0, 0.10, "the swath is not in both pictures at 0.10 m, straight ahead"),
    (20.0, 0.05, "the swath is not in both pictures at 0.05 m, 20° left"),
    (-17.0, 0.6, "% of the swath is in both pictures at 0.60 m, 17° right"),
    (0.0, 2.4, "the rig card ends at 2.00 m from the nose: nothing is said at 2.40 m, straight"),
])
def test_says_why_a_place_is_outside(
    dunlin: RigCard, heading_deg: float, distance_m: float, words: str | None
) -> None:
    said = dunlin.outside(heading_deg, distance_m)
    assert said is None if words is None else words in str(said)


def test_inside_is_where_the_reach_says(dunlin: RigCard) -> None:
    for heading_deg in (-15.0, 0.0, 8.0):
        reach = dunlin.reach_at(heading_deg)
        assert dunlin.outside(heading_deg, reach.near_m) is None
        assert dunlin.outside(heading_deg, reach.near_m - 0.02) is not None


# --- what is refused, and what sees nothing -------------------------------------------------------


def test_a_rig_without_a_mount_is_refused() -> None:
    with pytest.raises(RigError, match=r"no mount on a rover[\s\S]*give --mount FILE"):
        rig_card(replace(level_rig(), mount=None), ROVER)


@pytest.mark.parametrize("sigma_px", [0.0, -0.1, float("nan"), float("inf")])
def test_a_sigma_that_is_none_is_refused(sigma_px: float) -> None:
    with pytest.raises(ValueError, match="disparity sigma"):
        rig_card(level_rig(), ROVER, disparity_sigma_px=sigma_px)


@pytest.mark.parametrize("distance_m", [-0.1, float("nan")])
def test_a_distance_that_is_none_is_refused(dunlin: RigCard, distance_m: float) -> None:
    with pytest.raises(ValueError, match="distance from the nose"):
        dunlin.outside(0.0, distance_m)


@pytest.fixture(scope="module")
def blind() -> RigCard:
    """Looks up: no ground lies in the pictures."""
    up = Pose(R=rotation_y(-60.0) @ R_BODY_OPTICAL, t=np.array([0.1, 0.05, 0.2]))
    return rig_card(level_rig(mount=up), ROVER)


def test_a_rig_that_sees_no_ground_says_so(blind: RigCard) -> None:
    reach = blind.reach_at(0.0)
    assert (reach.near_m, reach.far_limit) == (np.inf, None)
    assert np.isnan(reach.far_m)
    assert all(np.isnan(h.smallest_m).all() for h in blind.headings)
    text = rig_card_text(rig_card_record(blind))
    assert text.count("never") == 19
    assert rig_card_figure(blind).startswith(b"\x89PNG")


# --- record, text, figure -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def record(dunlin: RigCard) -> Record:
    return rig_card_record(dunlin)


def test_the_record_holds_the_card(record: Record, dunlin: RigCard) -> None:
    read = json.loads(to_json(record))  # refuses NaN and infinity
    assert read["schema"] == "hazcam-rig-card/1"
    assert read["digests"] == {"rig": "synthetic", "rover": ROVER.digest}
    assert read["rules"]["disparity_sigma_px"] == 0.25
    assert "report-3" in read["rules"]["disparity_sigma_source"]
    ten_left = next(h for h in read["headings"] if h["heading_deg"] == 10)
    found = heading(dunlin, 10.0)
    assert ten_left["near_m"] == found.reach.near_m
    assert ten_left["rows"][9]["distance_m"] == 1.0
    assert ten_left["rows"][9]["gsd_along_m"] == pytest.approx(found.gsd_along_m[9], rel=1e-8)
    assert ten_left["rows"][9]["hidden_m"] == pytest.approx(found.hidden_m[9], rel=1e-8)
    assert ten_left["rows"][0]["gsd_along_m"] is None


def test_a_sigma_of_ones_own_is_told_from_the_default(level: RigCard) -> None:
    record = rig_card_record(level)
    assert record["rules"]["disparity_sigma_source"] == "as given"
    assert "0.2 px (as given)" in " ".join(rig_card_text(record).split())


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw", "dunlin-fm"])
def test_the_text_is_whole_and_of_a_fixed_width(name: str) -> None:
    card = rig_card(demonstration_rigs()[name], ROVER)
    text = rig_card_text(rig_card_record(card))
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "…" not in text
    assert f"rig {name} on rover dunlin-em" in text


def test_the_text_gives_the_numbers_with_their_units(record: Record, dunlin: RigCard) -> None:
    text = rig_card_text(record)
    near = dunlin.reach_at(0.0).near_m
    assert f"straight ahead  {near:.2f} m  2.00 m  the end of the card" in text
    found = heading(dunlin, 0.0)
    line = next(line for line in text.splitlines() if line.split()[:2] == ["1.0", "100"])
    expected = [f"{1000 * getattr(found, name)[9]:.1f}" for name in (
        "gsd_along_m", "gsd_across_m", "range_sigma_m", "scale_range_sigma_m", "height_sigma_m",
        "tilt_height_sigma_m", "scale_height_sigma_m", "smallest_m")]
    assert line.split()[2:] == [*expected, *(f"{v:.2f}" for v in found.hidden_m[9])]


def test_part_of_the_swath_is_marked(record: Record) -> None:
    table = rig_card_text(record).split("by distance [m] and heading\n")
    names = table[1].splitlines()[0].split()
    row = next(line for line in table[1].splitlines() if line.startswith("0.6")).split()[1:]
    cells = dict(zip(names, row, strict=True))
    assert cells["0"] == f"{1000 * record['headings'][9]['rows'][5]['smallest_m']:.0f}"
    assert cells["20L"].startswith("*")
    assert cells["45L"] == "-"


def test_the_figure_is_the_same_each_time(dunlin: RigCard) -> None:
    picture = rig_card_figure(dunlin)
    assert picture == rig_card_figure(dunlin)
    shape = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    assert shape is not None
    assert min(shape.shape[:2]) > 800
