"""The small overlay: what is drawn is what was judged, in the colours of the large one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam import Settings, assess_pair, read_rover
from hazcam.assess import Assessment
from hazcam.report.drawing import BLUE, ORANGE, PURPLE
from hazcam.report.overlay import ground_m, projection
from hazcam.report.small_overlay import WIDTH_PX, small_overlay
from hazcam.verdict import HeadingVerdict
from tests.conftest import Assess
from tests.folders import assessment, pair
from tests.synthetic import Scene, ideal_rig

Picture = NDArray[np.uint8]


def drawn(found: Assessment) -> Picture:
    data = small_overlay(found)
    assert data.startswith(b"\xff\xd8\xff")  # JPEG, ISO/IEC 10918-1
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return np.asarray(picture, dtype=np.uint8)


def near(picture: Picture, colour: str) -> NDArray[np.bool_]:
    """Pixels of a colour; the ground is grey, so that the tint tells, however JPEG blurs it."""
    wanted = np.array([int(colour[i:i + 2], 16) for i in (5, 3, 1)], dtype=np.float64)
    tint = picture.astype(np.float64) - picture.mean(axis=2, keepdims=True)
    mine = wanted - wanted.mean()
    return np.asarray(np.linalg.norm(tint - mine, axis=2) < 0.45 * np.linalg.norm(mine))


def above_tags(picture: Picture) -> Picture:
    return picture[:-24]


@pytest.fixture(scope="module")
def clear(assess: Assess) -> Assessment:
    found: Assessment = assess(Scene(), headings_deg=(0.0,))
    assert found.verdicts[0].verdict == "go"
    return found


def with_verdict(found: Assessment, **changes: Any) -> Assessment:
    return replace(found, verdicts=(replace(found.verdicts[0], **changes),))


def test_the_picture_is_480_px_wide_and_keeps_its_shape() -> None:
    assert drawn(assessment()).shape == (360, WIDTH_PX, 3)  # of 640 x 480
    assert len(small_overlay(assessment())) < 60_000


def test_the_same_assessment_gives_the_same_bytes() -> None:
    assert small_overlay(assessment()) == small_overlay(assessment())


def test_go_is_blue_and_ask_is_orange(clear: Assessment) -> None:
    going = above_tags(drawn(clear))
    assert near(going, BLUE).sum() > 200
    assert near(going, ORANGE).sum() < 20
    asking = above_tags(drawn(assessment()))
    assert {v.verdict for v in assessment().verdicts} == {"ask-ground"}
    assert near(asking, ORANGE).sum() > 200
    assert near(asking, BLUE).sum() < 20


def test_ask_is_dashed_and_go_is_not(clear: Assessment) -> None:
    """Along the middle of the heading's line: go is blue nearly everywhere, ask has gaps."""
    cause = assessment().verdicts[0].causes[0]
    asks = with_verdict(clear, verdict="ask-ground", causes=(replace(cause, at_m=1.0),))
    for found, colour, least, most in ((clear, BLUE, 0.9, 1.0), (asks, ORANGE, 0.4, 0.85)):
        line = on_line(found, drawn(found), near_to=0.1, far_to=0.9)
        assert least <= near(line, colour).mean() <= most


def on_line(found: Assessment, picture: Picture, near_to: float, far_to: float) -> Picture:
    """The pixels of the line straight ahead between two distances from the nose, (n, 1, 3)."""
    assert found.terrain is not None
    x = found.rover.body.nose_m + np.linspace(near_to, far_to, 300)
    y = np.zeros_like(x)
    pixels = projection(found)(x, y, ground_m(found.terrain, x, y)) * WIDTH_PX / 640
    inside = (pixels[:, 1] < picture.shape[0] - 26) & np.isfinite(pixels).all(axis=1)
    columns, rows = np.round(pixels[inside]).astype(int).T
    return np.asarray(picture[rows, columns][:, None])


def test_beyond_the_clear_distance_no_line_is_solid(clear: Assessment) -> None:
    cause = assessment().verdicts[0].causes[0]
    asks = with_verdict(clear, verdict="ask-ground", clear_m=0.5,
                        causes=(replace(cause, at_m=0.5),))
    picture = drawn(asks)
    assert near(on_line(asks, picture, 0.35, 0.48), ORANGE).mean() > 0.3
    assert near(on_line(asks, picture, 0.6, 0.95), ORANGE).mean() < 0.03


def test_beyond_the_clear_distance_there_are_dots_up_to_the_look_ahead(clear: Assessment) -> None:
    """Against the same picture with the heading elsewhere: some of the ground there is changed."""
    cause = assessment().verdicts[0].causes[0]
    here, aside = (on_line(clear, drawn(with_verdict(
        clear, heading_deg=deg, verdict="ask-ground", clear_m=0.5,
        causes=(replace(cause, at_m=0.5),))), 0.6, 0.95).astype(int) for deg in (0.0, 40.0))
    changed = (np.abs(here - aside).max(axis=2) > 40).mean()
    assert changed > 0.1
    assert here.std() > 15  # a line would be of one grey


def test_the_first_cause_is_crossed(clear: Assessment) -> None:
    """Where the cross is, black on white, the picture without it is neither."""
    cause = assessment().verdicts[0].causes[0]
    at, elsewhere = (drawn(with_verdict(clear, verdict="ask-ground", clear_m=0.3,
                                        causes=(replace(cause, at_m=m),))) for m in (0.7, 0.9))
    there = on_line(clear, at, 0.69, 0.71)
    without = on_line(clear, elsewhere, 0.69, 0.71)
    assert there.min() < 40
    assert without.min() > 40


def test_the_near_strip_is_marked_only_where_there_is_one(clear: Assessment) -> None:
    assert near(above_tags(drawn(clear)), PURPLE).sum() > 100
    none = replace(clear, near_strip_max_m=0.0)
    assert near(above_tags(drawn(none)), PURPLE).sum() < 20


def test_each_missing_picture_is_said() -> None:
    for left_over in (replace(pair(), left=None), replace(pair(), right=None)):
        single = assess_pair(left_over, ideal_rig(), read_rover("dunlin-em"),
                             Settings(headings_deg=(0.0,)))
        picture = drawn(single)
        assert picture.shape == (360, WIDTH_PX, 3)
        assert (picture > 245).all(axis=2).sum() > 3000  # the plates of the words


def test_more_headings_than_have_room_for_a_tag(clear: Assessment) -> None:
    verdicts: list[HeadingVerdict] = [replace(clear.verdicts[0], heading_deg=float(h))
                                      for h in range(-45, 46)]
    many = replace(clear, verdicts=tuple(verdicts), settings=replace(
        clear.settings, headings_deg=tuple(v.heading_deg for v in verdicts)))
    assert near(drawn(many), BLUE).sum() > near(drawn(clear), BLUE).sum()
