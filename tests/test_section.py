from __future__ import annotations

import json
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.text import Text

import hazcam.report.section as section_room
from hazcam import assess_pair, pair_from_arrays, read_rover
from hazcam.assess import Assessment
from hazcam.errors import HazcamError
from hazcam.frames import Attitude
from hazcam.report import as_record, section_along, section_record, to_json
from hazcam.report.drawing import png
from hazcam.report.section import section_figure
from hazcam.settings import Settings
from hazcam.terrain import CellState, TerrainMap
from hazcam.verdict import CrossSection, Lane, cross_section
from tests.conftest import Assess, terrain_of
from tests.synthetic import CAMERA_HEIGHT_M, LEVEL, Box, Scene, ideal_rig, render

ROVER = read_rover("dunlin-em")
NOSE_M = ROVER.body.nose_m
SLOPE = 0.18
RAMP = Scene(slope_x=SLOPE, from_x=0.6)
DITCH = Scene(boxes=(Box(0.80, 0.92, -0.4, 0.4, -0.20),))
LEFT_BOX = Scene(boxes=(Box(0.80, 0.90, 0.09, 0.13, 0.04),))
BLOCK = Scene(boxes=(Box(0.80, 0.90, -0.15, 0.15, 0.08),))
AHEAD = {"headings_deg": (0.0,)}
AROUND = {"headings_deg": (0.0, 12.0, -35.0, 45.0, 90.0)}
LINES_M = {"left foot track": 0.10, "under the body": 0.0, "right foot track": -0.10}
LAYERS = ("state", "mean_m", "sigma_m", "ground_m")


def lane(section: CrossSection, name: str) -> Lane:
    return next(one for one in section.lanes if one.name == name)


def at(section: CrossSection, x_m: float) -> int:
    """The station whose cell holds a place ahead of the rover origin."""
    return int(np.argmin(np.abs(section.station_m + NOSE_M - x_m)))


def cut(found: Assessment, terrain: TerrainMap | None = None) -> CrossSection:
    return cross_section(terrain or terrain_of(found), ROVER, found.demands[0], found.verdicts[0],
                         ROVER.limits)


@pytest.mark.parametrize("heading", [0.0, 12.0, -35.0])
def test_the_line_of_a_lane_has_the_cells_of_the_map(assess: Assess, heading: float) -> None:
    """Place by place: x = r cos h - o sin h, y = r sin h + o cos h, from nose and offset."""
    found = assess(BLOCK, **AROUND)
    terrain, section = terrain_of(found), section_along(found, heading)
    spec, angle = terrain.spec, np.radians(heading)
    for one in section.lanes:
        assert one.line_m == pytest.approx(LINES_M[one.name])
        for i in range(0, section.station_m.size, 7):
            r = NOSE_M + i * spec.cell_m
            x = r * np.cos(angle) - one.line_m * np.sin(angle)
            y = r * np.sin(angle) + one.line_m * np.cos(angle)
            row, column = (int(c) for c in spec.cells(x, y))
            for name in LAYERS:
                np.testing.assert_equal(getattr(one, name)[i], getattr(terrain, name)[row, column])


def test_the_lanes_lie_side_by_side_and_are_the_swath(assess: Assess) -> None:
    section = section_along(assess(Scene(), **AHEAD), 0.0)
    left, middle, right = (one.offset_m for one in section.lanes)
    assert (left[0], middle[0]) == (middle[1], right[1])
    assert (left[1], right[0]) == (ROVER.swath_m / 2, -ROVER.swath_m / 2)
    # A foot track is judged over the foot and the margin on each side of it.
    assert left[0] == pytest.approx(0.20 / 2 - 0.02 / 2 - 0.03)


