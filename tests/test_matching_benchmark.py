"""The masks, scores and synthetic pairs of the matching benchmark, on cases with known answers."""

from __future__ import annotations

import tarfile
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import tifffile

from hazcam.frames import Floats
from hazcam.imagery import PixelState
from tests.benchmarks.matching import __main__ as command
from tests.benchmarks.matching import scenes, synthetic
from tests.benchmarks.matching.ground import Tally, lit_in_both, sun_class, tally
from tests.benchmarks.matching.matchers import as_rectified, at_density, density, sgbm
from tests.benchmarks.matching.robustness import darker, lost_blocks, shifted
from tests.benchmarks.matching.scores import (
    LOCKING_BINS,
    MAD_SCALE,
    Found,
    away_from_edges,
    beyond_three_sigma,
    mad,
    non_occluded,
    pixel_locking,
    score,
    within_sigmas,
)
from tests.benchmarks.matching.tables import Table
from tests.benchmarks.matching.timing import traffic_bytes

NAN = float("nan")


def step(near_px: float = 10.0, far_px: float = 4.0) -> Floats:
    """Far ground, and a near post in columns 20 to 29 of 60."""
    truth = np.full((6, 60), far_px)
    truth[:, 20:30] = near_px
    return truth


# Masks


def test_a_near_post_hides_what_lies_to_its_left() -> None:
    """The post lands on columns 10 to 19; far ground of columns 14 to 23 would land there too.

    That of column 13 lands beside it: the mask looks at two columns and leaves it out as well.
    """
    hidden = ~non_occluded(step())[0]
    outside = np.arange(60) < 4  # lands left of column 0
    assert np.flatnonzero(hidden & ~outside).tolist() == list(range(13, 20))


def test_what_falls_out_of_the_right_picture_is_not_seen() -> None:
    assert np.flatnonzero(~non_occluded(np.full((3, 40), 7.5))[1]).tolist() == list(range(8))


@pytest.mark.parametrize(("slope", "kept"), [(0.32, True), (0.6, False)])
def test_a_gentle_ramp_hides_nothing(slope: float, kept: bool) -> None:
    """Pixels on the two columns are less than 2 px apart there, so 2 s / (1 - s) px in disparity.

    Up to a slope of 1/3 that is less than HIDDEN_PX; steeper ones are left out in part.
    """
    ramp = np.broadcast_to(slope * np.arange(60), (4, 60))
    assert non_occluded(np.array(ramp)).all() == kept


def test_unknown_truth_is_never_seen() -> None:
    truth = np.full((5, 30), 2.0)
    truth[2, 10:14] = NAN
    seen = non_occluded(truth)
    assert not seen[2, 10:14].any()
    assert seen[2, 14:].all()


@pytest.mark.parametrize("reach_px", [1, 2, 3])
def test_pixels_next_to_an_edge_are_left_out(reach_px: int) -> None:
    """The edge lies between columns 19 and 20: ``reach_px`` columns on both sides go."""
    safe = away_from_edges(step(), reach_px=reach_px)[3]
    beside = {*range(20 - reach_px, 20 + reach_px), *range(30 - reach_px, 30 + reach_px)}
    assert set(np.flatnonzero(~safe).tolist()) == beside


def test_a_slope_is_no_edge() -> None:
    slope = np.broadcast_to(0.4 * np.arange(40.0)[:, None], (40, 40))
    assert away_from_edges(np.array(slope)).all()


# Scores


def test_scores_of_known_errors() -> None:
    """Ten pixels: eight matched, off by 0.2 (five), 0.7, 1.5 and 3; one more is not counted."""
    truth = np.full((1, 11), 5.0)
    found = truth + np.array([[0.2] * 5 + [0.7, 1.5, -3.0, NAN, NAN, 50.0]])
    seen = np.array([[True] * 10 + [False]])
    s = score(found, truth, seen, seen)
    assert s.density == pytest.approx(80.0)
    assert (s.bad_half, s.bad_1, s.bad_2) == pytest.approx((37.5, 25.0, 12.5))
    assert s.tot_1 == pytest.approx(40.0)
    assert s.offset_px == pytest.approx(0.2)
    assert s.mad_px == pytest.approx(0.0)


def test_mad_is_the_sigma_of_a_normal_distribution() -> None:
    """Its sampling error is 1.17 sigma / sqrt(n) (large-sample theory), so 0.4 %: five of them."""
    rng = np.random.default_rng(1)
    assert mad(3.0 + 0.2 * rng.standard_normal(100_000)) == pytest.approx(0.2, rel=0.02)


