"""Targets: their points, which of them look alike from both ends, and what is refused."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.calibration.target import DICTIONARIES, KINDS, Target, charuco_board, marker_bits
from hazcam.errors import TargetError

BOARD = Target(kind="charuco", columns=9, rows=6, pitch_m=0.04, marker_m=0.03,
               dictionary="4x4_50")


@st.composite
def targets(draw: st.DrawFn) -> Target:
    kind = draw(st.sampled_from(KINDS))
    columns, rows = draw(st.integers(3, 9)), draw(st.integers(3, 9))
    pitch_m = draw(st.floats(0.002, 0.9))
    if kind == "circles-asymmetric":
        rows += 1 - rows % 2
    if kind == "charuco":
        return Target(kind="charuco", columns=columns, rows=rows, pitch_m=pitch_m,
                      marker_m=0.7 * pitch_m, dictionary="4x4_100")
    return Target(kind=kind, columns=columns, rows=rows, pitch_m=pitch_m)


@given(targets())
@settings(max_examples=60, deadline=None)
def test_points_count_along_a_row_first(target: Target) -> None:
    points = target.points_m
    assert points.shape == (target.count, 3)
    assert not points.flags.writeable
    assert (points[0] == 0).all()
    assert (points[:, 2] == 0).all()
    along = 2 if target.kind == "circles-asymmetric" else 1
    grid = points.reshape(target.rows, target.columns, 3)
    np.testing.assert_allclose(np.diff(grid[..., 0], axis=1), along * target.pitch_m, rtol=1e-12)
    np.testing.assert_allclose(np.diff(grid[..., 1], axis=0), target.pitch_m, rtol=1e-9)


@given(targets())
@settings(max_examples=100, deadline=None)
def test_half_turn_alike_is_what_the_pattern_says(target: Target) -> None:
    """The pattern itself, as a picture of cells, turned by 180 degrees."""
    if target.kind == "charuco":
        assert not target.half_turn_alike
        return
    if target.has_squares:
        across, down = target.squares
        cells = np.indices((down, across)).sum(axis=0) % 2
    else:
        places = np.rint(target.points_m[:, :2] / target.pitch_m).astype(int)
        cells = np.zeros(places.max(axis=0)[::-1] + 1, int)
        cells[places[:, 1], places[:, 0]] = 1
    assert target.half_turn_alike == bool((cells == cells[::-1, ::-1]).all())


def test_asymmetric_circles_are_opencvs() -> None:
    """(2 j + i mod 2, i) of row i and column j: OpenCV's own calibration sample, from memory."""
    target = Target(kind="circles-asymmetric", columns=4, rows=5, pitch_m=0.5)
    expected = [(0.5 * (2 * j + i % 2), 0.5 * i) for i in range(5) for j in range(4)]
    np.testing.assert_allclose(target.points_m[:, :2], expected)


def test_charuco_corners_are_opencvs() -> None:
    corners = np.asarray(charuco_board(BOARD).getChessboardCorners())
    # OpenCV's origin is the corner of the outermost square, ours is point 0.
    np.testing.assert_allclose(corners - [0.04, 0.04, 0], BOARD.points_m, atol=1e-7)


def test_charuco_markers_are_opencvs_to_the_bit() -> None:
    """Square 8 cells, marker 6 cells: the board in cells, and OpenCV's own picture of it."""
    across, down = BOARD.squares
    cells = np.ones((8 * down, 8 * across), bool)
    for y in range(down):
        for x in range(across):
            cells[8 * y:8 * y + 8, 8 * x:8 * x + 8] = (x + y) % 2
    for (x, y), bits in marker_bits(BOARD).items():
        cells[8 * y + 1:8 * y + 7, 8 * x + 1:8 * x + 7] = bits
    drawn = np.asarray(charuco_board(BOARD).generateImage((8 * across * 5, 8 * down * 5)))
    seen = np.asarray(cv2.resize(drawn, cells.shape[::-1], interpolation=cv2.INTER_AREA)) > 127
    assert (seen == cells).all()


@pytest.mark.parametrize(("target", "text"), [
    (Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025),
     "chessboard, 9 x 6 inner corners (10 x 7 squares of 25 mm)"),
    (BOARD, "ChArUco board, 9 x 6 inner corners (10 x 7 squares of 40 mm), markers of 30 mm, "
            "dictionary 4x4_50"),
    (Target(kind="circles", columns=9, rows=6, pitch_m=0.0225),
     "symmetric circle grid, 9 x 6 circles, 22.5 mm apart"),
    (Target(kind="circles-asymmetric", columns=4, rows=11, pitch_m=0.02),
     "asymmetric circle grid, 4 x 11 circles, rows 20 mm apart, circles of a row 40 mm apart"),
])
def test_text(target: Target, text: str) -> None:
    assert target.text == text


@pytest.mark.parametrize(("changes", "words"), [
    ({"kind": "hexagons"}, r"kind: found 'hexagons'.*chessboard, charuco"),
    ({"columns": 2}, r"columns: found 2.*3 points or more"),
    ({"rows": 0}, r"rows: found 0.*inner corners"),
    ({"pitch_m": 0.0}, r"pitch_m: found 0 m.*above 0"),
    ({"pitch_m": float("nan")}, r"pitch_m: found nan"),
    ({"pitch_m": float("inf")}, r"pitch_m: found inf"),
    ({"pitch_m": 25.0}, r"pitch_m: found 25 m.*millimetres: divide it by 1000"),
    ({"pitch_m": 2.5}, r"pitch_m: found 2.5 m.*centimetres: divide it by 100"),
    ({"marker_m": 0.02}, r"given for the kind 'chessboard'.*leave them out"),
    ({"kind": "charuco"}, r"missing for a ChArUco board"),
    ({"kind": "charuco", "marker_m": 0.03, "dictionary": "4x4_50"},
     r"marker_m: found 0.03 m.*less than the square of 0.025 m"),
    ({"kind": "charuco", "marker_m": 0.02, "dictionary": "3x3_50"},
     r"dictionary: found '3x3_50'.*4x4_50, 4x4_100"),
    ({"kind": "charuco", "marker_m": 0.02, "dictionary": "4x4_50", "columns": 13, "rows": 9},
     r"4x4_50 holds 50 markers.*70 of them for 14 x 10 squares.*take 4x4_100"),
    ({"kind": "circles-asymmetric", "rows": 6}, r"rows: found 6.*odd number.*print a grid"),
])
def test_what_is_no_target(changes: dict[str, Any], words: str) -> None:
    values: dict[str, Any] = {"kind": "chessboard", "columns": 9, "rows": 6, "pitch_m": 0.025}
    with pytest.raises(TargetError, match=f"(?s){words}"):
        Target(**{**values, **changes})


def test_markers_are_asked_of_a_charuco_board_only() -> None:
    plain = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)
    for ask in (charuco_board, marker_bits):
        with pytest.raises(ValueError, match="has no markers"):
            ask(plain)


def test_names_of_dictionaries_hold_what_they_say() -> None:
    for name, number in DICTIONARIES.items():
        dictionary = cv2.aruco.getPredefinedDictionary(number)
        bits, _, count = name.partition("_")
        assert (f"{dictionary.markerSize}x{dictionary.markerSize}", len(dictionary.bytesList)) == (
            bits, int(count))
