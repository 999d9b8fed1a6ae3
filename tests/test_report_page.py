from __future__ import annotations

import base64
import copy
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from numpy.typing import NDArray

import hazcam.report
from hazcam import Settings, assess_pair, pair_from_arrays, read_rover
from hazcam.assess import Assessment
from hazcam.disparity.record import Blank
from hazcam.errors import OutputError
from hazcam.report import (
    Record,
    as_record,
    depth_map,
    overhead,
    overlay,
    read_record,
    rig_card,
    section,
    section_along,
    write_assessment,
    write_index,
)
from hazcam.report.drawing import png, title
from hazcam.report.overhead import map_figure
from hazcam.report.overlay import overlay_figure
from hazcam.report.page import page
from hazcam.report.section import section_figure
from hazcam.verdict import Suggestion
from tests.folders import assessment, pair
from tests.synthetic import ideal_rig

STORES = {"terrain.npz", "demands.npz"}
FILES = {"assessment.json", "overlay.png", "map.png", "depth.tiff", "page.html"} | STORES


class _Links(HTMLParser):
    """Collects tags, and whatever they point to."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.targets: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.targets += [value or "" for name, value in attrs if name in ("src", "href")]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Record]:
    folder = tmp_path_factory.mktemp("report") / "synthetic"
    return folder, write_assessment(assessment(), folder, {"rover": "dunlin-em"})


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures are made up, but not turned into pixels: for tests about files."""
    for room in (overhead, overlay, depth_map, rig_card, section):
        monkeypatch.setattr(room, "png", lambda figure: b"a picture")


def _words(html: str) -> str:
    body = html.split("</head>")[1]
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


def test_writes_each_file_and_no_other(written: tuple[Path, Record]) -> None:
    folder, record = written
    assert {path.name for path in folder.iterdir()} == FILES
    assert read_record(folder / "assessment.json")[0] == record


def test_pictures_have_a_sane_size(written: tuple[Path, Record]) -> None:
    for name in ("overlay.png", "map.png"):
        picture = cv2.imread(str(written[0] / name))
        assert picture is not None
        assert picture.shape[1] == 990
        assert 500 < picture.shape[0] < 1500
        assert picture.std() > 20


def test_depth_is_float32_in_metres_with_nan(written: tuple[Path, Record]) -> None:
    depth = cv2.imread(str(written[0] / "depth.tiff"), cv2.IMREAD_UNCHANGED)
    points = assessment().points
    assert depth is not None
    assert points is not None
    assert depth.dtype == np.float32
    np.testing.assert_array_equal(depth, points.depth_m)
    assert np.isnan(depth).any()
    assert b"unit: metre" in (written[0] / "depth.tiff").read_bytes()


def test_figures_are_the_same_each_time(written: tuple[Path, Record]) -> None:
    terrain = assessment().terrain
    assert terrain is not None
    assert overlay_figure(assessment()) == (written[0] / "overlay.png").read_bytes()
    assert map_figure(assessment(), terrain) == (written[0] / "map.png").read_bytes()


def test_go_and_ask_do_not_look_the_same() -> None:
    go = tuple(replace(v, verdict="go", causes=()) for v in assessment().verdicts)
    assert overlay_figure(replace(assessment(), verdicts=go)) != overlay_figure(assessment())


