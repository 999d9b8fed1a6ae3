"""The overlay as a small JPEG, drawn by OpenCV alone: one for each pair of a campaign.

The same colours, line styles and weights as ``overlay_figure``, whose page explains them: solid
blue goes; dashed orange is ask-ground, up to its first cause (X), dotted beyond it; the dash-dotted
purple line is the end of the strip that may be assumed clear.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.assess import Assessment
from hazcam.frames import Floats
from hazcam.imagery import full_scale
from hazcam.report.drawing import (
    BLACK,
    BLUE,
    ORANGE,
    PURPLE,
    WHITE,
    by_weight,
    ground_along,
    ground_arc,
    is_bold,
    keep_apart,
)
from hazcam.report.overlay import ground_m, projection, silhouette
from hazcam.report.record import missing_picture
from hazcam.verdict import HeadingVerdict

WIDTH_PX = 480
_QUALITY = 65
_SAMPLES = 40  # along a line
_SHIFT = 4  # places are given to sixteenths of a pixel
_DASH, _DOT, _DASH_DOT = (7.0, 5.0), (1.5, 7.5), (9.0, 5.0, 2.0, 5.0)
_GREY, _LIGHT = "#404040", "#D0D0D0"
_FARTHEST_PX = 3000.0  # what runs on outside the picture is not drawn
_TAG_GAP_PX = 40.0
_FONT = cv2.FONT_HERSHEY_SIMPLEX

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]


def small_overlay(assessment: Assessment) -> bytes:
    """JPEG, 480 px wide: headings, causes and obstacles on the rectified left picture.

    With one picture missing: the other one, as sent, with the words "no stereo".

    Parameters
    ----------
    assessment : Assessment
        Of any pair.
    """
    a = assessment
    if a.rectified is None or a.terrain is None:
        return _jpeg(_single_picture(a))
    picture = _canvas(a.rectified.left)
    draw = _Drawing(a, picture, WIDTH_PX / a.rectified.left.shape[1])
    draw.strip()
    draw.obstacles()
    draw.swath()
    for verdict in reversed(by_weight(a)):  # what matters most lies on top
        draw.heading(verdict)
    draw.tags()
    return _jpeg(picture)


class _Drawing:
    """A picture being drawn on, in place, and where the ground is in it."""

    def __init__(self, assessment: Assessment, picture: Picture, scale: float) -> None:
        assert assessment.terrain is not None
        self.a, self.picture, self.scale = assessment, picture, scale
        self.terrain, self.project = assessment.terrain, projection(assessment)

    def _pixels(self, ground: tuple[Floats, Floats]) -> Floats:
        """Places on the ground as pixels of the small picture, (N, 2); NaN behind the camera."""
        pixels = self.project(*ground, ground_m(self.terrain, *ground))
        return np.asarray((pixels + 0.5) * self.scale - 0.5)

    def strip(self) -> None:
        if not self.a.near_strip_max_m:
            return
        arc = self._pixels(ground_arc(self.a, self.a.near_strip_max_m))
        _dashes(self.picture, arc, _DASH_DOT, PURPLE, 2, WHITE)

    def obstacles(self) -> None:
        for obstacle in self.terrain.obstacles:
            outline = silhouette(obstacle, self.terrain, self.project)
            if outline is not None:
                closed = np.vstack([outline, outline[:1]]) * self.scale
                _line(self.picture, closed, BLACK, 1, WHITE)

    def swath(self) -> None:
        """Edges of the swath of the suggested heading; of the one straight ahead for "hold"."""
        heading = self.a.suggestion.heading_deg or 0.0
        for side in (-0.5, 0.5):
            places = ground_along(self.a, heading, side * self.a.rover.swath_m)
            edge = places(np.linspace(0.0, self.a.settings.look_ahead_m, _SAMPLES))
            _line(self.picture, self._pixels(edge), WHITE, 1, BLACK)

    def heading(self, verdict: HeadingVerdict) -> None:
        along = ground_along(self.a, verdict.heading_deg)
        width = 3 if is_bold(self.a, verdict) else 2
        clear = self._pixels(along(np.linspace(0.0, verdict.clear_m, _SAMPLES)))
        if verdict.verdict == "go":
            _line(self.picture, clear, BLUE, width, WHITE)
            return
        look = self.a.settings.look_ahead_m
        rest = self._pixels(along(np.linspace(verdict.clear_m, look, _SAMPLES)))
        _dashes(self.picture, rest, _DOT, _GREY, 1, _LIGHT)
        _dashes(self.picture, clear, _DASH, ORANGE, width, BLACK)
        _cross(self.picture, self._pixels(along([verdict.causes[0].at_m]))[0], 2.0 + width)

    def tags(self) -> None:
        """Name the headings where they come in over the lower rim, as many as have room."""
        ordered, look = by_weight(self.a), self.a.settings.look_ahead_m
        places = np.full((len(ordered), 2), np.nan)
        for i, verdict in enumerate(ordered):
            line = self._pixels(ground_along(self.a, verdict.heading_deg)(
                np.linspace(0.0, look, 4 * _SAMPLES)))
            places[i] = _entry(line, self.picture.shape)
        for i in keep_apart(places, _TAG_GAP_PX):
            _tag(self.picture, places[i], ordered[i])


def _canvas(picture: NDArray[Any]) -> Picture:
    """Greys spread for the eye, as (h, 480, 3); white where the picture has nothing."""
    known = np.isfinite(picture)
    # Black sand is dark: spread the greys that are there. Every other pixel of a row tells them.
    low, high = np.percentile(picture[:, ::2][known[:, ::2]], [0.5, 99.5])
    spread = np.clip((picture - low) * (255.0 / max(high - low, 1.0)), 0, 255)
    grey = np.where(known, spread, 255.0).astype(np.float32)
    height = round(WIDTH_PX * picture.shape[0] / picture.shape[1])
    shrinks = picture.shape[1] >= WIDTH_PX
    small = cv2.resize(grey, (WIDTH_PX, height),
                       interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR)
    return np.asarray(cv2.cvtColor(small.astype(np.uint8), cv2.COLOR_GRAY2BGR), dtype=np.uint8)


def _single_picture(a: Assessment) -> Picture:
    """The picture that is there, with the words why there is no more."""
    pair = a.pair
    there = pair.left if pair.left is not None else pair.right
    assert there is not None  # a pair has at least one
    picture = _canvas(there.astype(np.float64) * (255.0 / full_scale(pair)))
    centre = picture.shape[0] // 2
    for text, scale, row in (("no stereo", 1.0, centre - 14),
                             (f"the {missing_picture(pair)} picture is missing", 0.55,
                              centre + 16)):
        _plate(picture, text, (WIDTH_PX / 2, row), scale, fill=WHITE, ink=BLACK)
    return picture


def _jpeg(picture: Picture) -> bytes:
    return bytes(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])[1])


def _bgr(colour: str) -> Colour:
    """``#RRGGBB`` in OpenCV's order."""
    return int(colour[5:7], 16), int(colour[3:5], 16), int(colour[1:3], 16)