def test_highest_and_lowest_are_those_of_all_cells_across(assess: Assess) -> None:
    found = assess(BLOCK, **AROUND)
    terrain, section = terrain_of(found), section_along(found, 0.0)
    i = at(section, 0.805)  # the face of the block: ground and top in one cell
    row = int(terrain.spec.cells(0.805, 0.0)[0])
    _, (first, last) = terrain.spec.cells(0.0, [-0.14, 0.14])
    assert section.highest_m[i] == np.nanmax(terrain.highest_m[row, first: last + 1])
    assert section.lowest_m[i] == np.nanmin(terrain.lowest_m[row, first: last + 1])


def test_a_ramp_rises_as_it_was_built(assess: Assess) -> None:
    section = section_along(assess(RAMP, **AHEAD), 0.0)
    x = section.station_m + NOSE_M
    on_ramp = (x > 0.65) & (x < 1.05)
    for one in section.lanes:
        assert np.all(one.state[on_ramp] == CellState.SEEN)
        np.testing.assert_allclose(one.mean_m[on_ramp], SLOPE * (x[on_ramp] - 0.6), atol=0.003)


def test_a_step_stands_in_the_lane_where_it_is(assess: Assess) -> None:
    section = section_along(assess(LEFT_BOX, **AHEAD), 0.0)
    top = slice(at(section, 0.83), at(section, 0.88))
    assert lane(section, "left foot track").highest_m[top] == pytest.approx(
        np.full(5, 0.04), abs=0.005)
    for name in ("under the body", "right foot track"):
        assert lane(section, name).highest_m[top].max() < 0.01


def test_a_ditch_is_a_gap_under_a_ceiling(assess: Assess) -> None:
    """The sight line over the near lip: z = -H (x - lip) / (lip - camera), in closed form."""
    section = section_along(assess(DITCH, **AHEAD), 0.0)
    for one in section.lanes:
        for x in (0.83, 0.85, 0.87):
            i = at(section, x)
            assert one.state[i] == CellState.HIDDEN
            assert one.unseen_state[i] == CellState.HIDDEN
            assert all(np.isnan(value[i]) for value in (one.mean_m, one.sigma_m, one.highest_m,
                                                        one.lowest_m))
            sight_m = -CAMERA_HEIGHT_M * (x - 0.80) / (0.80 - 0.17)
            assert sight_m - 0.002 <= one.ceiling_m[i] <= sight_m + 0.012


def test_seen_ground_has_no_ceiling_and_no_state_unseen(assess: Assess) -> None:
    section = section_along(assess(Scene(), **AHEAD), 0.0)
    seen = slice(at(section, 0.6), at(section, 1.0))
    for one in section.lanes:
        assert np.isnan(one.ceiling_m[seen]).all()
        assert np.all(one.unseen_state[seen] == CellState.SEEN)


def test_ground_out_of_view_is_assumed_up_to_the_near_strip_and_unseen_beyond(
    assess: Assess
) -> None:
    """Far to the side nothing lies in both pictures: assumed first, then of any height."""
    section = section_along(assess(BLOCK, **AROUND), 90.0)
    assumed = section.station_m < section.assumed_m
    assert 0 < assumed.sum() < assumed.size
    for one in section.lanes:
        np.testing.assert_array_equal(one.assumed, assumed)
        assert np.all(np.isnan(one.ceiling_m) == assumed)
        assert np.all(one.ceiling_m[~assumed] == np.inf)
        assert np.all(one.unseen_state[~assumed] == CellState.OUTSIDE)


