"""The printed sheet: what is in the files, in millimetres, and that the target is found on it."""

from __future__ import annotations

import re
import zlib
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from numpy.typing import NDArray

from hazcam.calibration.detect import find_target, refine
from hazcam.calibration.target import Target, charuco_board
from hazcam.errors import TargetError
from hazcam.frames import Floats
from hazcam.report.target_sheet import (
    MARGIN_MM,
    PAPERS_MM,
    STRIP_MM,
    Paper,
    first_point_mm,
    page_size_mm,
    pattern_size_mm,
    sheet_figure,
    solve_options,
    target_sheet,
)

CHESSBOARD = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)
CHARUCO = Target(kind="charuco", columns=6, rows=9, pitch_m=0.025, marker_m=0.018,
                 dictionary="4x4_50")
CIRCLES = Target(kind="circles", columns=9, rows=6, pitch_m=0.025)
ASYMMETRIC = Target(kind="circles-asymmetric", columns=4, rows=11, pitch_m=0.016)
ALL = (CHESSBOARD, CHARUCO, CIRCLES, ASYMMETRIC)
EVEN = Target(kind="chessboard", columns=8, rows=8, pitch_m=0.02)  # alike from both ends
_MM_PER_PT = 25.4 / 72
_NUMBER = r"-?\d+(?:\.\d+)?(?:e-?\d+)?"


def svg_paths(svg: bytes, name: str) -> list[Floats]:
    """Points of each closed part of the path ``name``, in mm from the upper left. (N, 2)"""
    space = {"svg": "http://www.w3.org/2000/svg"}
    path = ElementTree.fromstring(svg).find(f".//svg:g[@id='{name}']/svg:path", space)
    assert path is not None
    return [np.array(re.findall(_NUMBER, part), float).reshape(-1, 2) * _MM_PER_PT
            for part in path.attrib["d"].split("z") if part.strip()]


def pdf_rectangles(pdf: bytes) -> tuple[tuple[float, float], Floats]:
    """Size of the page, and (left, upper, right, lower) of each path of four lines, in mm."""
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", pdf)
    assert box is not None
    width, height = (float(box[i]) * _MM_PER_PT for i in (1, 2))
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL)
    content = next(text for text in (_inflated(s) for s in streams) if b" re" in text
                   or b" l\n" in text)
    number = _NUMBER.encode()
    shape = rb"(%b) (%b) m\n(?:(%b) (%b) l\n){3,4}h" % ((number,) * 4)
    boxes = []
    for match in re.finditer(shape, content):
        points = np.array(re.findall(number, match[0]), float).reshape(-1, 2) * _MM_PER_PT
        boxes.append([points[:, 0].min(), height - points[:, 1].max(),
                      points[:, 0].max(), height - points[:, 1].min()])
    return (width, height), np.array(boxes)


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""


def boxes_of(paths: list[Floats]) -> Floats:
    return np.array([[*p.min(axis=0), *p.max(axis=0)] for p in paths])


def rasterised(target: Target, paper: Paper, dpi: float) -> NDArray[np.uint8]:
    figure = sheet_figure(target, paper)
    figure.set_dpi(dpi)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[..., :3]
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY), np.uint8)


def expected_squares() -> Floats:
    """70 squares of 25 mm, the upper left one black; centred on A4 between margins and strip."""
    left = (297 - 250) / 2
    upper = 10 + (210 - 2 * 10 - 15 - 175) / 2
    return np.array([[left + 25 * x, upper + 25 * y, left + 25 * (x + 1), upper + 25 * (y + 1)]
                     for y in range(7) for x in range(10) if (x + y) % 2 == 0])


def test_chessboard_in_the_svg() -> None:
    sheet = target_sheet(CHESSBOARD, "a4")
    root = ElementTree.fromstring(sheet.svg)
    size = [float(root.attrib[name].removesuffix("pt")) * _MM_PER_PT
            for name in ("width", "height")]
    assert size == pytest.approx([297, 210], abs=1e-4)
    boxes = boxes_of(svg_paths(sheet.svg, "pattern"))
    np.testing.assert_allclose(boxes, expected_squares(), atol=0.001)


