"""The report of a solved rig: record, text, figures, page and files."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.calibration import read_rig
from hazcam.calibration.detect import Found
from hazcam.calibration.geometry import project
from hazcam.calibration.held_out import shared_points
from hazcam.calibration.solution import ModelScore, RigSolution
from hazcam.calibration.solve import solve_rig
from hazcam.calibration.target import Target
from hazcam.calibration.views import Fate, TargetView
from hazcam.errors import OutputError
from hazcam.frames import rotation_x, rotation_y
from hazcam.report import (
    CALIBRATION_SCHEMA,
    Record,
    calibration_record,
    calibration_text,
    to_json,
    write_calibration,
)
from hazcam.report.calibration_bend import FEWEST_VIEWS, PARTS, RARE, bend_along, shared_pixels
from hazcam.report.calibration_figures import coverage_figure, views_figure
from hazcam.report.calibration_held_out import beyond_words, held_out_figure
from hazcam.report.calibration_maps import effect_figure, sigma_levels
from hazcam.report.calibration_page import calibration_page, origin
from hazcam.report.calibration_record import edges_by_view, effects_of, largest_at
from hazcam.report.calibration_residuals import cell_means, residuals_figure, rounded_down
from hazcam.report.calibration_sheet import contact_sheet
from hazcam.report.calibration_text import bend_text, in_mm, parameter_cells, scale_text
from hazcam.report.page import data_uri
from hazcam.report.text import WIDTH
from tests.rigs import a_rig

TARGET = Target(kind="chessboard", columns=7, rows=5, pitch_m=0.03)
RIG = a_rig(mount=None)
NOISE_PX = 0.15
BENT, ONE_EYED, MISSED, PART = "bent <09>", "left-10", "none-11", "04"
INPUTS = {"source": "../../mast-views", "pair": None, "singles": False, "model": None,
          "half_window_px": None, "keep_outliers": True}


def _view(i: int, rng: np.random.Generator) -> TargetView:
    """A pair with noise on its exact corners; the same by another corner method."""
    R = rotation_x((-30.0, 25.0, 0.0)[i % 3]) @ rotation_y((20.0, -28.0, 35.0, 5.0)[i % 4])
    z = 0.42 + 0.02 * i
    # In all ninths of the picture, out to its corners.
    t = z / 0.42 * np.array([0.05 + 0.12 * (i % 3 - 1), 0.12 * ((i // 3) % 3 - 1), 0.42])
    points = (TARGET.points_m - TARGET.points_m.mean(axis=0)) @ R.T + t
    ids = np.arange(12, TARGET.count) if f"{i:02d}" == PART else np.arange(TARGET.count)
    exact = project(RIG, points[ids])
    left, right = (Found(ids=ids, pixels=p + rng.normal(0, NOISE_PX, p.shape)) for p in exact)
    again = tuple(Found(ids=ids, pixels=p + rng.normal(0, NOISE_PX, p.shape)) for p in exact)
    return TargetView(id=f"{i:02d}", left=left, right=right, left_name=f"l{i}.png",
                      right_name=f"r{i}.png", again={"window": (again[0], again[1])})


def _views() -> list[TargetView]:
    rng = np.random.default_rng(3)
    views = [_view(i, rng) for i in range(11)]
    bent = views[9]
    assert bent.left is not None
    pixels = bent.left.pixels + rng.normal(0, 8.0, bent.left.pixels.shape)
    views[9] = replace(bent, id=BENT, left=Found(ids=bent.left.ids, pixels=pixels))
    views[10] = replace(views[10], id=ONE_EYED, right=None)
    missed = TargetView(id=MISSED, left=None, right=None, left_name="l11.png",
                        right_name="r11.png")
    return [*views, missed]


@pytest.fixture(scope="module", autouse=True)
def _coarse_maps() -> Iterator[None]:
    """Half as many columns and rows of the maps of sigma: they take most of the time."""
    with pytest.MonkeyPatch.context() as patch:
        # The package has a function of the same name as this module.
        patch.setattr(sys.modules["hazcam.report.calibration_record"], "EFFECT_GRID", (17, 13))
        yield


@pytest.fixture(scope="module")
def solution() -> RigSolution:
    return solve_rig(_views(), TARGET, RIG.size, model="brown", name="mast")


@pytest.fixture(scope="module")
def record(solution: RigSolution) -> Record:
    return calibration_record(solution, inputs=INPUTS)


@pytest.fixture(scope="module")
def pictures(solution: RigSolution) -> dict[str, NDArray[np.uint8]]:
    """Grey pictures of all names but one."""
    width, height = RIG.size
    names = [n for v in solution.views for n in (v.left_name, v.right_name) if n]
    return {name: np.full((height, width), 90, np.uint8) for name in names if name != "r3.png"}


_DOT = bytes(cv2.imencode(".png", np.zeros((2, 2, 3), np.uint8))[1])
FIGURES = dict.fromkeys(("effect", "held_out", "coverage", "views", "residuals", "sheet"), _DOT)


class _Page(HTMLParser):
    """Targets and text of a page, outside of its style."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.targets: list[str] = []
        self.words: list[str] = []
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.targets += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def written(
    tmp_path_factory: pytest.TempPathFactory, solution: RigSolution,
    pictures: dict[str, NDArray[np.uint8]],
) -> tuple[Path, Record]:
    folder = tmp_path_factory.mktemp("calibration") / "new" / "mast"
    return folder, write_calibration(solution, pictures, folder, INPUTS)