@hypothesis_settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.01, 0.9))
def test_cells_that_are_taken_away_are_gaps_and_the_rest_stays(
    assess: Assess, seed: int, share: float
) -> None:
    """Nothing is interpolated: blanking cells changes those cells alone."""
    found = assess(RAMP, **AHEAD)
    terrain = terrain_of(found)
    gone = ((np.random.default_rng(seed).random(terrain.spec.shape) < share)
            & (terrain.state == CellState.SEEN))
    mean, sigma, highest, lowest = (
        np.where(gone, np.nan, layer)
        for layer in (terrain.mean_m, terrain.sigma_m, terrain.highest_m, terrain.lowest_m))
    fewer = replace(terrain, state=np.where(gone, CellState.BLANK, terrain.state).astype(np.uint8),
                    mean_m=mean, sigma_m=sigma, highest_m=highest, lowest_m=lowest)
    for before, after in zip(cut(found).lanes, cut(found, fewer).lanes, strict=True):
        lost = after.state == CellState.BLANK
        np.testing.assert_array_equal(after.mean_m[~lost], before.mean_m[~lost])
        assert np.isnan(after.mean_m[lost]).all()
        assert np.all(np.isfinite(after.ceiling_m[lost]) | (after.ceiling_m[lost] == np.inf))
        more = np.fmax(before.ceiling_m, -np.inf) <= np.fmax(after.ceiling_m, -np.inf)
        assert np.all(more | np.isnan(before.ceiling_m))


