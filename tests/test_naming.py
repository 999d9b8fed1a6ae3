"""Which side and which pair the name of a picture tells."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.imagery.arrays import check_id
from hazcam.imagery.naming import id_of, is_id, is_pattern, looks_deeper, named


@pytest.mark.parametrize(("path", "pair", "side"), [
    ("a.left.png", "a", "left"), ("a.right.png", "a", "right"),
    ("Left7.jpg", "7", "left"), ("b_L.png", "b", "left"), ("b-r.TIF", "b", "right"),
    ("left.png", "pair", "left"), ("cam-right-0012.pgm", "cam--0012", "right"),
    ("left01.jpg", "01", "left"), ("right01.jpg", "01", "right"), ("cam1left.png", "cam1", "left"),
    ("imgLeft.png", "img", "left"), ("rightImg.png", "Img", "right"), ("imgRIGHT7.png", "img7",
                                                                       "right"),
    ("bright-1_L.png", "bright-1", "left"), ("bright-1_R.png", "bright-1", "right"),
    ("cleft-2_r.png", "cleft-2", "right"), ("Bright_L.png", "Bright", "left"),
    ("lefty_R.png", "lefty", "right"), ("left-of-heap.right.png", "left-of-heap", "right"),
    ("right-turn_left.png", "right-turn", "left"),
    ("1.left.png", "1", "left"), ("-1.right.png", "-1", "right"), ("1_.left.png", "1_", "left"),
    ("a__L.png", "a_", "left"), ("right-.1.png", ".1", "right"),
])
def test_words_and_letters_tell_the_side(path: str, pair: str, side: str) -> None:
    found = named(path)
    assert found is not None
    assert (found.pair, found.side, found.path) == (pair, side, path)


@pytest.mark.parametrize("path", [
    "a.png", "left.txt", "hill.png", "bar.png", "l.png", "left", "bright-1.png", "cleft.png",
    "Bright.png", "upright7.png", "lefts.png", "L.png", "_L.png"])
def test_other_names_tell_none(path: str) -> None:
    assert named(path) is None


def test_a_pattern_tells_by_either_word() -> None:
    for pattern in ("{stem}_L.png {stem}_R.png", "{id}_L.png {stem}_R.png"):
        left, right = (named(f"day1/beach-7_{side}.png", pattern) for side in "LR")
        assert left is not None
        assert right is not None
        assert (left.pair, left.side) == ("day1/beach-7", "left")
        assert (right.pair, right.side) == ("day1/beach-7", "right")
    assert named("beach-7_L.jpg", "{stem}_L.png {stem}_R.png") is None
    assert named("left7.png", "{stem}_L.png {stem}_R.png") is None
    assert named("_L.png", "{stem}_L.png {stem}_R.png") is None


def test_signs_of_a_pattern_mean_themselves() -> None:
    pattern = "cam(0).{stem}.png cam(1).{stem}.png"
    assert named("cam(0).3.png", pattern) is not None
    assert named("cam0x3xpng", pattern) is None


@pytest.mark.parametrize("pattern", [
    "l{id}", "left right", "{id}{id}.png {id}.png", "{id}{stem}.png {id}.png", "a{id} b{id} c{id}",
    "{stem}.png {stem}.png", "",
])
def test_what_is_no_pattern(pattern: str) -> None:
    assert not is_pattern(pattern)


def test_a_pattern_with_folders_looks_into_them() -> None:
    assert looks_deeper("left/{stem}.png right/{stem}.png")
    assert not looks_deeper("{stem}_L.png {stem}_R.png")
    assert not looks_deeper(None)


@given(st.text(max_size=20))
def test_any_name_becomes_an_id(name: str) -> None:
    assert check_id(id_of(name), "x") == id_of(name)
    assert id_of(id_of(name)) == id_of(name)


@pytest.mark.parametrize(("name", "made"), [
    ("-1", "_1"), ("nul", "_nul"), ("Com1.left", "_Com1.left"), ("a.", "a"), ("..", "pair"),
    ("console", "console"), ("é 1", "__1"),
])
def test_names_that_no_folder_may_have(name: str, made: str) -> None:
    assert id_of(name) == made
    assert is_id(name) == (name == made)


def test_long_names_stay_apart() -> None:
    names = [id_of("x" * 200 + end) for end in "ab"]
    assert all(len(name) == 100 for name in names)
    assert len(set(names)) == 2
    assert is_id("x" * 100)
    assert not is_id("x" * 101)


@given(st.from_regex(r"[A-Za-z0-9_/.-]+", fullmatch=True))
def test_a_pattern_gives_back_the_stem(stem: str) -> None:
    found = named(f"{stem}-left.png", "{stem}-left.png {stem}-right.png")
    assert found is not None
    assert found.pair == stem