@pytest.fixture(scope="module")
def html(written: tuple[Path, Record]) -> str:
    return (written[0] / "calibration.html").read_text(encoding="utf-8")


def drawn(picture: bytes) -> NDArray[np.uint8]:
    image = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    return np.asarray(image, dtype=np.uint8)


def view_of(record: Record, which: str) -> Record:
    return next(v for v in record["views"] if v["id"] == which)


# --- record ---------------------------------------------------------------------------------------


def test_the_fixture_holds_every_fate(solution: RigSolution) -> None:
    fates = {v.id: v.fate for v in solution.views}
    assert fates[BENT] is Fate.DROPPED
    assert fates[ONE_EYED] is Fate.LEFT_ONLY
    assert fates[MISSED] is Fate.NOT_FOUND
    assert sum(f is Fate.USED for f in fates.values()) == 9


def test_the_two_numbers_are_those_of_the_solution(
    solution: RigSolution, record: Record
) -> None:
    offset, edges = solution.held_out.epipolar_px, solution.held_out.edges
    row, edge = record["trust"]["epipolar"], record["trust"]["edge"]
    assert row["mean_abs_px"] == pytest.approx(np.abs(offset).sum() / len(offset))
    assert row["rms_px"] == pytest.approx(np.linalg.norm(offset) / np.sqrt(len(offset)))
    assert abs(row["largest_px"]) == pytest.approx(max(abs(float(o)) for o in offset))
    view = solution.used.index(row["largest_view"])
    there = offset[solution.held_out.epipolar_view == view]
    assert np.isclose(there, row["largest_px"]).any()
    assert edge["bias"] == pytest.approx(edges.mean() - 1)
    assert edge["bias_m"] == pytest.approx(0.03 * (edges.mean() - 1))
    assert edge["spread_m"] == pytest.approx(0.03 * np.sqrt(((edges - edges.mean())**2).mean()))


def test_every_number_of_the_rig_has_its_two_sigmas(
    solution: RigSolution, record: Record
) -> None:
    assert [p["name"] for p in record["parameters"]] == [p.name for p in solution.parameters]
    for given, kept in zip(solution.parameters, record["parameters"], strict=True):
        assert kept["value"] == pytest.approx(given.value)
        assert given.method is not None
        assert kept["sigma"]**2 == pytest.approx(given.chance**2 + given.method**2)


def test_each_view_keeps_its_numbers(solution: RigSolution, record: Record) -> None:
    for given in solution.views:
        kept = view_of(record, given.id)
        assert (kept["points_left"], kept["points_right"]) == given.points
        assert (kept["fate"], kept["reason"]) == (given.fate.value, given.reason)
        if given.fate is Fate.USED:
            assert (kept["rms_left_px"], kept["rms_right_px"]) == pytest.approx(given.rms_px)
            assert kept["held_out_px"] == pytest.approx(given.held_out_px)
            assert kept["tilt_deg"] == pytest.approx(given.tilt_deg)


