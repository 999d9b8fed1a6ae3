"""Campaigns of drift: pooled, scattered, moved; the mended rig; what is said and drawn of it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from hazcam.drift import DriftEstimate
from hazcam.drift_campaign import CampaignDrift, PairDrift, pool, sides_of_step
from hazcam.drift_mending import mended_rig
from hazcam.errors import RigError
from hazcam.frames import Floats
from hazcam.refinement import too_wide
from hazcam.report.drift_plot import drift_figure
from hazcam.report.drift_record import drift_record
from hazcam.report.refined_record import baseline_words
from tests.synthetic import ideal_rig

SIGMA = np.array([0.003, 0.012, 0.004])


def campaign(
    turns: Floats, *, times: bool = True, calibration_deg: float = 0.0
) -> CampaignDrift:
    """Pairs of known turn, the last one first: half of each variance is noise.

    ``calibration_deg`` is what the calibration leaves open of the vergence, on top.
    """
    own = np.diag([*SIGMA**2, 0.05**2, 0.05**2])
    calibration = np.diag([0.0, calibration_deg**2, 0.0, 0.0, 0.0])
    return pool([PairDrift(
        id=f"pair-{i:02}", digest=f"digest-{i}",
        taken_at=f"2031-05-01T{23 - i:02}:00:00Z" if times else None,
        drift=DriftEstimate(
            turn_deg=turn, baseline_deg=np.zeros(2), covariance=own + calibration,
            noise_covariance=own / 2, calibration_covariance=calibration, count=300,
            sought=320, inliers=290, spread_px=0.07)) for i, turn in enumerate(turns)], ideal_rig())


def scattered(count: int, seed: int = 1) -> Floats:
    return 0.1 + SIGMA * np.random.default_rng(seed).standard_normal((count, 3))


def test_what_pairs_share_is_not_averaged_down() -> None:
    one, many = campaign(scattered(1)), campaign(scattered(20))
    np.testing.assert_allclose(one.sigma_deg, SIGMA)
    np.testing.assert_allclose(many.sigma_deg, SIGMA * np.sqrt(0.5 + 0.5 / 20), rtol=1e-6)
    assert not many.moved
    assert np.all(np.abs(many.turn_deg - 0.1) < 3 * SIGMA / np.sqrt(20))


def test_a_single_bad_pair_is_left_out() -> None:
    turns = scattered(12)
    turns[4] += [0.2, 0.0, -0.1]
    found = campaign(turns)
    assert [p.id for p, out in zip(found.pairs, found.left_out, strict=True) if out] == ["pair-04"]
    assert not found.moved


def test_a_camera_that_moved_is_not_pooled_away() -> None:
    """By 0.3 degrees between pair-06 and pair-05, which was taken after it."""
    turns = scattered(12)
    turns[6:] += [0.3, 0.0, 0.0]
    found = campaign(turns)
    assert found.moved
    assert found.step is not None
    assert found.pairs[found.step].id == "pair-05"
    before, since = sides_of_step(found, ideal_rig())
    assert abs(before.turn_deg[0] - since.turn_deg[0] - 0.3) < 0.01
    assert not before.moved
    assert not since.moved
    with pytest.raises(RigError, match="most between pair-06 and pair-05") as error:
        mended_rig(ideal_rig(), found)
    assert "from pair-05 on (6 of 12)" in str(error.value)


def test_a_step_between_two_pairs_is_no_scatter() -> None:
    found = campaign(np.array([[0.3, 0.0, 0.0], [0.0, 0.0, 0.0]]))
    assert found.moved
    assert found.step == 1


def test_a_camera_that_moved_twice_is_said_to_have_moved_since() -> None:
    turns = scattered(12)
    turns[:4] += [0.9, 0.0, 0.0]
    turns[4:8] += [0.3, 0.0, 0.0]
    found = campaign(turns)
    assert found.moved
    assert found.step == 8
    assert [side.moved for side in sides_of_step(found, ideal_rig())] == [True, False]
    backwards = campaign(turns[::-1])
    with pytest.raises(RigError, match="and again since"):
        mended_rig(ideal_rig(), backwards)


def test_scatter_that_keeps_the_limit_is_pooled_with_a_wider_sigma() -> None:
    """Pitch scatters by 0.01 degrees, 0.1 px, where its sigma says 0.003."""
    turns = scattered(8)
    turns[:, 0] = -0.3 + 0.011 * np.array([-1, 1, -1, 1, 1, -1, 1, -1])
    found, still = campaign(turns), campaign(scattered(8))
    assert found.scattered
    assert not found.moved
    # The pooled sigma holds the scatter of a mean of 8, and what pairs share.
    assert found.sigma_deg[0] > 0.0118 / np.sqrt(8)
    # The other angles scatter as they should: they are hardly wider for it.
    assert np.all(found.sigma_deg[1:] < 1.2 * still.sigma_deg[1:])
    assert mended_rig(ideal_rig(), found).provenance["drift_taken_out"]["spread_deg"][0] > 0.01
    text = drift_record(ideal_rig(), found, {})["combined"]["text"]
    assert "scatter more than their sigmas explain" in text
    assert "keeps the limit" in text


def test_a_small_step_widens_the_sigma_until_the_rig_is_refused() -> None:
    """0.16 degrees leave 0.7 px in each pair, within the limit; but no mean is known to 0.02."""
    turns = np.zeros((4, 3))
    turns[2:, 0] = 0.16
    found = campaign(turns)
    assert found.scattered
    assert not found.moved
    with pytest.raises(RigError, match="the pairs leave pitch to"):
        mended_rig(ideal_rig(), found)


def test_few_campaigns_that_stayed_seem_to_have_moved() -> None:
    """At one in a thousand, none of 60."""
    assert not any(campaign(scattered(8, seed)).moved for seed in range(60))


def test_pairs_are_ordered_by_time_where_all_say_it() -> None:
    by_time, by_name = campaign(scattered(3)), campaign(scattered(3), times=False)
    assert by_time.by_time
    assert [p.id for p in by_time.pairs] == ["pair-02", "pair-01", "pair-00"]
    assert not by_name.by_time
    assert [p.id for p in by_name.pairs] == ["pair-00", "pair-01", "pair-02"]


def test_the_mended_rig_is_turned_and_says_from_what() -> None:
    covariance = np.diag(np.full(14, 1e-6))
    rig = replace(ideal_rig(), covariance=covariance)
    found = campaign(scattered(4))
    mended = mended_rig(rig, found)
    np.testing.assert_allclose(mended.R, cv2.Rodrigues(np.radians(found.turn_deg))[0], atol=1e-12)
    said = mended.provenance["drift_taken_out"]
    assert said["pairs"] == ["pair-03", "pair-02", "pair-01", "pair-00"]
    assert said["from_digest"] == rig.digest
    assert mended.covariance is not None
    grown = mended.covariance - covariance
    np.testing.assert_allclose(np.diag(grown)[8:11], np.radians(found.sigma_deg) ** 2, rtol=1e-9)
    # The baseline of 0.1 m turns with it: its y by roll, its z by vergence.
    np.testing.assert_allclose(np.diag(grown)[12:], 0.01 * np.diag(grown)[[10, 9]], rtol=1e-6)


def test_a_rig_is_not_mended_by_what_is_known_too_little() -> None:
    wide = campaign(scattered(1))
    wide = replace(wide, covariance=wide.covariance * 4)
    with pytest.raises(RigError, match="leave vergence to"):
        mended_rig(ideal_rig(), wide)


def test_the_limit_of_mending_is_on_what_the_pairs_add() -> None:
    """What the calibration leaves open is the same in all pairs, and stays in the covariance."""
    found = campaign(scattered(6), calibration_deg=0.05)
    assert found.sigma_deg[1] > 0.05
    np.testing.assert_allclose(found.added_sigma_deg, campaign(scattered(6)).sigma_deg)
    assert not too_wide(found.added_sigma_deg)
    rig = replace(ideal_rig(), covariance=np.zeros((14, 14)))
    mended = mended_rig(rig, found)
    assert mended.covariance is not None
    assert np.degrees(np.sqrt(mended.covariance[9, 9])) == pytest.approx(found.sigma_deg[1])
    note = " ".join(drift_record(rig, found, {})["notes"])
    assert "the calibration's own part is 0.000°, 0.050°, 0.000°" in note


def test_a_calibration_that_leaves_the_ground_open_is_not_mended() -> None:
    """0.2 degrees of vergence are 10 mm of the height of ground at 1 m."""
    with pytest.raises(RigError, match="which no pairs lower"):
        mended_rig(ideal_rig(), campaign(scattered(6), calibration_deg=0.2))


def test_it_is_said_of_each_pair_why_the_limit_is_not_known() -> None:
    by_calibration = drift_record(ideal_rig(), campaign(0.2 * scattered(2), calibration_deg=0.2),
                                  {})
    assert "the calibration itself leaves" in by_calibration["pairs"][0]["notes"][0]
    assert by_calibration["pairs"][0]["limit"] == "not known"
    within = drift_record(ideal_rig(), campaign(0.2 * scattered(2)), {})
    assert within["pairs"][0]["limit"] == "within"
    assert within["pairs"][0]["notes"] == []


def test_a_moved_record_has_the_effects_of_each_side() -> None:
    turns = np.zeros((6, 3))
    turns[:3, 0] = 0.3
    combined = drift_record(ideal_rig(), campaign(turns), {})["combined"]
    assert combined["turn_deg"] is None
    assert combined["step"] == {"last_before": "pair-03", "first_since": "pair-02"}
    assert [side["limit"] for side in combined["sides"]] == ["within", "beyond"]
    assert [len(side["ground"]) for side in combined["sides"]] == [4, 4]


def test_a_camera_that_moved_late_is_no_bad_pair() -> None:
    """The last two of 20 pairs, 0.3 degrees off: a mended rig must not bring back the old turn."""
    for late in (1, 2):
        turns = scattered(20)
        turns[:late] += 0.3  # the first ones given were taken last
        found = campaign(turns)
        assert not any(found.left_out)
        assert found.moved
        assert found.step == 20 - late
        with pytest.raises(RigError, match="moved within the campaign"):
            mended_rig(ideal_rig(), found)


def test_few_pairs_do_not_vote_one_out() -> None:
    turns = scattered(4)
    turns[2] += 0.3
    assert not any(campaign(turns).left_out)


@pytest.mark.parametrize(("baseline", "said"), [
    ((0.11, -0.11), ""), ((0.3, 0.0), "0.30° lower"), ((0.0, -0.2), "0.20° farther back")])
def test_a_baseline_that_does_not_fit_is_said(baseline: tuple[float, float], said: str) -> None:
    """Beyond twice the 0.06 degrees that are assumed."""
    words = baseline_words(np.array(baseline))
    assert said in words
    assert bool(words) == bool(said)


# The plot


def test_the_step_is_drawn_between_its_pairs_and_the_limits_are_there() -> None:
    turns = np.zeros((6, 3))
    turns[:3, 0] = 0.3
    figure = drift_figure(drift_record(ideal_rig(), campaign(turns), {"x.pair.json": "why"}))
    angles, (rows, height) = figure.axes[:3], figure.axes[3:]
    for axes in figure.axes:  # an hour apart, the step behind the third
        step = next(line for line in axes.lines if line.get_label() == "the camera moved")
        assert np.asarray(step.get_xdata()).tolist() == [2.5, 2.5]
    for axes, limit in ((rows, 1.0), (height, 5.0)):
        drawn = {float(np.asarray(line.get_ydata())[0]) for line in axes.lines
                 if line.get_label() == "limit"}
        assert drawn == {-limit, limit}
        assert axes.get_ylim()[0] < -limit < limit < axes.get_ylim()[1]
    assert len({axes.get_ylim() for axes in angles}) == 1
    assert "x.pair.json" in height.get_xlabel()
    assert "hours" in height.get_xlabel()
    assert "moved, most between pair-03 and pair-02" in " ".join(figure.get_suptitle().split())


def test_a_long_campaign_is_in_days_and_pairs_of_one_time_stand_apart() -> None:
    record = drift_record(ideal_rig(), campaign(np.zeros((3, 3))), {})
    for pair, day in zip(record["pairs"], (1, 1, 9), strict=True):
        pair["taken_at"] = f"2031-05-{day:02}T12:00:00Z"
    axes = drift_figure(record).axes[0]
    places = np.concatenate([np.atleast_1d(line.get_xdata()) for line in axes.lines
                             if line.get_marker() == "o"])
    assert len(np.unique(places)) == 3
    assert places.max() == 8.0
    assert places.min() == 0.0