def test_shares_within_sigma_are_those_of_the_normal_distribution() -> None:
    """68.27, 95.45 and 99.73 % (closed form erf(k / sqrt 2)); an offset is taken out."""
    rng = np.random.default_rng(2)
    sigma = rng.uniform(0.05, 0.2, 200_000)
    shares = within_sigmas(0.3 + sigma * rng.standard_normal(sigma.size), sigma)
    assert shares == pytest.approx((68.27, 95.45, 99.73), abs=0.4)


def test_gross_errors_are_no_inliers_but_count_as_overconfident() -> None:
    error = np.array([0.0] * 8 + [5.0, -6.0])
    sigma = np.array([0.1] * 8 + [0.1, 4.0])
    assert within_sigmas(error, sigma) == (100.0, 100.0, 100.0)
    assert beyond_three_sigma(error, sigma, over_px=2.0) == pytest.approx(50.0)


def test_pixel_locking_of_a_sine() -> None:
    """A mean error of a sin(2 pi d) has an rms of a / sqrt 2, less what a bin averages away."""
    rng = np.random.default_rng(3)
    truth = rng.uniform(0, 30, 400_000)
    error = 0.1 * np.sin(2 * np.pi * truth)
    averaged = np.sinc(1 / LOCKING_BINS)
    assert pixel_locking(error, truth) == pytest.approx(0.1 / np.sqrt(2) * averaged, rel=0.01)


def test_noise_alone_does_not_lock() -> None:
    """Bins of 20 000 errors of 0.1 px: means of 0.0007 px; three times that."""
    rng = np.random.default_rng(4)
    truth = rng.uniform(0, 30, 400_000)
    assert pixel_locking(0.1 * rng.standard_normal(truth.size), truth) < 0.0021


# Synthetic pairs


@pytest.fixture(scope="module")
def pair() -> synthetic.Synthetic:
    return synthetic.synthetic(synthetic.TUNE_SEEDS[0], height=120, width=240)


def test_seeds_to_tune_on_are_not_reported() -> None:
    assert not set(synthetic.TUNE_SEEDS) & set(synthetic.REPORT_SEEDS)


def test_the_truth_takes_one_picture_to_the_other(pair: synthetic.Synthetic) -> None:
    """Right picture at x - d by cubic interpolation: what is left is noise and aliasing."""
    left, right = pair.scene.left.astype(np.float64), pair.scene.right.astype(np.float64)
    rows, columns = (np.asarray(grid) for grid in np.indices(left.shape))

    def difference(off_px: float) -> float:
        place = columns - pair.scene.truth_px - off_px
        inside = (place > 1) & (place < left.shape[1] - 2)
        base = np.floor(place[inside]).astype(int)
        part = place[inside] - base
        row = rows[inside]
        there = (1 - part) * right[row, base] + part * right[row, base + 1]
        return float(np.mean((left[inside] - there) ** 2))

    at = {off: difference(off) for off in (-0.2, 0.0, 0.2)}
    assert at[0.0] < min(at[-0.2], at[0.2])
    assert abs(at[-0.2] - at[0.2]) < 0.1 * at[0.0]


def test_every_pixel_inside_the_right_picture_is_seen(pair: synthetic.Synthetic) -> None:
    landing = np.arange(240) - pair.scene.truth_px
    np.testing.assert_array_equal(pair.scene.seen, (landing >= 0) & (np.floor(landing) < 239))


def test_the_same_seed_gives_the_same_pair(pair: synthetic.Synthetic) -> None:
    again = synthetic.synthetic(synthetic.TUNE_SEEDS[0], height=120, width=240)
    np.testing.assert_array_equal(again.scene.left, pair.scene.left)
    np.testing.assert_array_equal(again.scene.truth_px, pair.scene.truth_px)


def test_the_bound_of_a_known_gradient() -> None:
    """sum(gx²) = 49 * 4² over 7 x 7, so sigma = sqrt(2) * 1.5 / (7 * 4)."""
    bound = synthetic.least_sigma_px(np.full((20, 20), 4.0), 1.5, 7)
    np.testing.assert_allclose(bound, np.sqrt(2) * 1.5 / (7 * 4))