def test_the_offsets_of_the_views_make_up_the_whole(
    solution: RigSolution, record: Record
) -> None:
    used = [v for v in record["views"] if v["epipolar_mean_abs_px"] is not None]
    counts = [len(shared_points(solution.corners, solution.used.index(v["id"]))[0]) for v in used]
    whole = np.average([v["epipolar_mean_abs_px"] for v in used], weights=counts)
    assert whole == pytest.approx(record["trust"]["epipolar"]["mean_abs_px"])


def test_edges_belong_to_the_view_that_they_are_counted_in(solution: RigSolution) -> None:
    """Neighbours are one pitch apart: counted by distance, also where part of a view is missing."""
    for v, (which, edges) in enumerate(zip(solution.used, edges_by_view(solution), strict=True)):
        points = TARGET.points_m[shared_points(solution.corners, v)[0]]
        apart = np.linalg.norm(points[:, None] - points[None], axis=2)
        assert len(edges) == np.isclose(apart, TARGET.pitch_m).sum() / 2
        assert (len(edges) == 0) == (which == ONE_EYED)


def test_what_is_not_known_is_null(solution: RigSolution, record: Record) -> None:
    for which in (BENT, MISSED):
        view = view_of(record, which)
        for key in ("rms_left_px", "rms_right_px", "held_out_px", "epipolar_mean_abs_px",
                    "edge_bias", "distance_m", "tilt_deg"):
            assert view[key] is None, key
    one = view_of(record, ONE_EYED)
    assert one["rms_left_px"] is not None
    assert one["rms_right_px"] is None
    assert one["edge_bias"] is None
    nan = float("nan")
    failed = ModelScore(model="fisheye", parameters=0, fitted_px=nan, held_out_px=nan,
                        why="not solved: so")
    bare = replace(solution, models=(*solution.models, failed), parameters=tuple(
        replace(p, method=None) for p in solution.parameters))
    kept = calibration_record(bare, inputs={})
    assert [kept["models"][-1][k] for k in ("parameters", "fitted_px", "held_out_px")] == [None] * 3
    assert {p["method"] for p in kept["parameters"]} == {None}
    assert kept["parameters"][0]["sigma"] == pytest.approx(solution.parameters[0].chance)
    text = calibration_text(kept)
    assert "not known" in text
    assert "not solved: so" in text


def test_the_record_is_json_of_its_schema(solution: RigSolution, record: Record) -> None:
    again = json.loads(to_json(record))
    assert again == record | {"advice": list(record["advice"])}
    assert again["schema"] == CALIBRATION_SCHEMA == "hazcam-calibration/1"
    assert again["digests"]["rig"] == solution.rig.digest
    assert again["inputs"] == INPUTS
    assert again["coverage"]["corners_left"] == solution.coverage.left.tolist()
    assert again["coverage"]["share"] == pytest.approx(solution.coverage.share)


# --- what the covariance leaves open --------------------------------------------------------------


def test_effects_are_those_of_the_covariance(solution: RigSolution, record: Record) -> None:
    assert [e["distance_m"] for e in record["effects"]] == [0.5, 1, 2]
    for sigma, kept in zip(effects_of(solution), record["effects"], strict=True):
        assert kept["range"]["median_m"] == pytest.approx(np.nanmedian(sigma.range_sigma_m))
        assert kept["height"]["largest_m"] == pytest.approx(np.nanmax(sigma.height_sigma_m))
        column, row = kept["range"]["largest_at_px"]
        place = (list(sigma.rows_px).index(pytest.approx(row)),
                 list(sigma.columns_px).index(pytest.approx(column)))
        assert sigma.range_sigma_m[place] == pytest.approx(kept["range"]["largest_m"])


def only(solution: RigSolution, index: int, sigma: float) -> RigSolution:
    """The same rig with one uncertain number, without distortion and turn."""
    count = 14 + solution.rig.D1.size + solution.rig.D2.size
    covariance = np.zeros((count, count))
    covariance[index, index] = sigma**2
    K = np.array([[500.0, 0, 319.5], [0, 500.0, 239.5], [0, 0, 1]])
    rig = replace(solution.rig, K1=K, K2=K, D1=np.zeros(5), D2=np.zeros(5), R=np.eye(3),
                  T=np.array([-0.1, 0, 0]), covariance=covariance)
    return replace(solution, rig=rig)