def _line(picture: Picture, pixels: Floats, colour: str, width: int, casing: str) -> None:
    """A line with a casing, so that it shows on any ground; gaps where places are NaN."""
    there = np.asarray((np.abs(pixels) < _FARTHEST_PX).all(axis=1))  # never of NaN
    breaks = np.flatnonzero(np.diff(there)) + 1
    runs = np.split(pixels, breaks)
    seen = there[np.concatenate([[0], breaks])]
    _strokes(picture, [_fixed(run) for run, s in zip(runs, seen, strict=True) if s], colour, width,
             casing)


def _dashes(
    picture: Picture, pixels: Floats, pattern: Sequence[float], colour: str, width: int,
    casing: str,
) -> None:
    """A line of dashes, by a pattern of lengths on and off. [px]"""
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    if len(pixels) < 2:
        return
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(pixels, axis=0).T))])
    length = min(float(along[-1]), _FARTHEST_PX)
    if length < 1:
        return
    turns = np.cumsum(np.tile(pattern, int(length / sum(pattern)) + 1))
    starts = np.concatenate([[0.0], turns[1:-1:2]])
    ends = np.minimum(turns[::2], length)[: len(starts)]
    at = np.stack([starts, ends], axis=1)[starts < ends]
    places = np.stack([np.interp(at, along, pixels[:, i]) for i in (0, 1)], axis=-1)
    _strokes(picture, list(_fixed(places)), colour, width, casing)


def _cross(picture: Picture, place: Floats, arm: float) -> None:
    if np.isfinite(place).all():
        arms = np.array([[[-1.0, -1.0], [1.0, 1.0]], [[-1.0, 1.0], [1.0, -1.0]]])
        _strokes(picture, list(_fixed(place + arm * arms)), BLACK, 2, WHITE)


def _fixed(pixels: Floats) -> NDArray[np.int32]:
    """Places as OpenCV draws them."""
    return np.round(pixels * (1 << _SHIFT)).astype(np.int32)


def _strokes(
    picture: Picture, lines: Sequence[NDArray[np.int32]], colour: str, width: int, casing: str
) -> None:
    """All casings first, so that none lies over a line."""
    for ink, px in ((casing, width + 2), (colour, width)):
        cv2.polylines(picture, lines, False, _bgr(ink), px, cv2.LINE_AA, _SHIFT)


def _entry(line: Floats, shape: tuple[int, ...]) -> Floats:
    """Where to name a line that comes in over the lower rim; NaN for one that does not."""
    inside = ((line >= 0) & (line < [shape[1], shape[0]])).all(axis=1)
    first = int(np.argmax(inside))
    if not inside.any() or line[first, 1] < 0.9 * shape[0]:
        return np.full(2, np.nan)
    half = _TAG_GAP_PX / 2
    return np.array([np.clip(line[first, 0], half, shape[1] - half), shape[0] - 10.0])


def _tag(picture: Picture, place: Floats, verdict: HeadingVerdict) -> None:
    """The heading and its verdict: white on blue for go, black on orange for ask-ground."""
    heading = verdict.heading_deg
    side = "" if heading == 0 else ("L" if heading > 0 else "R")
    go = verdict.verdict == "go"
    _plate(picture, f"{abs(heading):g}{side}", (float(place[0]), float(place[1])), 0.42,
           fill=BLUE if go else ORANGE, ink=WHITE if go else BLACK)


def _plate(
    picture: Picture, text: str, centre: tuple[float, float], scale: float, *, fill: str, ink: str
) -> None:
    (width, height), _ = cv2.getTextSize(text, _FONT, scale, 1)
    left, top = round(centre[0] - width / 2), round(centre[1] - height / 2)
    pad = 2 if scale < 0.5 else 6
    corners = ((left - pad, top - pad), (left + width + pad, top + height + pad))
    cv2.rectangle(picture, *corners, _bgr(fill), cv2.FILLED)
    cv2.rectangle(picture, *corners, _bgr(BLACK), 1)
    cv2.putText(picture, text, (left, top + height), _FONT, scale, _bgr(ink), 1, cv2.LINE_AA)
