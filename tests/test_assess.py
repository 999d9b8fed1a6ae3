from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import hazcam
from hazcam.assess import Assessment, assess_pair
from hazcam.calibration import StereoRig
from hazcam.errors import HazcamError, ImageError, PairError, RigError
from hazcam.frames import Attitude
from hazcam.imagery import PixelState, Window, pair_from_arrays
from hazcam.rover import read_rover
from hazcam.settings import Settings
from tests.conftest import terrain_of
from tests.synthetic import LEVEL, Box, Scene, both, ideal_rig, render

ROVER = read_rover("dunlin-em")
SCENE = Scene(boxes=(Box(0.80, 0.90, -0.20, -0.02, 0.06),))


def run(
    left: NDArray[Any] | None, right: NDArray[Any] | None, rig: StereoRig | None = None,
    **settings: Any,
) -> Assessment:
    pair = pair_from_arrays(left, right, attitude=LEVEL)
    return assess_pair(pair, rig or ideal_rig(), ROVER, Settings(**settings))


def test_the_same_pair_gives_the_same_answer_and_inputs_stay_as_they_were() -> None:
    pair = render(SCENE)
    before = both(pair)[0].copy()
    a, b = (assess_pair(pair, ideal_rig(), ROVER) for _ in range(2))
    assert repr(a.verdicts) == repr(b.verdicts)  # NaN, where nothing is seen, is not itself
    assert np.array_equal(both(pair)[0], before)


def test_mirroring_the_scene_mirrors_the_verdicts() -> None:
    """Mirror the world about y = 0: swap the pictures and flip both. The texture is the same."""
    left, right = both(render(SCENE))
    headings = (-5.0, 0.0, 5.0)
    a = run(left, right, headings_deg=headings)
    b = run(right[:, ::-1], left[:, ::-1], headings_deg=headings)
    for one, mirrored in zip(a.verdicts, reversed(b.verdicts), strict=True):
        assert one.verdict == mirrored.verdict
        assert one.clear_m == pytest.approx(mirrored.clear_m, abs=0.03)


@pytest.mark.parametrize("scene", [SCENE, Scene(), Scene(slope_x=0.4, from_x=0.7)])
def test_blanking_the_lower_part_of_the_picture_never_turns_ask_into_go(scene: Scene) -> None:
    pair = render(scene)
    headings = tuple(float(h) for h in range(-15, 16, 5))
    before = run(pair.left, pair.right, headings_deg=headings)
    for share in (0.2, 0.4, 0.6):
        left, right = (p.copy() for p in both(pair))
        start = round(480 * (1 - share))
        left[start:], right[start:] = 0, 0
        after = run(left, right, headings_deg=headings)
        for old, new in zip(before.verdicts, after.verdicts, strict=True):
            if old.verdict == "ask-ground":
                assert new.verdict == "ask-ground"
        assert all(v.verdict == "ask-ground" for v in after.verdicts)


@pytest.mark.parametrize(("left", "right", "missing"), [(True, False, "right"),
                                                        (False, True, "left")])
def test_one_picture_is_no_stereo(left: bool, right: bool, missing: str) -> None:
    pair = render(Scene())
    found = run(pair.left if left else None, pair.right if right else None)
    assert all(v.verdict == "ask-ground" for v in found.verdicts)
    assert {c.kind for v in found.verdicts for c in v.causes} == {"no stereo"}
    assert missing in found.verdicts[0].causes[0].text


def test_a_rig_that_moved_is_ask_ground_on_every_heading() -> None:
    left, right = both(render(Scene()))
    found = run(left, np.roll(right, 2, axis=0))
    assert all(v.verdict == "ask-ground" for v in found.verdicts)
    assert all("rig no longer matches its calibration" in {c.kind for c in v.causes}
               for v in found.verdicts)


def test_swapped_pictures_are_an_error() -> None:
    pair = render(Scene())
    with pytest.raises(PairError, match="exchange the two pictures"):
        run(pair.right, pair.left)


def test_the_same_picture_twice_is_an_error() -> None:
    pair = render(Scene())
    with pytest.raises(PairError, match="same picture twice"):
        run(pair.left, pair.left)


def test_black_and_saturated_pictures_are_errors() -> None:
    left, right = both(render(Scene()))
    with pytest.raises(ImageError, match="black"):
        run(np.zeros_like(left), right)
    with pytest.raises(ImageError, match="saturated"):
        run(left, np.full_like(right, 255))


def test_a_rig_without_a_mount_is_an_error_that_names_the_option() -> None:
    pair = render(Scene())
    with pytest.raises(RigError, match="--mount"):
        run(pair.left, pair.right, rig=replace(ideal_rig(), mount=None))


def test_a_size_that_the_rig_was_not_calibrated_at_names_the_remedy() -> None:
    left, right = both(render(Scene()))
    with pytest.raises(HazcamError, match="window"):
        run(left[:, :600], right[:, :600])


