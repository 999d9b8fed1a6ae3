from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest

import hazcam.report
from hazcam import Settings, assess_pair, pair_from_arrays, read_rover
from hazcam.errors import OutputError
from hazcam.report import Record, as_record, read_record, write_assessment, write_index
from hazcam.report.overhead import map_figure
from hazcam.report.overlay import overlay_figure
from hazcam.report.page import page
from tests.folders import assessment, pair
from tests.synthetic import ideal_rig

FILES = {"assessment.json", "overlay.png", "map.png", "depth.tiff", "page.html"}


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
    assert len(links.targets) == 3  # overlay, map, depth
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
                 "What this cannot judge", "not a protective device for people",
                 record["digests"]["pair"], record["versions"]["opencv"], record["hazcam"]):
        assert text in words


def test_page_lists_each_obstacle_with_sigma(written: tuple[Path, Record]) -> None:
    folder, record = written
    words = _words((folder / "page.html").read_text(encoding="utf-8"))
    assert len(record["obstacles"]) >= 2  # the box and the pit
    for obstacle in record["obstacles"]:
        assert f"{obstacle['height_m']:.3f} ± {obstacle['sigma_m']:.3f} m" in words


def test_page_escapes_what_the_sidecar_says() -> None:
    script = {"note": "<script>alert(1)</script>"}
    noted = replace(assessment(), pair=replace(pair(), details=script))
    html = page(as_record(noted, inputs={}), overlay=b"", terrain=None, depth=None)
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_one_picture_missing_leaves_no_old_map(tmp_path: Path) -> None:
    write_assessment(assessment(), tmp_path, {})
    alone = pair_from_arrays(None, pair().right)
    write_assessment(assess_pair(alone, ideal_rig(), read_rover("dunlin-em")), tmp_path, {})
    assert {path.name for path in tmp_path.iterdir()} == FILES - {"map.png", "depth.tiff"}
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
    assert record["suggestion"]["text"] in _words(html)


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


def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(OutputError, match="is a file, or lies below one"):
        write_assessment(assessment(), tmp_path / "out" / "synthetic", {})


def test_a_folder_in_the_place_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "page.html").mkdir()
    with pytest.raises(OutputError, match=r"page\.html: cannot be written"):
        write_assessment(assessment(), tmp_path, {})