def test_least_squares_on_one_window_reaches_the_bound() -> None:
    """A known texture, two noisy pictures, 4000 draws: the estimator's spread is the bound."""
    rng = np.random.default_rng(5)
    slope = rng.normal(0, 5, 49)
    noise = 1.5 * rng.standard_normal((4000, 2, 49))
    estimate = ((noise[:, 0] - noise[:, 1]) @ slope) / (slope @ slope)
    patch = slope.reshape(7, 7)
    bound = synthetic.least_sigma_px(np.pad(patch, 3), 1.5, 7)[6, 6]
    assert estimate.std() == pytest.approx(bound, rel=0.05)


# Peers


def test_sgbm_finds_a_shift_up_to_the_rim() -> None:
    rng = np.random.default_rng(6)
    right = rng.integers(0, 255, (60, 120), dtype=np.uint8)
    left = np.roll(right, 9, axis=1)
    found = sgbm(left, right, 32).disparity_px
    assert np.isfinite(found[:, 12:]).mean() > 0.95
    assert np.nanmedian(found) == pytest.approx(9.0, abs=0.1)
    assert not np.isfinite(sgbm(left, right, 32, padded=False).disparity_px[:, :32]).any()


def test_equal_density_is_reached_by_uniqueness(pair: synthetic.Synthetic) -> None:
    """No uniqueness beside the chosen one comes nearer to the target."""
    scene = synthetic.synthetic(2, height=120, width=240).scene
    target = 60.0
    chosen, found = at_density(scene, target)
    reached = abs(density(found.disparity_px, scene) - target)
    for other in (chosen - 1, chosen + 1):
        near = sgbm(scene.left, scene.right, scene.disparities, uniqueness=other).disparity_px
        assert reached <= abs(density(near, scene) - target)


# Disturbances


def test_disturbances_do_what_they_say(pair: synthetic.Synthetic) -> None:
    left, right = pair.scene.left, pair.scene.right
    np.testing.assert_allclose(darker(left, right)[1], 0.6 * right.astype(float), atol=0.5)
    np.testing.assert_array_equal(shifted(1.0, left, right)[1][1:], right[:-1])
    lost = lost_blocks(left, right)
    assert all(4 * 16**2 <= (p == 0).sum() <= 8 * 16**2 for p in lost)
    assert not np.array_equal(lost[0] == 0, lost[1] == 0)


# Ground


def test_lit_needs_both_pictures_at_the_true_match() -> None:
    picture = np.full((4, 30), 100, np.uint8)
    state = np.full(picture.shape, PixelState.USABLE, np.uint8)
    state[1, 8] = PixelState.DARK
    base = as_rectified(picture, picture)
    truth = np.full(picture.shape, 5.0)
    truth[3] = NAN
    right_dark = lit_in_both(type(base)(
        left=base.left, right=base.right, state_left=base.state_left, state_right=state,
        view=base.view, resampled=False), truth)
    expected = np.isfinite(truth)
    expected[1, 13] = False  # 13 - 5 = 8
    np.testing.assert_array_equal(right_dark, expected)


def test_a_tally_counts_what_a_score_counts() -> None:
    rng = np.random.default_rng(7)
    truth = rng.uniform(3, 20, (50, 60))
    error = np.where(rng.uniform(size=truth.shape) < 0.1, 6.0, 0.3 * rng.standard_normal((50, 60)))
    found = (truth + error).astype(np.float32)
    found[rng.uniform(size=truth.shape) < 0.2] = np.nan
    everywhere = np.ones(truth.shape, dtype=bool)
    sigma = np.where(np.isfinite(found), np.float32(0.3), np.float32(np.nan))
    t = tally(truth, everywhere, Found(disparity_px=found, sigma_px=sigma), everywhere)
    s = score(found, truth, everywhere, everywhere)
    assert t.coverage == pytest.approx(s.density)
    assert 100 * t.bad_1 / t.matched == pytest.approx(s.bad_1)
    assert 100 * t.bad_2 / t.matched == pytest.approx(s.bad_2)
    assert t.mad_px == pytest.approx(s.mad_px, abs=2 * MAD_SCALE * 0.005)  # the classes are 5 mpx
    assert t.lit == t.pixels
    assert t.lit_matched == t.matched