def test_chessboard_in_the_pdf() -> None:
    size, boxes = pdf_rectangles(target_sheet(CHESSBOARD, "a4").pdf)
    assert size == pytest.approx((297, 210), abs=1e-4)
    for square in expected_squares():
        assert np.abs(boxes - square).max(axis=1).min() < 0.001


@pytest.mark.parametrize("target", [CIRCLES, ASYMMETRIC], ids=lambda t: t.kind)
def test_circles_in_the_svg(target: Target) -> None:
    boxes = boxes_of(svg_paths(target_sheet(target, "a4").svg, "pattern"))
    assert len(boxes) == target.count
    centres = (boxes[:, :2] + boxes[:, 2:]) / 2
    expected = np.array(first_point_mm(target, "a4")) + 1000 * target.points_m[:, :2]
    np.testing.assert_allclose(centres, expected, atol=0.01)
    np.testing.assert_allclose(boxes[:, 2:] - boxes[:, :2], 1000 * target.circle_diameter_m,
                               atol=0.01)


def test_charuco_in_the_svg_is_opencvs() -> None:
    """Every cell drawn, sampled in its middle, against OpenCV's own picture of the board."""
    boxes = boxes_of(svg_paths(target_sheet(CHARUCO, "a4").svg, "pattern"))
    first = np.array(first_point_mm(CHARUCO, "a4")) - 25
    across, down = CHARUCO.squares
    per_mm = 12
    drawn = np.full((25 * down * per_mm, 25 * across * per_mm), 255, np.uint8)
    for left, upper, right, lower in (boxes - np.tile(first, 2)) * per_mm:
        drawn[round(upper):round(lower), round(left):round(right)] = 0
    opencvs = np.asarray(charuco_board(CHARUCO).generateImage(drawn.shape[::-1]))
    # OpenCV rounds the edges of its cells to whole pixels.
    assert (drawn != opencvs).mean() < 0.01
    middles = ((boxes[:, :2] + boxes[:, 2:]) / 2 - first) * per_mm
    columns, rows = middles.astype(int).T
    assert (opencvs[rows, columns] == 0).all()


def test_the_ruler_is_100_mm() -> None:
    bars = boxes_of(svg_paths(target_sheet(CHESSBOARD, "a4").svg, "ruler"))
    lengths = bars[:, 2] - bars[:, 0]
    assert lengths.max() == pytest.approx(100, abs=0.001)
    ticks = np.sort(bars[lengths < 1][:, [0, 2]].mean(axis=1))
    np.testing.assert_allclose(ticks, MARGIN_MM + np.arange(0, 101, 10), atol=0.001)
    assert bars[:, 1].min() > 210 - MARGIN_MM - STRIP_MM  # below the pattern


@pytest.mark.parametrize(("target", "scale"), [
    (CHESSBOARD, 1.0), (CHARUCO, 1.0), (CIRCLES, 0.25),
    # The words on the sheet are spots, too: they may pass for circles at any of these.
    (ASYMMETRIC, 0.2), (ASYMMETRIC, 0.25), (ASYMMETRIC, 0.28), (ASYMMETRIC, 0.35),
], ids=lambda v: getattr(v, "kind", str(v)))
def test_the_target_is_found_on_the_sheet(target: Target, scale: float) -> None:
    """Rasterised at 300 dpi; circles as a camera sees them, larger ones are not looked for."""
    picture = rasterised(target, "a4", 300)
    if scale < 1:
        picture = np.asarray(cv2.resize(picture, None, fx=scale, fy=scale,
                                        interpolation=cv2.INTER_AREA), np.uint8)
    found = find_target(picture, target)
    assert found is not None
    pixels = refine(picture, found, target).pixels
    assert len(pixels) == target.count
    truth = 1000 * target.points_m[:, :2]
    measured = (pixels - pixels[0]) / (300 * scale) * 25.4
    if target.half_turn_alike:
        assert pixels[0].sum() < pixels[-1].sum()
    assert measured[-1] == pytest.approx(truth[-1], rel=1e-3)
    assert np.abs(measured - truth).max() < 0.15 / scale * 25.4 / 300 + 0.02