def test_an_uncertain_baseline_scales_all_ranges(solution: RigSolution) -> None:
    """Z = f B / d: sigma of the range is the range times sigma of B over B, everywhere."""
    for e in calibration_record(only(solution, 11, 1e-3), inputs={})["effects"]:
        for key in ("median_m", "largest_m"):
            assert e["range"][key] == pytest.approx(0.01 * e["distance_m"], rel=1e-3)


def test_the_largest_height_error_of_a_scale_is_at_the_rim(solution: RigSolution) -> None:
    """Height scales with the range: zero on the axis, largest in the upper or lower rows."""
    for e in calibration_record(only(solution, 11, 1e-3), inputs={})["effects"]:
        column, row = e["height"]["largest_at_px"]
        assert row in (0, 479)
        assert ("upper" if row == 0 else "lower") in e["height"]["largest_at"]
        # At a fixed distance, y is largest where the ray is the least off in x.
        assert abs(column - 319.5) < 15


def test_the_largest_is_the_largest_that_is_known() -> None:
    values = np.array([[1.0, np.nan, 2.0], [np.nan, 9.0, 3.0]])
    assert largest_at(values) == (1, 1)
    assert largest_at(np.full((2, 2), np.nan)) is None


def test_nothing_seen_by_both_is_said(solution: RigSolution) -> None:
    far = replace(solution, rig=replace(solution.rig, T=np.array([-9.0, 0, 0])))
    record = calibration_record(far, inputs={})
    for e in record["effects"]:
        assert e["seen_share"] == 0
        assert e["range"] == {"median_m": None, "largest_m": None, "largest_at_px": None,
                              "largest_at": None}
    assert "not seen by both" in calibration_text(record)
    # All six maps are hatched white: there is no blue, and no colour key.
    assert not blueish(effect_figure(far)).any()


def blueish(picture: bytes) -> NDArray[np.bool_]:
    """Where a picture has a colour; lines and letters are grey."""
    image = drawn(picture)
    return np.asarray(cv2.absdiff(image[..., 0], image[..., 2]) > 12)  # blue, green, red


@pytest.mark.parametrize(("low", "high"), [(0.9, 1.9), (1.0, 1.0), (2.0, 40.0), (0.3, 900.0),
                                           (1e-4, 1e4)])
def test_levels_are_round_and_span_what_is_known(low: float, high: float) -> None:
    levels = sigma_levels(np.array([low, np.nan, *[high] * 99]) if low == high else
                          np.array([*[low] * 50, np.nan, high]))
    assert 2 <= len(levels) <= 16
    assert levels[0] <= low
    assert levels[-1] >= high
    assert {f"{level:e}"[0] for level in levels} <= {"1", "2", "5"}


def test_few_points_that_are_known_all_but_exactly_set_no_level() -> None:
    assert sigma_levels(np.array([1e-9, *[3.0] * 99])) == [2.0, 5.0]