def test_tallies_add_up() -> None:
    rng = np.random.default_rng(8)
    truth = rng.uniform(3, 20, (20, 30))
    found = Found(disparity_px=(truth + rng.normal(0, 1, truth.shape)).astype(np.float32),
                  sigma_px=np.full(truth.shape, 0.5, np.float32))
    everywhere = np.ones(truth.shape, dtype=bool)
    top = np.zeros(truth.shape, dtype=bool)
    top[:7] = True
    whole, parts = tally(truth, everywhere, found, everywhere), (
        tally(truth, everywhere, found, top), tally(truth, everywhere, found, ~top))
    both = sum(parts, Tally())
    assert (both.pixels, both.bad_1, both.within) == (whole.pixels, whole.bad_1, whole.within)
    np.testing.assert_array_equal(both.errors, whole.errors)


@pytest.mark.parametrize(("elevation_deg", "name"), [
    (None, "none"), (7.9, "< 8°"), (8.0, "8-20°"), (20.0, "8-20°"), (20.1, "> 20°")])
def test_classes_of_the_sun(elevation_deg: float | None, name: str) -> None:
    assert sun_class(elevation_deg) == name


# Command and tables


def test_a_table_prints_and_keeps_its_values() -> None:
    table = Table(title="T", note="N", columns={"a": "", "b": ".1f"},
                  rows=[("x", 1.26), ("y", NAN), ("z", None)])
    assert "| x | 1.3 |\n| y | - |\n| z | - |" in table.markdown()
    assert table.record()["rows"] == [{"a": "x", "b": 1.26}, {"a": "y", "b": None},
                                      {"a": "z", "b": None}]


def test_a_row_too_short_is_refused() -> None:
    with pytest.raises(ValueError, match="has 1 cells for 2 columns"):
        Table(title="T", note="", columns={"a": "", "b": ""}, rows=[("x",)])


def test_traffic_by_hand() -> None:
    """640 x 480 x 128 cells of 7 bytes."""
    assert traffic_bytes(480, 640, 128) == 275_251_200


@pytest.mark.parametrize(("words", "message"), [
    (["acuracy"], "none of size, accuracy"),
    (["ground"], "needs --set DIR"),
    (["ground", "--set", "nowhere"], "no folder scenes"),
    (["time", "--rounds", "0"], "give 1 or more"),
])
def test_wrong_words_are_refused(
    words: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        command.arguments(words)
    assert message in capsys.readouterr().err


def test_without_its_archive_cones_is_skipped_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(scenes.MissingPicturesError, match=r"pip download .* --cones"):
        scenes.cones(tmp_path / "none.tar.gz")


def test_cones_is_read_from_its_archive(tmp_path: Path) -> None:
    """Same names, our own pictures."""
    archive = tmp_path / "pandora-1.9.0.tar.gz"
    truth = np.array([[0.0, 5.25], [7.5, 8.0]], np.float32)
    with tarfile.open(archive, "w:gz") as packed:
        for name, values in (("Cones_LEFT.tif", np.full((2, 2), 7, np.uint8)),
                             ("Cones_RIGHT.tif", np.full((2, 2), 9, np.uint8)),
                             ("Cones_LEFT_GT.tif", truth)):
            data = BytesIO()
            tifffile.imwrite(data, values)
            info = tarfile.TarInfo(f"pandora-1.9.0/notebooks/data/{name}")
            info.size = len(data.getvalue())
            packed.addfile(info, BytesIO(data.getvalue()))
    scene = scenes.cones(archive)
    np.testing.assert_array_equal(scene.truth_px, np.where(truth > 0, truth, np.nan))
    assert (scene.left[0, 0], scene.right[0, 0]) == (7, 9)


def test_an_archive_without_cones_is_named(tmp_path: Path) -> None:
    archive = tmp_path / "other.tar.gz"
    with tarfile.open(archive, "w:gz"):
        pass
    with pytest.raises(scenes.MissingPicturesError, match=r"no Cones_LEFT\.tif in"):
        scenes.cones(archive)


def test_motorcycle_as_the_study_saw_it() -> None:
    """500 x 741; unknown truth is inf there and NaN here."""
    scene = scenes.motorcycle()
    assert scene.truth_px.shape == (500, 741)
    assert 0.9 < np.isfinite(scene.truth_px).mean() < 1.0
    assert not np.isinf(scene.truth_px).any()


def test_aloe_half_is_half_of_aloe(opencv_doc: Path) -> None:
    """Where the four pixels agree, half their mean; the halves lie on the same places."""
    whole, half = scenes.aloe(), scenes.aloe_half()
    assert half.truth_px.shape == (555, 641)
    assert whole.disparities == 2 * half.disparities
    four = whole.truth_px[200:202, 300:302]
    assert half.truth_px[100, 150] == pytest.approx(four.mean() / 2)
