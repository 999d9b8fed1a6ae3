"""Rendered low-sun ground: coverage and errors by range and by sun, ours and SGBM.

Truth is ``true_disparity``: what a perfect matcher would find on the rectified left picture, and
known only where both cameras see the place. Pixels with truth are the non-occluded ones; those
whose state is USABLE in the left picture and in the right one at the true match are lit and
visible in both. Range is the distance ahead of the camera, by the mount and attitude that the
rover believes.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.assess import view_of
from hazcam.calibration import noise_of, read_rig, rig_for
from hazcam.disparity import (
    Matcher,
    MatchSettings,
    SearchBand,
    census,
    coarse,
    flat_band,
    ground_band,
)
from hazcam.disparity.coarse import FirstLook
from hazcam.disparity.warp import unwarp, warp_right
from hazcam.epipolar import check_epipolar, correct_offset
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.imagery import (
    NoiseModel,
    PixelState,
    check_pictures,
    find_sidecars,
    read_pair,
    read_sidecar,
)
from hazcam.rectification import RectifiedPair, rectify
from hazcam.scene.io import read_depth, read_truth, truth_path
from hazcam.scene.rehearsal.ideal import true_disparity
from hazcam.settings import Settings
from tests.benchmarks.matching.matchers import OURS, REFERENCE, call, sgbm
from tests.benchmarks.matching.scores import INLIER_PX, MAD_SCALE, Found, Mask
from tests.benchmarks.matching.tables import Cell, Table

RANGES_M = ((0.3, 0.6), (0.6, 1.0), (1.0, 1.5), (1.5, 2.5))
SUNS = ("none", "< 8°", "8-20°", "> 20°")
# The first row of the study's last table, and the second.
DISPARITIES, WARPED_DISPARITIES, WARPED_LOW_PX = 240, 160, -40
UNIQUENESS = (0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70)
_STEP_PX, _REACH_PX = 0.005, 4.0  # of the histogram of errors

FLAT_SGBM = f"SGBM HH, {DISPARITIES} disparities, no warp"
WARPED_SGBM = f"SGBM HH, {WARPED_DISPARITIES} disparities, warped by the ground"
OURS_WARPED = "ours, warped by the ground"
OURS_SEEN = f"ours, disparities 0-{DISPARITIES - 1}, warped by the plane that it sees itself"
OURS_FLAT = f"ours, disparities 0-{DISPARITIES - 1}, no warp"
REFERENCE_ROW = "SgbmMatcher, warped"
AT_COVERAGE, AT_BIN_COVERAGE = "SGBM HH at our coverage", "SGBM HH at our coverage of each bin"


@dataclass(frozen=True, kw_only=True, eq=False)
class GroundPair:
    """One rendered pair with truth, arrays of shape (H, W).

    Attributes
    ----------
    rectified, band, noise
        As the program has them.
    truth_px : ndarray, NaN where a camera does not see it
    ahead_m : ndarray
        Distance ahead of the camera, NaN where there is no truth. [m]
    lit : ndarray of bool
        Usable in both pictures.
    sun : str
        One of ``SUNS``.
    """

    rectified: RectifiedPair
    band: SearchBand
    noise: NoiseModel
    truth_px: Floats
    ahead_m: Floats
    lit: Mask
    sun: str


def load(sidecar_path: Path) -> GroundPair:
    """Read a rendered pair and its truth, and rectify it."""
    pair, rig = read_pair(sidecar_path), read_rig(read_sidecar(sidecar_path).rig)
    rig = rig_for(pair.size, pair.window, pair.binning, rig, where=pair.left_name)
    intake = check_pictures(pair)
    view, noise = view_of(pair.attitude, rig, Settings()), noise_of(intake, rig)
    rectified = rectify(pair, rig, intake)
    rectified = correct_offset(rectified, check_epipolar(rectified, view, noise, name=pair.id))
    band = ground_band(rectified.camera, rectified.T_camera_rectified, view, MatchSettings())
    truth = read_truth(truth_path(sidecar_path))
    true_px = true_disparity(read_depth(truth_path(sidecar_path)), truth, rectified, rig)
    forward = (view.T_level_camera @ rectified.T_camera_rectified).R[0]
    rows, columns = np.indices(true_px.shape)
    ahead = (rectified.camera.rays(columns, rows) @ forward) * rectified.camera.depth_m(true_px)
    return GroundPair(rectified=rectified, band=band, noise=noise,
                      truth_px=true_px, ahead_m=ahead, lit=lit_in_both(rectified, true_px),
                      sun=sun_class(truth.sun_elevation_deg))


def lit_in_both(rectified: RectifiedPair, truth_px: Floats) -> Mask:
    """Pixels usable in the left picture and in the right one at the true match, (H, W)."""
    rows, columns = np.nonzero(np.isfinite(truth_px))
    landing = np.rint(columns - truth_px[rows, columns]).astype(int)
    landing = np.clip(landing, 0, truth_px.shape[1] - 1)
    lit = np.zeros(truth_px.shape, dtype=bool)
    lit[rows, columns] = ((rectified.state_left[rows, columns] == PixelState.USABLE)
                          & (rectified.state_right[rows, landing] == PixelState.USABLE))
    return lit


def sun_class(elevation_deg: float | None) -> str:
    """One of ``SUNS``."""
    if elevation_deg is None:
        return SUNS[0]
    return SUNS[1] if elevation_deg < 8 else SUNS[2] if elevation_deg <= 20 else SUNS[3]


# --- chains ---------------------------------------------------------------------------------------

Chain = Callable[[GroundPair], Found]
_study = partial(sgbm, mode="HH", block=5, p1=60, p2=800)


def flat_sgbm(uniqueness: int, pair: GroundPair) -> Found:
    """SGBM over the whole range at once."""
    left, right = _grey(pair.rectified.left), _grey(pair.rectified.right)
    return _study(left, right, DISPARITIES, uniqueness=uniqueness)


def warped_sgbm(pair: GroundPair) -> Found:
    """SGBM on the right picture warped by the expected ground."""
    left = _grey(pair.rectified.left)
    right = _grey(warp_right(pair.rectified.right, pair.band.expected_px, cv2.INTER_CUBIC))
    found = _study(left, right, WARPED_DISPARITIES, low=WARPED_LOW_PX)
    return Found(disparity_px=unwarp(found.disparity_px, pair.band.expected_px))


def banded(matcher: Matcher, pair: GroundPair) -> Found:
    """A matcher of hazcam as the program calls it."""
    return call(matcher, pair.rectified, pair.band, pair.noise)


def flat(matcher: Matcher, pair: GroundPair) -> Found:
    """The same without what is known of the ground."""
    band = flat_band(pair.rectified.camera, 0.0, DISPARITIES - 1.0)
    return call(matcher, pair.rectified, band, pair.noise)


def unwarped(matcher: Matcher, pair: GroundPair) -> Found:
    """The same without the plane that the first look finds."""
    def look(*given: Any) -> FirstLook:
        return replace(coarse.look(*given), plane=None)

    with mock.patch.object(census, "look", look):
        return flat(matcher, pair)


def chains() -> dict[str, Chain]:
    """All chains but those that are brought to our coverage afterwards."""
    fixed: dict[str, Chain] = {
        FLAT_SGBM: partial(flat_sgbm, 0), WARPED_SGBM: warped_sgbm,
        OURS_WARPED: partial(banded, OURS), OURS_SEEN: partial(flat, OURS),
        OURS_FLAT: partial(unwarped, OURS),
        REFERENCE_ROW: partial(banded, REFERENCE)}
    return fixed | {_at(u): partial(flat_sgbm, u) for u in UNIQUENESS[1:]}


def _at(uniqueness: int) -> str:
    return FLAT_SGBM if uniqueness == 0 else f"{FLAT_SGBM}, uniqueness {uniqueness} %"


def _grey(picture: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


# --- counting -------------------------------------------------------------------------------------


def _no_errors() -> NDArray[np.int64]:
    return np.zeros(round(2 * _REACH_PX / _STEP_PX), np.int64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Tally:
    """Counts of pixels, to be added up.

    ``errors`` is a histogram of the errors between ``-_REACH_PX`` and ``_REACH_PX``, the first
    and last class with all beyond. ``within`` counts inliers (off by less than ``INLIER_PX``)
    within 1, 2 and 3 sigma.
    """

    pixels: int = 0
    lit: int = 0
    lit_matched: int = 0
    bad_1: int = 0
    bad_2: int = 0
    inliers: int = 0
    within: tuple[int, ...] = (0, 0, 0)
    errors: NDArray[np.int64] = field(default_factory=_no_errors)

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            pixels=self.pixels + other.pixels, lit=self.lit + other.lit,
            lit_matched=self.lit_matched + other.lit_matched, bad_1=self.bad_1 + other.bad_1,
            bad_2=self.bad_2 + other.bad_2, inliers=self.inliers + other.inliers,
            within=tuple(a + b for a, b in zip(self.within, other.within, strict=True)),
            errors=self.errors + other.errors)

    @property
    def matched(self) -> int:
        """Pixels with a disparity."""
        return int(self.errors.sum())

    @property
    def coverage(self) -> float:
        """Matched share of all non-occluded pixels. [%]"""
        return _percent(self.matched, self.pixels)

    @property
    def mad_px(self) -> float:
        """As ``scores.mad``, to the width of a class. [px]"""
        if not self.matched:
            return float("nan")
        classes = np.arange(self.errors.size, dtype=np.float64)
        middles = (classes + 0.5) * _STEP_PX - _REACH_PX
        off = np.abs(middles - _median_of(middles, self.errors))
        return MAD_SCALE * _median_of(off, self.errors)


def _median_of(values: Floats, counts: NDArray[np.int64]) -> float:
    order = np.argsort(values, kind="stable")
    passed = np.cumsum(counts[order])
    return float(values[order][np.searchsorted(passed, passed[-1] / 2)])


def _percent(part: int, whole: int) -> float:
    return 100.0 * part / whole if whole else float("nan")


def tally(truth_px: Floats, lit: Mask, found: Found, where: Mask) -> Tally:
    """Count on the pixels of a mask; pixels without truth do not count."""
    where = where & np.isfinite(truth_px)
    error = (found.disparity_px - truth_px)[where]
    matched = np.isfinite(error)
    error, lit = error[matched], lit[where]
    off = np.abs(error)
    classes = np.floor((error + _REACH_PX) / _STEP_PX).astype(np.int64)
    count = _no_errors().size
    inlier = off < INLIER_PX
    within: tuple[int, ...] = (0, 0, 0)
    if found.sigma_px is not None:
        sigma = found.sigma_px[where][matched]
        within = tuple(int((off < k * sigma)[inlier].sum()) for k in (1, 2, 3))
    return Tally(
        pixels=int(where.sum()), lit=int(lit.sum()), lit_matched=int(lit[matched].sum()),
        bad_1=int((off > 1).sum()), bad_2=int((off > 2).sum()), inliers=int(inlier.sum()),
        within=within, errors=np.bincount(np.clip(classes, 0, count - 1), minlength=count))


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """All counts of a set: by chain, range bin and sun; seconds by chain; what failed."""

    tallies: dict[tuple[str, int, str], Tally]
    seconds: dict[str, list[float]]
    pairs: int
    suns: dict[str, int]
    failures: list[str]

    def pooled(self, chain: str, bins: Iterable[int], suns: Iterable[str] = SUNS) -> Tally:
        """Sum over range bins and suns."""
        return sum((self.tallies[chain, b, s] for b in bins for s in suns
                    if (chain, b, s) in self.tallies), Tally())


def measure(folder: Path) -> Measured:
    """Run every chain on every pair of a set."""
    tallies: defaultdict[tuple[str, int, str], Tally] = defaultdict(Tally)
    seconds: defaultdict[str, list[float]] = defaultdict(list)
    suns, failures = dict.fromkeys(SUNS, 0), []
    sidecars = find_sidecars(folder / "scenes")
    for path in sidecars:
        try:
            pair = load(path)
        except HazcamError as error:
            failures.append(f"{path.name}: {error.found}")
            continue
        print(f"ground: {path.name}", file=sys.stderr)
        suns[pair.sun] += 1
        for name, chain in chains().items():
            start = time.perf_counter()
            found = chain(pair)
            seconds[name].append(time.perf_counter() - start)
            for number, (near, far) in enumerate(RANGES_M):
                with np.errstate(invalid="ignore"):
                    where = (pair.ahead_m >= near) & (pair.ahead_m < far)
                tallies[name, number, pair.sun] += tally(pair.truth_px, pair.lit, found, where)
    return Measured(tallies=dict(tallies), seconds=dict(seconds), suns=suns, failures=failures,
                    pairs=len(sidecars) - len(failures))


# --- tables ---------------------------------------------------------------------------------------

_COUNTS = {"coverage %": ".1f", "of lit in both %": ".1f", "bad-1 %": ".2f", "bad-2 %": ".2f",
           "MAD px": ".3f"}
_ALL = range(len(RANGES_M))


def _counts(t: Tally) -> tuple[Cell, ...]:
    return (t.coverage, _percent(t.lit_matched, t.lit), _percent(t.bad_1, t.matched),
            _percent(t.bad_2, t.matched), t.mad_px)


def uniqueness_at(measured: Measured, bins: Iterable[int]) -> int:
    """Uniqueness whose coverage over some range bins is nearest to ours."""
    bins = tuple(bins)
    target = measured.pooled(OURS_WARPED, bins).coverage
    return min(UNIQUENESS, key=lambda u: abs(measured.pooled(_at(u), bins).coverage - target))


def _rows_of_bin(measured: Measured, number: int) -> list[tuple[str, Tally]]:
    whole, here = uniqueness_at(measured, _ALL), uniqueness_at(measured, (number,))
    chosen = {AT_COVERAGE: whole, AT_BIN_COVERAGE: here}
    rows = [(name, measured.pooled(name, (number,)))
            for name in (FLAT_SGBM, WARPED_SGBM, REFERENCE_ROW)]
    rows += [(f"{name} (uniqueness {u} %)", measured.pooled(_at(u), (number,)))
             for name, u in chosen.items()]
    return rows + [(name, measured.pooled(name, (number,)))
                   for name in (OURS_WARPED, OURS_SEEN, OURS_FLAT)]


def ground_tables(measured: Measured) -> list[Table]:
    """By range, what is gained, sigma, by sun, and time."""
    return [_range_table(measured), _gain_table(measured), _sigma_table(measured),
            _sun_table(measured), _time_table(measured)]


def _range_table(measured: Measured) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (_range_name(number), name, *_counts(t))
        for number in _ALL for name, t in _rows_of_bin(measured, number)]
    failed = "; ".join(measured.failures) or "none"
    return Table(
        title="Rendered ground by range", rows=rows,
        note=f"{measured.pairs} pairs; refused: {failed}. Range ahead of the camera. Coverage of "
             "all non-occluded pixels, and of those that are usable in the left picture and in "
             "the right one at the true match; bad-t of the matched ones. SGBM: block 5, P1 60, "
             "P2 800, uniqueness 0 unless stated; at our coverage by the nearest of the "
             f"uniquenesses {', '.join(map(str, UNIQUENESS))} %. Warped SGBM searches "
             f"{WARPED_LOW_PX} to {WARPED_LOW_PX + WARPED_DISPARITIES - 1} px about the ground.",
        columns={"range m": "", "chain": "", **_COUNTS})


def _range_name(number: int) -> str:
    near, far = RANGES_M[number]
    return f"{near:.1f}-{far:.1f}"


def _gain_table(measured: Measured) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for number in _ALL:
        mine = measured.pooled(OURS_WARPED, (number,))
        one = _at(uniqueness_at(measured, _ALL))
        own = _at(uniqueness_at(measured, (number,)))
        against = [measured.pooled(name, (number,)) for name in (FLAT_SGBM, one, own)]
        share = _percent(mine.bad_2, mine.matched)
        rows.append((_range_name(number), *(
            share / _percent(t.bad_2, t.matched) if t.bad_2 else None for t in against),
            mine.mad_px / against[0].mad_px))
    return Table(
        title="Ours (warped) over SGBM HH without warp", rows=rows,
        note="Shares of the matched pixels; the smaller the better.",
        columns={"range m": "", "bad-2 / first row": ".3f", "bad-2 / at our coverage": ".3f",
                 "bad-2 / at our coverage of each bin": ".3f", "MAD / first row": ".2f"})


def _sigma_table(measured: Measured) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for name in (OURS_WARPED, OURS_SEEN, OURS_FLAT, REFERENCE_ROW):
        for number in _ALL:
            t = measured.pooled(name, (number,))
            rows.append((name, _range_name(number),
                         *(_percent(count, t.inliers) for count in t.within),
                         _percent(t.inliers, t.matched)))
    return Table(
        title="Sigma on rendered ground", rows=rows,
        note=f"Of the inliers (off by less than {INLIER_PX:g} px, no offset taken out).",
        columns={"chain": "", "range m": "", "1 sigma %": ".1f", "2 sigma %": ".1f",
                 "3 sigma %": ".1f", "inliers of matched %": ".1f"})


def _sun_table(measured: Measured) -> Table:
    names = {n: n for n in (FLAT_SGBM, WARPED_SGBM, REFERENCE_ROW)}
    names[AT_COVERAGE] = _at(uniqueness_at(measured, _ALL))
    names |= {n: n for n in (OURS_WARPED, OURS_SEEN, OURS_FLAT)}
    rows: list[tuple[Cell, ...]] = [
        (sun, measured.suns[sun], name, *_counts(measured.pooled(chain, _ALL, (sun,))))
        for sun in SUNS if measured.suns[sun] for name, chain in names.items()]
    return Table(
        title="Rendered ground by sun elevation", rows=rows,
        note=f"{RANGES_M[0][0]:g} to {RANGES_M[-1][1]:g} m ahead of the camera.",
        columns={"sun": "", "pairs": "d", "chain": "", **_COUNTS})


def _time_table(measured: Measured) -> Table:
    names = (FLAT_SGBM, WARPED_SGBM, REFERENCE_ROW, OURS_WARPED, OURS_SEEN, OURS_FLAT)
    first = np.array(measured.seconds[FLAT_SGBM])
    rows: list[tuple[Cell, ...]] = [
        (name, 1000 * float(np.median(measured.seconds[name])),
         float(np.median(np.array(measured.seconds[name]) / first))) for name in names]
    return Table(
        title="Time on rendered ground", rows=rows,
        note="Median over the pairs, each chain once on each pair in turn, the first pair's "
             "compilation with it; ratios on the same pair.",
        columns={"chain": "", "median ms": ".0f", "/ first row": ".2f"})