def _overlay_with(reason: Blank, rows: slice) -> NDArray[np.uint8]:
    """The overlay where the left 80 columns of some rows are blank for a reason."""
    points = assessment().points
    assert points is not None
    blank = np.full_like(points.blank, Blank.MATCHED)
    blank[rows, :80] = reason
    marked = replace(assessment(), points=replace(points, blank=blank))
    picture = cv2.imdecode(np.frombuffer(overlay_figure(marked), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return np.asarray(picture, dtype=np.uint8)


def test_overlay_marks_what_stereo_does_not_know() -> None:
    ground = slice(300, 400)
    plain, edge, unmatched = (_overlay_with(reason, ground)
                              for reason in (Blank.MATCHED, Blank.EDGE, Blank.NO_TEXTURE))
    # Of the 1.53 times larger area some tenth to half is drawn on: seen, and readable.
    area = 80 * 100 * 1.53**2
    for other in (edge, unmatched):
        share = np.count_nonzero(other != plain) / area
        assert 0.05 < share < 0.5
        assert not np.any((other != plain)[:, 200:])
    assert np.any(edge != unmatched)


def test_overlay_leaves_the_sky_alone() -> None:
    camera = assessment().points
    assert camera is not None
    rows = np.arange(camera.camera.height)
    down = (camera.camera.rays(40, rows) @ camera.T_level_camera.R.T)[:, 2] < 0
    horizon = int(np.argmax(down))
    assert horizon > 20
    sky = slice(0, horizon - 5)
    np.testing.assert_array_equal(_overlay_with(Blank.EDGE, sky), _overlay_with(Blank.MATCHED, sky))


def _figure_of(monkeypatch: pytest.MonkeyPatch, room: ModuleType,
               draw: Callable[[], bytes]) -> Figure:
    """The figure that is turned into a PNG."""
    drawn: list[Figure] = []

    def keep(figure: Figure) -> bytes:
        drawn.append(figure)
        return png(figure)

    monkeypatch.setattr(room, "png", keep)
    draw()
    return drawn[0]


def _map_figure(monkeypatch: pytest.MonkeyPatch, result: Assessment) -> Figure:
    terrain = result.terrain
    assert terrain is not None
    return _figure_of(monkeypatch, overhead, lambda: map_figure(result, terrain))


def _wide() -> Assessment:
    return assess_pair(pair(), ideal_rig(), read_rover("dunlin-em"), Settings())


def test_text_of_the_figures_is_readable_where_they_stand_side_by_side(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    css = (Path(hazcam.report.__file__).parent / "style.css").read_text(encoding="utf-8")
    widest_stacked = re.search(r"max-width: (\d+)px\) { \.side", css)
    padding = re.search(r"padding: 20px (\d+)px", css)
    gap = re.search(r"\.side.* gap: (\d+)px", css)
    assert widest_stacked is not None
    assert padding is not None
    assert gap is not None
    shown_px = (int(widest_stacked[1]) + 1 - 2 * int(padding[1]) - int(gap[1])) / 2
    for figure in (_map_figure(monkeypatch, assessment()),
                   _figure_of(monkeypatch, overlay, lambda: overlay_figure(assessment()))):
        sizes_in = {float(t.get_fontsize()) / 72 for t in figure.findobj(Text)
                    if isinstance(t, Text) and t.get_visible() and t.get_text()}
        assert min(sizes_in) * shown_px / figure.get_figwidth() >= 10.9


def test_tags_of_the_headings_cover_neither_the_map_nor_each_other(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    figure = _map_figure(monkeypatch, _wide())
    axes = figure.axes[0]
    [ground] = [p for p in axes.patches if isinstance(p, Rectangle)]
    tags = [t for t in axes.texts if re.match(r"\d+°", t.get_text())]
    named = {t.get_text().split("°")[0] for t in tags}
    assert {"0", "35", "40", "45"} <= named
    boxes = [t.get_window_extent() for t in tags]
    for i, box in enumerate(boxes):
        assert not box.overlaps(ground.get_window_extent())
        assert box.count_overlaps(boxes[:i]) == 0


def test_heights_stand_on_a_plate(monkeypatch: pytest.MonkeyPatch) -> None:
    for figure in (_map_figure(monkeypatch, assessment()),
                   _figure_of(monkeypatch, overlay, lambda: overlay_figure(assessment()))):
        heights = [t for t in figure.axes[0].texts if t.get_text().endswith(" cm")]
        assert heights
        assert all(t.get_bbox_patch() is not None for t in heights)


def test_ground_outside_is_no_empty_paper(monkeypatch: pytest.MonkeyPatch) -> None:
    figure = _map_figure(monkeypatch, assessment())
    canvas = figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    [ground] = [p for p in figure.axes[0].patches if isinstance(p, Rectangle)]
    box = ground.get_window_extent()
    pixels = np.asarray(canvas.renderer.buffer_rgba())[::-1, :, 0].astype(float)
    beside = pixels[int(box.y0) + 3 : int(box.y0) + 60, int(box.x0) + 3 : int(box.x0) + 60]
    assert beside.std() > 5  # hatched
    assert beside.min() > 150  # lightly


def test_title_is_short_and_says_the_verdict() -> None:
    long = replace(assessment().suggestion, text="hold: " + "no heading is clear, " * 9)
    found = title(replace(assessment(), suggestion=long))
    assert found.startswith("synthetic: ask-ground straight ahead; hold: no heading is clear")
    assert len(found) <= len("synthetic: ask-ground straight ahead; ") + 64


def test_title_keeps_what_is_assumed_and_says_nothing_twice() -> None:
    text = "go straight ahead: clear for 1.00 m (the first 0.31 m assumed)"
    going = replace(assessment(), suggestion=Suggestion(heading_deg=0.0, clear_m=1.0, text=text))
    assert title(going) == f"synthetic: {text}"


def test_the_page_says_the_suggestion_once(written: tuple[Path, Record]) -> None:
    html = (written[0] / "page.html").read_text(encoding="utf-8")
    said = "no heading is clear"
    assert said in written[1]["suggestion"]["text"]
    assert _words(html).count(said) == 1
    aside = copy.deepcopy(written[1])
    aside["suggestion"] |= {"heading_deg": 10, "text": "turn 10° left: clear for 1.00 m"}
    ahead = aside["headings"][1]
    words = _words(page(aside, overlay=b"", terrain=None, depth=None, sections={},
                         card=None))
    assert (f"clear for {ahead['clear_m']:.2f} m from the nose, {ahead['assumed_m']:.2f} m of it "
            f"assumed; {ahead['causes'][0]['text']}") in words


@pytest.mark.usefixtures("undrawn")
def test_a_pair_in_which_nothing_matches(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    left, right = rng.integers(0, 255, (2, 480, 640), dtype=np.uint8)
    result = assess_pair(pair_from_arrays(left, right), ideal_rig(), read_rover("dunlin-em"),
                         Settings(headings_deg=(-150.0, 0.0, 90.0)))
    record = write_assessment(result, tmp_path, {})
    assert {path.name for path in tmp_path.iterdir()} == FILES
    assert {h["verdict"] for h in record["headings"]} == {"ask-ground"}


def test_page_needs_no_network(written: tuple[Path, Record]) -> None:
    html = (written[0] / "page.html").read_text(encoding="utf-8")
    links = _Links(html)
    assert len(links.targets) == 5  # overlay, map, rig card, section, depth
    assert all(target.startswith("data:image/png;base64,") for target in links.targets)
    assert not links.tags & {"script", "link", "iframe", "object"}
    assert not re.search(r"url\(|@import|https?:", html)


def test_page_says_verdict_reason_units_and_sources(written: tuple[Path, Record]) -> None:
    folder, record = written
    words = _words((folder / "page.html").read_text(encoding="utf-8"))
    for heading in record["headings"]:
        for cause in heading["causes"]:
            assert cause["text"] in words
    for text in ("■ ask-ground", "10° left", "45° right", "from the nose", "from the rover origin",
                 record["attitude"]["text"], record["near_strip"]["text"],
                 record["rig_check"]["text"], "derived: leg length / 2", "0.050 m", "14.9 deg",
                 f"{record['intake']['noise']['read_grey']:.2f} grey levels of 255 without light",
                 "the rig file says not known and not known; the larger noise counts",
                 "What this cannot judge", "not a protective device for people",
                 record["digests"]["pair"], record["versions"]["opencv"], record["hazcam"]):
        assert text in words


def test_page_shows_the_section_straight_ahead_and_that_of_the_best_heading(
    written: tuple[Path, Record], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Straight ahead is the best to hold at; then 10 degrees to the left is made to go."""
    for room in (overhead, overlay, depth_map, rig_card):  # the sections are drawn
        monkeypatch.setattr(room, "png", lambda figure: b"a picture")
    *others, last = assessment().verdicts
    going = replace(assessment(), verdicts=(*others, replace(last, verdict="go", causes=())))
    write_assessment(going, tmp_path, {})
    for result, folder, headings in ((assessment(), written[0], {"straight ahead": 0.0}),
                                     (going, tmp_path, {"straight ahead": 0.0, "10° left": 10.0})):
        shown = re.findall(r'<img src="data:image/png;base64,([^"]+)" alt="Cross-section[^"]*the '
                           r'heading ([^"]+)">', (folder / "page.html").read_text(encoding="utf-8"))
        assert [name for _, name in shown] == list(headings)
        for picture, name in shown:
            assert base64.b64decode(picture) == section_figure(
                result, section_along(result, headings[name]))


def test_page_lists_each_obstacle_with_sigma(written: tuple[Path, Record]) -> None:
    folder, record = written
    words = _words((folder / "page.html").read_text(encoding="utf-8"))
    assert len(record["obstacles"]) >= 2  # the box and the pit
    for obstacle in record["obstacles"]:
        assert f"{obstacle['height_m']:.3f} ± {obstacle['sigma_m']:.3f} m" in words


def test_page_escapes_what_the_sidecar_says() -> None:
    script = {"note": "<script>alert(1)</script>"}
    noted = replace(assessment(), pair=replace(pair(), details=script))
    html = page(as_record(noted, inputs={}), overlay=b"", terrain=None, depth=None,
                sections={}, card=None)
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


@pytest.mark.usefixtures("undrawn")
def test_one_picture_missing_leaves_no_old_map(tmp_path: Path) -> None:
    write_assessment(assessment(), tmp_path, {})
    alone = pair_from_arrays(None, pair().right)
    write_assessment(assess_pair(alone, ideal_rig(), read_rover("dunlin-em")), tmp_path, {})
    assert {path.name for path in tmp_path.iterdir()} == FILES - {"map.png", "depth.tiff"} - STORES
    assert "the left picture is missing" in _words((tmp_path / "page.html").read_text("utf-8"))


def test_index_links_each_page_and_lists_failures(written: tuple[Path, Record]) -> None:
    folder, record = written
    write_index(folder.parent, [record], {"b.pair.json": "b.pair.json: is <empty>"})
    html = (folder.parent / "index.html").read_text(encoding="utf-8")
    links = _Links(html)
    assert links.targets[0] == "synthetic/page.html"
    assert sum(t.startswith("data:image/jpeg;base64,") for t in links.targets) == 1
    assert not re.search(r"url\(|@import|https?:", html)
    assert "b.pair.json: is &lt;empty&gt;" in html
    words = _words(html)
    assert record["suggestion"]["text"] in words
    assert words.count("In the pictures: solid blue, the heading goes") == 1
    assert words.count("assumed clear near the rover: up to 0.31 m from the nose") == 1


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it, of ``#rrggbb``."""
    levels = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(levels <= 0.04045, levels / 12.92, ((levels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_text_reaches_contrast_aa() -> None:
    # 4.5:1 for text (WCAG 2.2, success criterion 1.4.3).
    css = (Path(hazcam.report.__file__).parent / "style.css").read_text(encoding="utf-8")
    white = "#ffffff"
    pairs = []
    for rule in re.findall(r"\{([^}]*)\}", css):
        text = re.search(r"(?<![-\w])color: (#\w{6})", rule)
        ground = re.search(r"background: (#\w{6})", rule)
        if text or ground:
            pairs.append((text[1] if text else "#1a1a1a", ground[1] if ground else white))
    assert len(pairs) >= 6
    for text_colour, ground_colour in pairs:
        dark, light = sorted((_luminance(text_colour), _luminance(ground_colour)))
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (text_colour, ground_colour)


@pytest.mark.usefixtures("undrawn")
def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(OutputError, match="is a file, or lies below one"):
        write_assessment(assessment(), tmp_path / "out" / "synthetic", {})


@pytest.mark.usefixtures("undrawn")
def test_a_folder_in_the_place_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "page.html").mkdir()
    with pytest.raises(OutputError, match=r"page\.html: cannot be written"):
        write_assessment(assessment(), tmp_path, {})


def test_an_obstacle_whose_outline_is_a_line_in_the_picture_is_no_failure() -> None:
    """Seen end on, the prism over its cells has no area: it gets no outline, the rest is drawn."""
    shown = assessment()
    assert shown.terrain is not None
    pixels = np.array([[10.0, 20.0], [12.0, 22.0], [14.0, 24.0], [16.0, 26.0]])
    places = iter([pixels, pixels + 20])
    found = overlay.silhouette(shown.terrain.obstacles[0], shown.terrain,
                               lambda x, y, z: next(places))
    assert found is None
