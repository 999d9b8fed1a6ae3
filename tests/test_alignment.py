from typing import Literal

import numpy as np
import pytest

from hazcam.alignment import (
    NEIGHBOURS,
    TRACKER_SIGMA_PX,
    VerticalOffset,
    align,
    fit_vertical_offset,
)
from hazcam.frames import Floats
from hazcam.imagery import check_pictures
from hazcam.rectification import RectifiedPair, common_view, rectify
from hazcam.tracks import Tracks
from tests.synthetic import Scene, ideal_rig, render

CAMERA = common_view(ideal_rig()).camera
CENTRE = (CAMERA.cx, CAMERA.cy)
REACH = np.array([1.0, 320, 240])
SLOPED = (0.4, 1.0e-3, -0.8e-3)


@pytest.fixture(scope="module")
def flat() -> RectifiedPair:
    pair = render(Scene())
    return rectify(pair, ideal_rig(), check_pictures(pair))


def tracks(
    truth: tuple[float, float, float], *, seed: int, count: int = 300, outliers: float = 0.0,
    columns: tuple[float, float] = (0, 639), rows: tuple[float, float] = (0, 479),
) -> Tracks:
    """Features over a part of the picture, off their row by ``a, b, c`` and 0.1 px of noise."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(*columns, count), rng.uniform(*rows, count)
    a, b, c = truth
    dy = a + b * (x - CENTRE[0]) + c * (y - CENTRE[1]) + 0.1 * rng.standard_normal(count)
    wrong = rng.random(count) < outliers
    dy[wrong] = rng.uniform(1, 6, wrong.sum())  # all to one side: the worst for a mean
    return Tracks(columns=x, rows=y, offsets_px=dy, disparities_px=np.full(count, 40.0),
                  correlations=np.full(count, 0.9), sought=count)


def fitted(found: Tracks) -> VerticalOffset:
    offset = fit_vertical_offset(found, CAMERA)
    assert offset is not None
    return offset


def parameters(offset: VerticalOffset) -> Floats:
    return np.array([offset.a_px, offset.b, offset.c])


def stated(
    a_px: float = 0.0, b: float = 0.0, c: float = 0.0,
    model: Literal["affine", "constant"] = "affine",
) -> VerticalOffset:
    return VerticalOffset(a_px=a_px, b=b, c=c, covariance=1e-6 * np.eye(3), centre_px=CENTRE,
                          model=model, inliers=100, spread_px=0.1)


# The fit

@pytest.mark.parametrize("outliers", [0.0, 0.3])
def test_errors_of_the_fit_are_as_large_as_its_sigmas(outliers: float) -> None:
    """200 draws: rms of error over sigma is 1 within four times its own scatter, 1 / sqrt(400).

    These features err independently, and nothing is wrong with the tracker.
    """
    scaled = []
    for seed in range(200):
        offset = fitted(tracks(SLOPED, seed=seed, outliers=outliers))
        variance = (np.diag(offset.covariance) - (TRACKER_SIGMA_PX / REACH) ** 2) / NEIGHBOURS
        scaled.append((parameters(offset) - SLOPED) / np.sqrt(variance))
    np.testing.assert_allclose(np.sqrt(np.mean(np.square(scaled), axis=0)), 1.0, atol=0.2)


def test_outliers_do_not_move_it_but_would_move_least_squares() -> None:
    """30 % wrong features, all to one side: a plain mean would move by 1 px."""
    found = tracks(SLOPED, seed=3, outliers=0.3)
    offset = fitted(found)
    assert found.offsets_px.mean() - 0.4 > 0.8
    assert offset.a_px == pytest.approx(0.4, abs=0.05)
    assert offset.spread_px < 0.25
    assert 0.6 * found.count < offset.inliers < 0.8 * found.count


def test_slopes_are_kept_only_where_they_are_there() -> None:
    """At 99.9 % one draw in a thousand is taken for sloped: of 300, 3 are three too many."""
    sloped = [fitted(tracks((0.4, 0.0, 0.0), seed=s)).model == "affine" for s in range(300)]
    assert sum(sloped) <= 3
    assert fitted(tracks(SLOPED, seed=1)).model == "affine"


def test_a_constant_says_how_little_is_known_of_the_slopes() -> None:
    """Features in one corner: far from it the sigma grows, though no slope is claimed."""
    offset = fitted(tracks((0.2, 0.0, 0.0), seed=5, count=40, columns=(0, 90), rows=(400, 479)))
    assert offset.model == "constant"
    assert (offset.b, offset.c) == (0.0, 0.0)
    assert offset.sigma_at(45, 440) < 0.05
    assert offset.sigma_at(639, 0) > 0.3


def test_an_added_offset_is_added_to_the_answer() -> None:
    """Adding an affine offset to every feature adds it to the fit, and to nothing else."""
    before = tracks(SLOPED, seed=7, outliers=0.2)
    added = (0.25, 4.0e-4, 3.0e-4)
    design = np.stack([np.ones(300), before.columns - CENTRE[0], before.rows - CENTRE[1]], axis=1)
    after = Tracks(columns=before.columns, rows=before.rows,
                   offsets_px=before.offsets_px + design @ added,
                   disparities_px=before.disparities_px, correlations=before.correlations,
                   sought=300)
    a, b = fitted(before), fitted(after)
    np.testing.assert_allclose(parameters(b) - parameters(a), added, rtol=1e-3)
    np.testing.assert_allclose(b.covariance, a.covariance, rtol=1e-3)
    assert b.spread_px == pytest.approx(a.spread_px, rel=1e-3)


def test_no_offset_is_not_significant_and_one_is() -> None:
    assert not fitted(tracks((0.0, 0.0, 0.0), seed=2)).significant
    assert fitted(tracks((0.3, 0.0, 0.0), seed=2)).significant


@pytest.mark.parametrize("count", [0, 3, 50])
def test_too_few_features_or_all_on_one_row_give_no_fit(count: int) -> None:
    found = tracks(SLOPED, seed=1, count=count, rows=(100, 100))
    assert fit_vertical_offset(found, CAMERA) is None


def test_arrays_of_tracks_are_of_one_shape() -> None:
    with pytest.raises(ValueError, match="differ in shape"):
        Tracks(columns=np.zeros(2), rows=np.zeros(2), offsets_px=np.zeros(3),
               disparities_px=np.zeros(2), correlations=np.ones(2), sought=3)


# Taking it out

def test_whole_rows_move_with_their_states_and_leave_a_rim(flat: RectifiedPair) -> None:
    state = np.array(flat.state_right)
    state[100, 200] = 3
    pair = RectifiedPair(left=flat.left, right=flat.right, state_left=flat.state_left,
                         state_right=state, view=flat.view, resampled=False)
    moved = align(pair, stated(a_px=2.0, model="constant"))
    np.testing.assert_allclose(moved.right[:-2], pair.right[2:], atol=1e-3)
    np.testing.assert_array_equal(moved.left, pair.left)
    assert moved.state_right[98, 200] == 3
    assert (moved.state_right == 3).sum() == 1
    assert moved.view.valid_right[:-2].all()
    assert not moved.view.valid_right[-2:].any()
    assert moved.view.valid_left.all()
    assert moved.resampled


def test_a_turn_is_turned_back_in_columns_too(flat: RectifiedPair) -> None:
    """A turn by 0.01: a point 100 rows below the centre and 50 columns to its right is back.

    It had moved by (-1, 0.5) px.
    """
    row, column = 340, 370
    spot = np.zeros((480, 640), dtype=np.float32)
    rows, columns = np.mgrid[:480, :640]
    y, x = row + 0.01 * (column - CENTRE[0]), column - 0.01 * (row - CENTRE[1])
    spot += 100 * np.exp(-((rows - y) ** 2 + (columns - x) ** 2) / (2 * 3.0**2))
    pair = RectifiedPair(left=flat.left, right=spot, state_left=flat.state_left,
                         state_right=flat.state_right, view=flat.view, resampled=False)
    moved = align(pair, stated(b=0.01)).right
    found = [(moved * at).sum() / moved.sum() for at in (rows, columns)]
    np.testing.assert_allclose(found, [row, column], atol=0.02)