def test_one_colour_is_one_length_in_all_maps(solution: RigSolution) -> None:
    """Sigma of the range goes as the range here: 5, 10 and 20 mm lie in three bands."""
    picture = effect_figure(only(solution, 11, 1.01e-3))
    light = np.where(blueish(picture), drawn(picture).sum(axis=2, dtype=int), 0)
    colours = []
    for third in np.array_split(light[: len(light) // 2, : int(0.93 * light.shape[1])], 3, axis=1):
        counts = np.bincount(third[third > 0])
        # One sigma at one distance is one colour all over.
        assert counts.max() > 0.5 * third.size
        colours.append(counts.argmax())
    assert colours[0] > colours[1] > colours[2]  # the larger, the darker


# --- text -----------------------------------------------------------------------------------------


def test_the_text_begins_with_the_verdict_and_what_is_next(record: Record) -> None:
    text = calibration_text(record)
    order = [text.index(word) for word in ("verdict", "what next", "row offset", "Lens models",
                                           "fx left", "\nview ", "\ndistance")]
    assert order == sorted(order)
    assert " ".join(text.split()).startswith(f"verdict {record['verdict']}")
    assert max(map(len, text.splitlines())) <= WIDTH


def test_the_text_gives_the_reason_of_a_view(solution: RigSolution, record: Record) -> None:
    plain = " ".join(calibration_text(record).split())
    reasons = {v.id: v.reason for v in solution.views if v.reason}
    assert BENT in reasons
    for which, reason in reasons.items():
        assert f"view {which}" in plain
        assert reason in plain
    assert "\nview 00" not in calibration_text(record)  # a good view has its row only


def test_numbers_are_printed_to_two_digits_of_their_sigma() -> None:
    cells = parameter_cells({"value": 533.92911, "sigma": 1.31, "chance": 0.71, "method": 1.103})
    assert cells == ("533.9", "1.3", "0.7", "1.1")
    cells = parameter_cells({"value": 0.0012251, "sigma": 0.00038, "chance": 2e-4, "method": None})
    assert cells == ("0.00123", "0.00038", "0.00020", "not known")
    assert [in_mm(v) for v in (None, 0.00113, 0.1879, 0.0999)] == ["-", "1.1", "188", "99.9"]


# --- figures --------------------------------------------------------------------------------------


def test_a_common_residual_of_a_cell_is_told_from_chance() -> None:
    rng = np.random.default_rng(1)
    pixels = rng.uniform(0, 1, (4000, 2)) * (640, 480)
    residuals = rng.normal(0, 0.2, pixels.shape)
    shifted = (pixels < 80).all(axis=1)  # the first cell: 80 x 80 px
    residuals[shifted] += (0.3, 0.0)
    means = cell_means(pixels, residuals, (640, 480))
    assert len(means.places_px) == 48
    beyond = means.places_px[means.beyond_chance]
    assert (beyond < 80).all(axis=1).any()
    assert len(beyond) <= 3  # of 47 cells beyond 3 standard errors by chance
    first = means.means_px[(means.places_px < 80).all(axis=1)][0]
    assert first == pytest.approx((0.3, 0.0), abs=0.1)


def test_a_cell_of_few_corners_has_no_mean() -> None:
    means = cell_means(np.full((4, 2), 10.0), np.ones((4, 2)), (640, 480))
    assert means.places_px.shape == (0, 2)


def test_the_same_solution_gives_the_same_picture(solution: RigSolution, html: str) -> None:
    mirrored = replace(solution, residuals_px=-solution.residuals_px)
    assert str(data_uri(residuals_figure(solution))) in html
    assert str(data_uri(residuals_figure(mirrored))) not in html


def test_cells_without_corners_are_hatched(solution: RigSolution) -> None:
    coverage = replace(solution.coverage, left=np.tile((np.arange(8) < 4).astype(int), (6, 1)),
                       right=np.ones((6, 8), int))
    grey = (drawn(coverage_figure(replace(solution, coverage=coverage))) == 0xDD).all(axis=2)
    sixths = [float(part.mean()) for part in np.array_split(grey.mean(axis=0), 6)]
    assert sixths[1] > 0.3  # the right half of the left picture
    assert max(sixths[0], *sixths[2:]) < 0.05


def test_arrows_in_the_key_are_of_round_lengths() -> None:
    lengths = [rounded_down(x) for x in (9.999999999999998, 10.0, 0.05, 0.049, 7e-4)]
    assert lengths == [5.0, 10.0, 0.05, 0.02, 5e-4]


def test_row_offsets_far_off_are_kept_in_sight(solution: RigSolution) -> None:
    """One corner that is far off is marked at the rim; the others stay as they are."""
    offset = solution.held_out.epipolar_px.copy()
    offset[100] = 25.0
    held = replace(solution.held_out, epipolar_px=offset)
    image = drawn(held_out_figure(replace(solution, held_out=held)))
    upper = image[: len(image) * 4 // 10]
    blue = (upper == np.array([0xB2, 0x72, 0x00])).all(axis=2)  # blue, green, red
    # Drawn to 25 px, the others would lie within a tenth of the height of the panels.
    assert blue.any(axis=1).mean() > 0.4
    assert beyond_words(np.array([25.0]), 0.4) == "1 corner beyond 0.4 px: +25.00 px"
    assert beyond_words(np.arange(1.0, 6.0), 0.4).endswith("from +1.00 to +5.00 px")


def of_offsets(solution: RigSolution, offset_px: NDArray[np.float64]) -> RigSolution:
    return replace(solution, held_out=replace(solution.held_out, epipolar_px=offset_px))


def test_a_bend_is_told_from_chance_along_its_own_axis_only(solution: RigSolution) -> None:
    """A bow over the columns, as a wrong lens leaves; its medians are those of the bow."""
    column = shared_pixels(solution)[:, 0] / RIG.size[0] - 0.5
    noise = np.random.default_rng(5).normal(0, 0.1, len(column))
    bent = of_offsets(solution, noise + 2.0 * (column**2 - (column**2).mean()))
    bend = bend_along(bent, 0)
    assert bend.beyond_chance
    assert bend.medians_px[[0, -1]].min() > bend.medians_px[[3, 4]].max()
    text = bend_text(calibration_record(bent, inputs={}))
    assert "bend more than chance" in text
    assert f"{bend.medians_px.max():+.2f} px" in text
    assert "against the column" in text


def test_offsets_of_whole_views_are_no_bend(solution: RigSolution) -> None:
    """Each view leans its own way, far beyond the noise: false alarms stay as rare as is said."""
    column, view = shared_pixels(solution)[:, 0] / RIG.size[0], solution.held_out.epipolar_view
    rng = np.random.default_rng(8)
    alarms = 0
    for _ in range(60):
        lean, shift = rng.normal(0, 1.0, (2, len(solution.used)))
        alarms += bend_along(of_offsets(solution, lean[view] * column + shift[view]),
                             0).beyond_chance
    assert alarms <= 4  # of 60, expected 0.6: 5 or more come once in 3000 runs (binomial)


def test_a_bend_is_not_told_of_few_views(solution: RigSolution) -> None:
    few = replace(solution, held_out=replace(
        solution.held_out, epipolar_view=solution.held_out.epipolar_view % (FEWEST_VIEWS - 1)))
    assert bend_along(few, 1).chance is None
    assert not bend_along(few, 1).beyond_chance
    assert "cannot be told" in bend_text(calibration_record(few, inputs={}))
    # All signs of V views alike, or all turned: chance of 2 in 2^V.
    assert 2 / 2**FEWEST_VIEWS < RARE <= 2 / 2 ** (FEWEST_VIEWS - 1)


def test_the_record_keeps_the_medians(solution: RigSolution, record: Record) -> None:
    kept = record["trust"]["epipolar"]["along_rows"]
    offset, row = solution.held_out.epipolar_px, shared_pixels(solution)[:, 1]
    for place, median in zip(kept["places_px"], kept["medians_px"], strict=True):
        there = np.abs(row - place) < RIG.size[1] / PARTS / 2
        assert median == pytest.approx(np.median(offset[there]))


def test_unused_views_are_hatched(solution: RigSolution) -> None:
    """The hatch of a view without bars replaces white paper."""
    used = replace(solution, views=tuple(
        replace(v, fate=Fate.USED) if v.id in (BENT, MISSED) else v for v in solution.views))
    hatched, blank = (drawn(views_figure(s)) for s in (solution, used))
    inked = [(image != 255).any(axis=2).mean() for image in (hatched, blank)]
    assert inked[0] > inked[1] + 0.01


def test_the_sheet_shows_pictures_and_points(
    solution: RigSolution, pictures: dict[str, NDArray[np.uint8]]
) -> None:
    lefts = {name: picture for name, picture in pictures.items() if name.startswith("l")}
    sheet = drawn(contact_sheet(solution, lefts)).astype(int)
    grey = (np.abs(sheet - 90) <= 1).all(axis=2).mean(axis=0)  # by column
    # Eight columns of pictures, every second one of which was not given.
    eighths = [float(part.mean()) for part in np.array_split(grey, 8)]
    assert min(eighths[::2]) > 0.4
    assert max(eighths[1::2]) < 0.1
    orange = np.array([0x00, 0x9F, 0xE6])  # blue, green, red
    assert (np.abs(sheet - orange).max(axis=2) < 8).mean() > 0.001


# --- page -----------------------------------------------------------------------------------------


def test_the_page_needs_no_network(html: str) -> None:
    page = _Page(html)
    assert len(page.targets) == 6
    assert all(re.match(r"data:image/(png|jpeg);base64,", t) for t in page.targets)
    assert not re.search(r"https?:|url\(|@import|<script|<link", html)
    assert len(html) < 3_000_000


def test_the_page_begins_with_verdict_and_advice(html: str, record: Record) -> None:
    text = _Page(html).text
    verdict = record["verdict"]
    first = text.index(verdict[:1].upper() + verdict[1:])
    advice = [text.index(a[:1].upper() + a[1:]) for a in record["advice"]]
    assert first < min(advice)
    assert max(advice) < text.index("The two numbers to trust")
    assert html.index("data:image") > html.index("The two numbers to trust")


def test_page_and_text_say_what_the_scale_rests_on(html: str, record: Record) -> None:
    """A wrong pitch shows in none of the numbers: it is said beside the baseline, on top."""
    said = ("he baseline is as right as the pitch of the target: measure the printed squares, and "
            "the distance of the lenses by hand")
    text = _Page(html).text
    assert text.index("length of the baseline") < text.index(said) < text.index("What to do next")
    printed = " ".join(calibration_text(record).split())
    assert printed.index("baseline 1") < printed.index(said) < printed.index("Held out")
    assert "scale of all ranges." not in text[text.index("Edges:"):text.index("Coverage")]
    circles = record | {"target": record["target"] | {"kind": "circles"}}
    assert "printed circles" in scale_text(circles)


def test_the_page_says_options_in_words(html: str) -> None:
    came_from = _Page(html).text.partition("Where it came from")[2]
    for word in ("mast-views", "by left and right in the names", "single pictures used no",
                 "by the held-out error", "by the spacing of the corners", "do not fit yes"):
        assert word in came_from
    for word in ("None", "False", "True", "..", "_"):
        assert word not in came_from.partition("digest of the rig")[0]
    assert origin({"source": "."})[0][1] == "the folder of this page"
    assert origin({"source": "../.."})[0][1] == "a folder above this page"


def test_models_that_were_not_solved_say_why(solution: RigSolution) -> None:
    nan = float("nan")
    failed = ModelScore(model="fisheye", parameters=0, fitted_px=nan, held_out_px=nan,
                        why="not solved: 41° seen only")
    given = calibration_record(replace(solution, models=(*solution.models, failed),
                                       choice="held-out error"), inputs={})
    for said in (_Page(calibration_page(given, **FIGURES)).text, calibration_text(given)):
        plain = " ".join(said.split())
        assert "not solved, so not compared: fisheye" in plain
        assert "not solved: 41° seen only" in plain
    alone = calibration_record(replace(solution, choice="held-out error"), inputs={})
    assert "not solved" not in calibration_text(alone)


def test_the_page_gives_the_reason_of_a_dropped_view(html: str, solution: RigSolution) -> None:
    bent = next(v for v in solution.views if v.id == BENT)
    text = _Page(html).text
    assert bent.reason
    assert f"dropped : {bent.reason}" in text or f"dropped: {bent.reason}" in text
    assert BENT in text
    assert BENT not in html  # its name is text, not a tag


def test_the_page_says_which_limit_is_passed(record: Record) -> None:
    said = []
    for share in (0.5, 0.9):
        given = record | {"coverage": record["coverage"] | {"share": share}}
        row = re.search(r"cells of both pictures that hold corners.*?</tr>",
                        calibration_page(given, **FIGURES), re.DOTALL)
        assert row is not None
        said.append("not within" in row.group())
    assert said == [True, False]


# --- files ----------------------------------------------------------------------------------------


def test_the_files_hold_the_rig_and_its_record(
    written: tuple[Path, Record], solution: RigSolution
) -> None:
    folder, record = written
    assert sorted(p.name for p in folder.iterdir()) == ["calibration.html", "calibration.json",
                                                        "mast.yaml"]
    rig = read_rig(folder / "mast.yaml", bare=True)
    assert rig.digest == record["digests"]["rig"]
    assert rig.covariance == pytest.approx(solution.rig.covariance)
    assert (folder / "calibration.json").read_text(encoding="utf-8") == to_json(record)


def test_a_file_in_the_place_of_the_folder_is_an_error(
    tmp_path: Path, solution: RigSolution
) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(OutputError, match="taken"):
        write_calibration(solution, {}, tmp_path / "taken", INPUTS)
