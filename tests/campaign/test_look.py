"""A cheap look at pairs: right ones look right, and slipped frames are named, not more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hazcam.campaign.manifest.look import (
    Looked,
    StereoLook,
    findings_of,
    in_order,
    look_at,
    reduced,
    reduction,
)
from hazcam.errors import PairError, RigError
from hazcam.imagery import Sidecar
from tests.campaign.sequences import frame
from tests.synthetic import LEVEL, ideal_rig

ABOUT = Sidecar(path=Path("a.pair.json"), id="a", left=None, right=None, rig=Path("rig.yaml"),
                rover="dunlin-em", attitude=LEVEL)
GOOD = StereoLook(count=300, sought=360, spread_px=0.1, off_rows_px=0.1, brightness=1.0)
WRONG = StereoLook(count=15, sought=250, spread_px=1.0, off_rows_px=0.4, brightness=1.3)


def look(left: int, right: int, *, gain: float = 1.0, step_m: float = 0.1) -> StereoLook:
    pictures = (frame(left, right=False, gain=gain, step_m=step_m),
                frame(right, right=True, step_m=step_m))
    return look_at(reduced(pictures[0], 2), reduced(pictures[1], 2), 2, ABOUT, ideal_rig())


# --- one pair ------------------------------------------------------------------------------------


def test_a_pair_looks_right_and_a_neighbour_does_not() -> None:
    own, across = look(0, 0), look(0, 1)
    assert own.looks_right(0.0)
    assert not across.looks_right(0.0)
    assert own.clearly_better(across, 0.0)
    assert not across.clearly_better(own, 0.0)


def test_a_step_of_two_centimetres_shows() -> None:
    assert look(0, 0, step_m=0.02).clearly_better(look(0, 1, step_m=0.02), 0.0)


def test_brightness_is_that_of_the_gains() -> None:
    assert look(0, 0).brightness == pytest.approx(1.0, abs=0.02)
    assert look(0, 0, gain=0.6).brightness == pytest.approx(0.6, abs=0.02)


def test_exchanged_pictures_show() -> None:
    left, right = (reduced(frame(0, right=side), 2) for side in (False, True))
    found = look_at(right, left, 2, ABOUT, ideal_rig())
    assert found.swapped
    assert not look(0, 3).swapped


def test_pictures_that_do_not_fit_are_refused() -> None:
    picture = reduced(frame(0, right=False), 2)
    with pytest.raises(PairError, match="differ in size"):
        look_at(picture, picture[:, :300], 2, ABOUT, ideal_rig())
    with pytest.raises((PairError, RigError), match="300 x 240"):
        look_at(picture[:, :300], picture[:, :300], 2, ABOUT, ideal_rig())


def test_reducing_takes_means_and_cuts_off_what_is_left_over() -> None:
    picture = np.array([[0, 2, 9], [4, 6, 9]], np.uint16)
    assert reduced(picture, 2).tolist() == [[3]]
    assert reduced(picture, 2).dtype == np.uint16
    assert [reduction(size) for size in ((640, 480), (1280, 960), (960, 1281))] == [2, 2, 3]


# --- a sequence ----------------------------------------------------------------------------------


class Walk:
    """A sequence whose right pictures are those of other frames; asked for what fits."""

    def __init__(self, rights: list[int], lefts: list[int] | None = None) -> None:
        self.rights, self.lefts = rights, lefts or list(range(len(rights)))
        self.asked: list[tuple[int, int]] = []

    def between(self, i: int, j: int) -> StereoLook:
        self.asked.append((i, j))
        return GOOD if self.lefts[i] == self.rights[j] else WRONG

    def told(self) -> list[tuple[str, str, str]]:
        looked = [Looked(id=f"beach-{i}", look=GOOD if a == b else WRONG)
                  for i, (a, b) in enumerate(zip(self.lefts, self.rights, strict=True))]
        return [(f.kind, f.where, f.text) for f in findings_of(looked, self.between)]


def test_nothing_is_said_of_a_sequence_that_is_right_and_no_neighbour_is_asked() -> None:
    walk = Walk([0, 1, 2, 3, 4, 5])
    assert walk.told() == []
    assert walk.asked == []


def test_right_pictures_that_come_late_to_the_end() -> None:
    told = Walk([0, 1, 2, 2, 3, 4]).told()
    assert [t[:2] for t in told] == [("frames slipped", "beach-3")]
    assert told[0][2].startswith("from beach-3 on (3 pairs) the right pictures are one frame late")


def test_right_pictures_that_come_early_for_a_while() -> None:
    told = Walk([0, 1, 3, 4, 5, 5, 6, 7], [0, 1, 2, 3, 4, 5, 6, 7]).told()
    assert [t[:2] for t in told] == [("frames slipped", "beach-2")]
    assert told[0][2].startswith("from beach-2 to beach-4 (3 pairs) the right pictures are one "
                                 "frame early")


@pytest.mark.parametrize(("rights", "first", "last", "other", "lone"), [
    ([0, 1, 2, 2, 3, 4], "beach-3", "on", "next", "beach-5"),
    ([0, 1, 3, 4, 4], "beach-2", "to beach-3", "previous", "beach-2"),
])
def test_the_pair_at_the_end_of_a_run_has_no_other(
    rights: list[int], first: str, last: str, other: str, lone: str
) -> None:
    (_, where, text), = Walk(rights).told()
    assert where == first
    assert f"from {first} {last} " in text
    assert text.endswith(f"each left picture but that of {lone} fits the right one of the {other} "
                         "pair, and not its own")


@pytest.mark.parametrize(("rights", "pairs"), [
    ([0, 1, 3, 2, 4], [(2, 3)]),
    ([1, 0, 2, 4, 3], [(0, 1), (3, 4)]),
    ([1, 0, 3, 2], [(0, 1), (2, 3)]),
])
def test_frames_that_are_exchanged_between_neighbours(
    rights: list[int], pairs: list[tuple[int, int]]
) -> None:
    assert Walk(rights).told() == [
        ("frames slipped", f"beach-{i}", f"the right pictures of beach-{i} and beach-{j} are "
         "exchanged: each left picture fits the right one of the other pair, and not its own")
        for i, j in pairs]


def test_an_exchange_and_a_slip_are_told_apart() -> None:
    told = Walk([1, 0, 2, 2, 3, 4]).told()
    assert [t[1] for t in told] == ["beach-0", "beach-3"]
    assert "beach-0 and beach-1 are exchanged" in told[0][2]
    assert "one frame late" in told[1][2]


def test_what_fits_nothing_within_a_run_goes_along() -> None:
    told = Walk([0, 0, 1, 2, 99, 4, 5]).told()
    assert len(told) == 1
    assert told[0][2].startswith("from beach-1 on (6 pairs)")


def test_a_single_pair_that_fits_nothing_is_told_on_its_own() -> None:
    told = Walk([0, 1, 99, 3, 4]).told()
    assert [t[:2] for t in told] == [("not of one moment", "beach-2")]
    assert "only 15 of 250 features" in told[0][2]


def test_a_rover_that_stands_still_with_one_bad_picture_has_not_slipped() -> None:
    looked = [Looked(id=f"p{i}", look=WRONG if i == 2 else GOOD) for i in range(5)]
    assert [f.kind for f in findings_of(looked, lambda i, j: GOOD)] == ["not of one moment"]


def test_a_pair_that_could_not_be_looked_at_is_passed_over() -> None:
    looked = [Looked(id="a", look=None), Looked(id="b", look=WRONG), Looked(id="c", look=GOOD)]
    assert [f.where for f in findings_of(looked, lambda i, j: GOOD)] == ["b"]


def test_rows_that_are_off_alike_are_the_rigs_matter() -> None:
    """All pairs of a rig that drifted lie off their rows: no neighbour is better for that."""
    drifted = replace(GOOD, off_rows_px=4.0)
    looked = [Looked(id=f"p{i}", look=drifted) for i in range(6)]
    assert findings_of(looked, lambda i, j: replace(GOOD, off_rows_px=0.5)) == []


def test_rows_off_in_one_pair_only_are_compared() -> None:
    off = replace(GOOD, off_rows_px=4.0)
    looked = [Looked(id=f"p{i}", look=off if i > 4 else GOOD) for i in range(7)]
    told = findings_of(looked, lambda i, j: GOOD if (i, j) == (5, 6) else off)
    assert [f.where for f in told] == ["p5"]


@pytest.mark.parametrize(("look", "kind", "words"), [
    (replace(WRONG, swapped=True), "exchanged", "left and right picture exchanged"),
    (replace(GOOD, spread_px=0.9), "not of one moment", "0.9 px off their rows at random"),
    (replace(GOOD, brightness=1.5), "unequal exposure", "1.50 times as bright"),
    (replace(GOOD, brightness=0.6), "unequal exposure", "0.60 times as bright"),
])
def test_what_is_odd_about_one_pair(look: StereoLook, kind: str, words: str) -> None:
    looked = [Looked(id=f"p{i}", look=look if i == 3 else GOOD) for i in range(7)]
    found, = findings_of(looked, lambda i, j: WRONG)
    assert (found.kind, found.where) == (kind, "p3")
    assert words in found.text


def test_cameras_whose_gains_differ_in_all_pairs_are_no_finding() -> None:
    looked = [Looked(id=f"p{i}", look=replace(GOOD, brightness=1.6)) for i in range(6)]
    assert findings_of(looked, lambda i, j: WRONG) == []


def test_names_are_in_the_order_of_their_numbers() -> None:
    names = ["b-10", "b-2", "a-10x", "a-9x", "7", "b"]
    assert sorted(names, key=in_order) == ["7", "a-9x", "a-10x", "b", "b-2", "b-10"]