def test_words_on_the_sheet() -> None:
    texts = " ".join(t.get_text() for t in sheet_figure(CHARUCO, "a4").axes[0].texts)
    assert ("measure: 100 mm. If it is not, print at 100 %, or give the measured square as "
            "--pitch-mm") in texts
    assert CHARUCO.text in texts
    assert ("hazcam calibrate solve --board charuco --points 6x9 --pitch-mm 25 --marker-mm 18 "
            "--dictionary 4x4_50") in texts


@pytest.mark.parametrize(("target", "measured"), [
    (CIRCLES, "distance of neighbouring circles"), (ASYMMETRIC, "distance of neighbouring rows")],
    ids=lambda t: getattr(t, "kind", None))
def test_the_pitch_of_circles_is_a_distance(target: Target, measured: str) -> None:
    """What is measured on the sheet is the pitch that the points are laid out by."""
    texts = " ".join(t.get_text() for t in sheet_figure(target, "a4").axes[0].texts)
    assert f"give the measured {measured} as --pitch-mm" in texts
    rows = np.diff(np.unique(target.points_m[:, 1]))
    assert rows == pytest.approx(target.pitch_m)


@pytest.mark.parametrize("target", [*ALL, EVEN], ids=lambda t: t.kind)
def test_the_arrow_is_there_where_the_pattern_does_not_tell(target: Target) -> None:
    sheet = target_sheet(target, "a4")
    texts = " ".join(t.get_text() for t in sheet_figure(target, "a4").axes[0].texts)
    assert (b'id="up"' in sheet.svg) == ("this arrow up" in texts) == target.half_turn_alike


@pytest.mark.parametrize("target", [*ALL, EVEN], ids=lambda t: t.kind)
def test_words_stay_on_the_page_and_apart_from_the_pattern(target: Target) -> None:
    figure = sheet_figure(target, "a4")
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    scale = 25.4 / figure.dpi
    width, height = page_size_mm(target, "a4")
    for text in figure.axes[0].texts:
        box = text.get_window_extent(canvas.get_renderer())
        assert box.x0 * scale > 8  # labels of the ruler stand astride its ends
        assert box.x1 * scale < width - MARGIN_MM + 1
        assert box.y0 * scale > MARGIN_MM - 1
        assert box.y1 * scale < MARGIN_MM + STRIP_MM - 2
    assert height in PAPERS_MM["a4"]


@pytest.mark.parametrize("target", [CHESSBOARD, CHARUCO], ids=lambda t: t.kind)
def test_the_same_target_gives_the_same_bytes(target: Target) -> None:
    first, second = target_sheet(target, "a4"), target_sheet(target, "a4")
    assert first == second
    for data in (first.pdf, first.svg):
        assert b"CreationDate" not in data
        assert not re.search(rb"<dc:date>|20\d\d-\d\d-\d\d", data)
        assert b"/Subtype /Image" not in data
        assert b"<image" not in data


@pytest.mark.parametrize(("target", "paper", "size"), [
    (CHESSBOARD, "a4", (297, 210)), (CHARUCO, "a4", (210, 297)), (CHESSBOARD, "a3", (420, 297)),
    # 180 x 180 mm: only the standing page has the room for it.
    (EVEN, "a4", (210, 297)),
])
def test_page(target: Target, paper: Paper, size: tuple[float, float]) -> None:
    assert set(page_size_mm(target, paper)) == set(size)
    width, height = pattern_size_mm(target)
    page = page_size_mm(target, paper)
    assert width <= page[0] - 20
    assert height <= page[1] - 35


def test_what_does_not_fit_says_what_does() -> None:
    large = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.03)
    with pytest.raises(TargetError, match=r"that fits is 25 mm.*--paper a3") as error:
        target_sheet(large, "a4")
    assert "300 x 210 mm" in error.value.found
    assert page_size_mm(large, "a3") == (420, 297)
    with pytest.raises(TargetError, match=r"pitch that fits is 37\.4 mm: give that or less$"):
        target_sheet(Target(kind="chessboard", columns=9, rows=6, pitch_m=0.05), "a3")
    fits = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.0374)
    assert page_size_mm(fits, "a3") == (420, 297)


def test_solve_options() -> None:
    assert solve_options(ASYMMETRIC) == ("--board circles-asymmetric --points 4x11 "
                                         "--pitch-mm 16")