def test_cells_of_the_previous_pair_are_told_apart(
    assess: Assess, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = assess(RAMP, **AHEAD)
    terrain = terrain_of(found)
    before = np.zeros(terrain.spec.shape, dtype=bool)
    before[terrain.spec.cells(0.705, 0.0)] = True
    section = cut(found, replace(terrain, from_previous=before))
    marked = lane(section, "under the body").from_previous
    assert list(np.nonzero(marked)[0]) == [at(section, 0.705)]
    assert not lane(section, "left foot track").from_previous.any()
    known = replace(found, terrain=replace(terrain, from_previous=before))
    words = "measured on the previous pair alone"
    for result, said in ((found, False), (known, True)):
        figure = drawn(monkeypatch, result)
        assert (words in {t.get_text() for t in figure.legends[0].get_texts()}) is said


def test_for_go_the_rover_stands_at_the_end_of_the_look_ahead(assess: Assess) -> None:
    """On a ramp of rise over run s it is pitched by -atan(s), nose up."""
    standing = section_along(assess(RAMP, **AHEAD), 0.0).standing
    assert standing.on_ground
    assert standing.nose_m == 1.0
    assert standing.pitch_deg == pytest.approx(-np.degrees(np.arctan(SLOPE)), abs=0.5)
    # The body centre is at x = 1.0, as far ahead of the origin as the nose is of the nose.
    assert standing.height_m == pytest.approx(SLOPE * (1.0 - 0.6), abs=0.004)


def test_it_stands_with_its_nose_at_the_nearest_cause(assess: Assess) -> None:
    found = assess(DITCH, **AHEAD)
    section = section_along(found, 0.0)
    assert section.standing.nose_m == min(c.at_m for c in found.verdicts[0].causes)
    assert section.standing.nose_m == pytest.approx(0.80 - NOSE_M, abs=0.03)
    assert section.standing.pitch_deg == pytest.approx(0.0, abs=0.5)


def test_without_local_ground_it_stands_on_the_plane_of_its_feet() -> None:
    """Nose down by 6 degrees, turned right round: nose up by 6 degrees."""
    down = Attitude(roll_deg=0.0, pitch_deg=6.0, roll_sigma_deg=0.5, pitch_sigma_deg=0.5)
    found = assess_pair(render(Scene(), attitude=down), ideal_rig(), ROVER,
                        Settings(headings_deg=(180.0,)))
    standing = section_along(found, 180.0).standing
    assert not standing.on_ground
    assert standing.nose_m == 0.0
    assert standing.pitch_deg == pytest.approx(-6.0)
    assert standing.height_m == pytest.approx(0.0, abs=1e-12)


def test_demand_and_verdict_are_of_one_heading_within_the_circle(assess: Assess) -> None:
    found = assess(BLOCK, **AROUND)
    demand, verdict = found.demands[1], found.verdicts[1]
    with pytest.raises(ValueError, match=r"the verdict is of heading 5\.0, not 12\.0"):
        cross_section(terrain_of(found), ROVER, demand, replace(verdict, heading_deg=5.0),
                      ROVER.limits)
    with pytest.raises(ValueError, match=r"heading 200\.0 is not between -180 and 180 degrees"):
        cross_section(terrain_of(found), ROVER, replace(demand, heading_deg=200.0),
                      replace(verdict, heading_deg=200.0), ROVER.limits)


def test_a_lane_refuses_elevations_of_what_was_not_seen(assess: Assess) -> None:
    one = section_along(assess(DITCH, **AHEAD), 0.0).lanes[0]
    with pytest.raises(ValueError, match="exactly where it is SEEN"):
        replace(one, mean_m=np.zeros(one.mean_m.shape))
    with pytest.raises(ValueError, match="exactly where a cell across it is unseen"):
        replace(one, ceiling_m=np.zeros(one.ceiling_m.shape))
    with pytest.raises(ValueError, match=r"sigma_m of a Lane is \(3,\)"):
        replace(one, sigma_m=np.zeros(3))


def test_a_heading_that_was_not_judged(assess: Assess) -> None:
    with pytest.raises(HazcamError, match=r"20° left: this heading was not judged(?s:.*)one of 0 "):
        section_along(assess(DITCH, **AHEAD), 20.0)


def test_one_picture_has_no_section() -> None:
    pair = pair_from_arrays(None, render(Scene()).right, id="alone", attitude=LEVEL)
    found = assess_pair(pair, ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    with pytest.raises(HazcamError, match="no stereo: the left picture is missing"):
        section_along(found, 0.0)


@pytest.mark.parametrize("heading", [0.0, 45.0])
def test_the_record_has_the_same_numbers(assess: Assess, heading: float) -> None:
    found = assess(BLOCK, **AROUND)
    section = section_along(found, heading)
    record = section_record(found, section, inputs={"rover": "dunlin-em"})
    again = json.loads(to_json(record))
    assert again == record
    assert again["schema"] == "hazcam-section/1"
    np.testing.assert_allclose(again["station_m"], section.station_m, rtol=1e-8)
    for one, entry in zip(section.lanes, again["lanes"], strict=True):
        assert entry["name"] == one.name
        assert [CellState[word.upper()] for word in entry["state"]] == one.state.tolist()
        for name in ("mean_m", "sigma_m", "ground_m", "highest_m", "lowest_m", "ceiling_m"):
            value = getattr(one, name)
            expected = np.where(np.isfinite(value), value, np.nan)
            np.testing.assert_allclose(np.array(entry[name], dtype=float), expected, rtol=1e-8)
        bounds = np.array(entry["ceiling"])
        np.testing.assert_array_equal(bounds == "unbounded", one.ceiling_m == np.inf)
        np.testing.assert_array_equal(bounds == "none unseen", np.isnan(one.ceiling_m))
        np.testing.assert_array_equal(bounds == "bounded", np.isfinite(one.ceiling_m))
        assert entry["assumed"] == one.assumed.tolist()


def test_the_record_says_what_it_came_from(assess: Assess) -> None:
    found = assess(BLOCK, **AROUND)
    record = section_record(found, section_along(found, 45.0), inputs={"rover": "x"})
    whole = as_record(found, inputs={"rover": "x"})
    for key in ("hazcam", "id", "digests", "versions", "settings", "inputs", "limits"):
        assert record[key] == whole[key]
    assert record["causes"] == whole["headings"][3]["causes"]


def drawn(monkeypatch: pytest.MonkeyPatch, found: Assessment, heading: float = 0.0) -> Figure:
    """The figure itself, drawn."""
    kept: list[Figure] = []

    def keep(figure: Figure) -> bytes:
        kept.append(figure)
        return png(figure)

    monkeypatch.setattr(section_room, "png", keep)
    section_figure(found, section_along(found, heading))
    return kept[0]


def texts(figure: Figure) -> list[Text]:
    return [t for t in figure.findobj(Text)
            if isinstance(t, Text) and t.get_visible() and t.get_text()]


def per_metre(figure: Figure, panel: int) -> tuple[float, float]:
    """Pixels for a metre along and up, in a panel."""
    (x0, y0), (x1, y1) = figure.axes[panel].transData.transform([(0, 0), (1, 1)])
    return x1 - x0, y1 - y0


def test_the_figure_is_no_blank_and_the_same_each_time(assess: Assess) -> None:
    found = assess(BLOCK, **AROUND)
    section = section_along(found, 0.0)
    data = section_figure(found, section)
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    assert picture.shape[1] == 990
    assert 700 < picture.shape[0] < 1500
    assert (picture < 200).mean() > 0.05
    assert section_figure(found, section) == data
    nowhere = replace(section, lanes=cut(assess(DITCH, **AHEAD)).lanes)
    assert section_figure(found, nowhere) != data


@pytest.mark.parametrize("scene", [Scene(), RAMP, DITCH])
def test_heights_are_exaggerated_as_stated_and_the_rover_is_to_scale(
    assess: Assess, monkeypatch: pytest.MonkeyPatch, scene: Scene
) -> None:
    figure = drawn(monkeypatch, assess(scene, **AHEAD))
    along, up = per_metre(figure, 0)
    assert up == pytest.approx(along, rel=1e-6)
    [body] = [p for p in figure.axes[0].patches
              if isinstance(p, Polygon) and p.get_zorder() == 9]
    corners = body.get_xy()
    assert np.hypot(*(corners[1] - corners[0])) == pytest.approx(ROVER.body.length_m)
    assert corners[1:3, 0].max() == pytest.approx(section_along(
        assess(scene, **AHEAD), 0.0).standing.nose_m, abs=0.02)
    for panel in (1, 2, 3):
        said = " ".join(t.get_text() for t in figure.axes[panel].texts)
        stated = re.search(r"heights × (\d)", said)
        assert stated or "to scale" in said
        along, up = per_metre(figure, panel)
        assert up / along == pytest.approx(int(stated[1]) if stated else 1, rel=1e-6)


def test_the_figure_says_verdict_cause_limits_and_units(
    assess: Assess, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = assess(BLOCK, **AROUND)
    figure = drawn(monkeypatch, found)
    words = " ".join(" ".join(t.get_text().split()) for t in texts(figure))
    for text in ("synthetic, straight ahead: ask-ground", found.verdicts[0].causes[0].text,
                 "step 0.050 m", "drop 0.050 m", "belly 0.040 m", "height [m]",
                 "along the heading from the nose [m]", "left foot track", "first cause",
                 "hidden behind something seen", "assumed clear", "attitude stated"):
        assert text in words
    assert "nothing bounds it" not in words


def test_no_text_covers_another_or_is_cut_off(
    assess: Assess, monkeypatch: pytest.MonkeyPatch
) -> None:
    figure = drawn(monkeypatch, assess(BLOCK, **AROUND))
    written = [*figure.texts, *(t for axes in figure.axes for t in axes.texts),
               figure.axes[-1].xaxis.label, *figure.legends[0].get_texts()]
    boxes = [t.get_window_extent() for t in written]
    for i, box in enumerate(boxes):
        assert box.count_overlaps(boxes[:i]) == 0
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.x1
    assert min(float(t.get_fontsize()) for t in texts(figure)) >= 10.5


def test_what_nothing_bounds_is_marked_at_the_top(
    assess: Assess, monkeypatch: pytest.MonkeyPatch
) -> None:
    figure = drawn(monkeypatch, assess(BLOCK, **AROUND), 90.0)
    marks = [line for line in figure.axes[1].lines if line.get_marker() == "$\\uparrow$"]
    assert sum(np.size(line.get_xdata()) for line in marks) > 5
    assert any("nothing bounds it" in t.get_text() for t in figure.legends[0].get_texts())