def test_a_window_of_the_sensor_gives_the_same_ground() -> None:
    left, right = both(render(Scene(boxes=(Box(0.80, 0.90, -0.05, 0.05, 0.06),))))
    whole = run(left, right, headings_deg=(0.0,))
    window = Window(column=0, row=60, width=640, height=420)
    cut = assess_pair(
        pair_from_arrays(left[60:], right[60:], attitude=LEVEL, window=window),
        ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    assert cut.verdicts[0].clear_m == pytest.approx(whole.verdicts[0].clear_m, abs=0.02)
    near = [next(o for o in terrain_of(a).obstacles if o.distance_m < 1.2) for a in (whole, cut)]
    assert near[0].height_m == pytest.approx(near[1].height_m, abs=0.004)


@pytest.mark.parametrize("scene", [
    Scene(boxes=(Box(0.50, 0.60, -0.10, 0.10, 0.08),)),
    Scene(boxes=(Box(0.45, 0.70, -0.15, 0.15, -0.20),)),
])
@pytest.mark.parametrize("window", [
    Window(column=0, row=0, width=640, height=180), Window(column=0, row=0, width=640, height=195),
    Window(column=200, row=0, width=240, height=480),
])
def test_cropping_never_turns_ask_into_go(scene: Scene, window: Window) -> None:
    """What a window cut off could have been seen: it is not the near strip."""
    left, right = both(render(scene))
    rows = slice(window.row, window.row + window.height)
    columns = slice(window.column, window.column + window.width)
    pair = pair_from_arrays(left[rows, columns], right[rows, columns], attitude=LEVEL,
                            window=window)
    found = assess_pair(pair, ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    assert found.verdicts[0].verdict == "ask-ground"
    assert found.near_strip_max_m == pytest.approx(0.31, abs=0.02)


def test_a_hardly_known_attitude_is_judged_and_asks() -> None:
    """A sigma of 30 degrees: the band stays finite, slopes cannot be known."""
    unsure = Attitude(roll_deg=0, pitch_deg=0, roll_sigma_deg=30, pitch_sigma_deg=30)
    found = assess_pair(render(Scene(), attitude=unsure), ideal_rig(), ROVER,
                        Settings(headings_deg=(0.0,)))
    assert "slope" in {c.kind for c in found.verdicts[0].causes}


def test_lost_blocks_of_the_right_picture_are_not_matched() -> None:
    """Constant blocks over 10 % of the right picture: nothing may be matched into them."""
    left, right = both(render(SCENE))
    rng = np.random.default_rng(3)
    right = right.copy()
    for row in range(0, 480, 16):
        for column in range(0, 640, 16):
            if rng.random() < 0.1:
                right[row:row + 16, column:column + 16] = 128
    found = run(left, right, headings_deg=(0.0,))
    assert found.disparity is not None
    assert found.rectified is not None
    rows, columns = np.nonzero(np.isfinite(found.disparity.disparity_px))
    there = np.rint(columns - found.disparity.disparity_px[rows, columns]).astype(int)
    into_lost = found.rectified.state_right[rows, there] == PixelState.LOST
    assert np.mean(into_lost) < 0.001


def test_sixteen_bit_pictures_give_the_same_verdicts() -> None:
    left, right = both(render(SCENE))
    a = run(left, right, headings_deg=(0.0,))
    b = run(left.astype(np.uint16) * 257, right.astype(np.uint16) * 257,
            headings_deg=(0.0,))
    assert a.verdicts[0].verdict == b.verdicts[0].verdict
    assert a.verdicts[0].clear_m == pytest.approx(b.verdicts[0].clear_m, abs=0.02)


@pytest.mark.parametrize(("name", "value", "message"), [
    ("headings_deg", (), "at least one heading"),
    ("headings_deg", (200.0,), "between -180 and 180"),
    ("confidence", 1.0, "confidence 1.0"),
    ("look_ahead_m", 3.0, "look-ahead 3.0"),
    ("tilt_bound_deg", 60.0, "tilt bound 60"),
    ("near_strip_max_m", -0.1, "near strip -0.1 m"),
    ("near_strip_max_m", float("nan"), "near strip nan m"),
])
def test_settings_refuse_nonsense(name: str, value: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Settings(**{name: value})


def test_arrays_and_paths_are_answered_with_the_call_that_reads_them() -> None:
    left, right = both(render(Scene()))
    wrong: Any = left, right, ideal_rig(), ROVER
    with pytest.raises(TypeError, match=r"pair_from_arrays\(left, right, attitude=\.\.\.\)"):
        assess_pair(*wrong)
    pair = pair_from_arrays(left, right)
    wrong = pair, "rig.yaml", ROVER
    with pytest.raises(TypeError, match=r"rig is a str(.|\n)*read_rig"):
        assess_pair(*wrong)
    wrong = pair, ideal_rig(), "dunlin-em"
    with pytest.raises(TypeError, match=r"rover is a str(.|\n)*read_rover"):
        assess_pair(*wrong)


def test_a_wrong_size_names_the_picture() -> None:
    left, right = both(render(Scene()))
    pair = pair_from_arrays(left[:, :600], right[:, :600], left_name="beach_left.png")
    with pytest.raises(RigError, match=r"^beach_left\.png, "):
        assess_pair(pair, ideal_rig(), ROVER)


def test_all_that_an_array_user_needs_is_at_the_top() -> None:
    assert hazcam.Attitude is Attitude
    assert hazcam.Window is Window
    assert {"Attitude", "Window"} <= set(hazcam.__all__)
