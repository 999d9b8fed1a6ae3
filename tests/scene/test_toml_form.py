"""The file form of records: what is written is read again exactly, and each error names its place.

Truth is the record itself (round trip) and, for the errors, the words that a user needs.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.errors import HazcamError
from hazcam.scene.description import Gallery, GroundPlan, RockPlan, SceneDescription
from hazcam.scene.effects import Effects
from hazcam.scene.features import Crater, Ditch, Ledge, Pit, Ramp, Ripples, Wall
from hazcam.scene.light import Light
from hazcam.scene.toml_form import (
    SceneError,
    from_table,
    scene_digest,
    scene_from_text,
    scene_text,
    to_table,
)

FILE = "a.scene.toml"


@dataclass(frozen=True, kw_only=True)
class Leaf:
    height_m: float
    kind: Literal["angular", "rounded"] = "angular"

    def __post_init__(self) -> None:
        if self.height_m <= 0:
            raise ValueError(f"height_m is above 0, got {self.height_m:g}")


@dataclass(frozen=True, kw_only=True)
class Branch:
    leaves: tuple[Leaf, ...] = ()
    best: Leaf | None = None
    offset_m: tuple[float, float] = (0.0, 0.0)
    counts: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Tree:
    name: str
    branch: Branch = field(default_factory=Branch)
    limit: float | None = None
    quality: int | None = None
    alive: bool = True


LEAVES = st.builds(Leaf, height_m=st.floats(min_value=0, exclude_min=True, allow_infinity=False),
                   kind=st.sampled_from(["angular", "rounded"]))
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
BRANCHES = st.builds(
    Branch, leaves=st.lists(LEAVES, max_size=3).map(tuple), best=st.none() | LEAVES,
    offset_m=st.tuples(FLOATS, FLOATS), counts=st.lists(st.integers()).map(tuple),
)
TREES = st.builds(Tree, name=TEXTS, branch=BRANCHES, limit=st.none() | FLOATS,
                  quality=st.none() | st.integers(), alive=st.booleans())


def small(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(min_value=low, max_value=high)


ROCKS = st.builds(
    RockPlan, x_m=small(0.3, 3), y_m=small(-1, 1), height_m=small(1e-4, 0.5),
    kind=st.sampled_from(["angular", "rounded", "slab", "overhanging"]), buried=small(0, 0.9),
    seed=st.integers(0, 2**64),
)
EFFECTS = st.builds(
    Effects, defocus_px=st.tuples(small(0, 5), small(0, 5)), motion_deg=small(-180, 180),
    specks=st.tuples(st.integers(0, 9), st.integers(0, 9)),
    exposure=st.none() | small(1e-3, 1e4), gain_right=small(0.5, 2),
    jpeg_quality=st.none() | st.integers(1, 100), lost_blocks=st.integers(0, 50),
)
SCENES = st.builds(
    SceneDescription, id=st.from_regex(r"\A[a-z0-9_.-]+\Z"),
    seed=st.lists(st.integers(0, 2**63), min_size=1, max_size=3).map(tuple), note=TEXTS,
    light=st.builds(Light, sun_elevation_deg=small(0.1, 90), sky=small(0, 1)),
    ground=st.builds(GroundPlan, slope_deg=small(0, 44),
                     rocks=st.lists(ROCKS, max_size=3).map(tuple)),
    camera=EFFECTS, rover_shadow=st.booleans(),
)


def scene(**changes: Any) -> SceneDescription:
    plain = SceneDescription(
        id="beach-1", seed=(7, 0), light=Light(sun_elevation_deg=8.0, sun_azimuth_deg=60.0))
    return replace(plain, **changes)


def full_scene() -> SceneDescription:
    """A scene with one of everything."""
    ground = GroundPlan(
        surface="lava", gallery=Gallery(width_m=1.2, height_m=0.9),
        ripples=(Ripples(wavelength_m=0.1, height_m=0.004, yaw_deg=3.0),),
        ledges=(Ledge(at_m=0.8, height_m=-0.05),),
        pits=(Pit(x_m=1.0, y_m=0.1, radius_m=0.1, depth_m=0.2),),
        craters=(Crater(x_m=1.4, y_m=-0.2, diameter_m=0.4, depth_ratio=0.2),),
        ditches=(Ditch(at_m=1.1, width_m=0.1, depth_m=0.1),),
        ramps=(Ramp(at_m=1.0, slope_deg=12.0, run_m=0.5),), walls=(Wall(at_m=2.0, height_m=0.3),),
        rocks=(RockPlan(x_m=0.9, y_m=0.0, height_m=0.06),
               RockPlan(x_m=1.2, y_m=0.2, height_m=0.1 + 0.2, kind="overhanging", seed=4)),
    )
    return scene(ground=ground, camera=Effects(jpeg_quality=70, exposure=20.0), note='say "go"\n')


@settings(max_examples=80, deadline=None, derandomize=True)
@given(TREES)
def test_a_record_of_every_kind_of_field_comes_back(tree: Tree) -> None:
    assert from_table(Tree, to_table(tree), FILE) == tree


@settings(max_examples=60, deadline=None, derandomize=True)
@given(SCENES)
def test_a_scene_comes_back_from_its_text(description: SceneDescription) -> None:
    """Equal floats: every bit survives the text."""
    text = scene_text(description)
    assert scene_from_text(text, FILE) == description
    assert scene_text(scene_from_text(text, FILE)) == text


def test_a_scene_with_one_of_everything_comes_back() -> None:
    assert scene_from_text(scene_text(full_scene()), FILE) == full_scene()


def test_the_text_is_toml_that_starts_with_its_schema() -> None:
    text = scene_text(full_scene())
    assert text.startswith('schema = "hazcam-scene/1"\n')
    table = tomllib.loads(text)
    assert table["ground"]["rocks"][1]["height_m"] == 0.1 + 0.2
    assert table["seed"] == [7, 0]


def test_none_is_left_out() -> None:
    table = to_table(Tree(name="a"))
    assert table == {"name": "a", "alive": True,
                     "branch": {"leaves": [], "offset_m": [0.0, 0.0], "counts": []}}


def test_what_is_left_out_takes_its_default() -> None:
    text = 'schema = "hazcam-scene/1"\nid = "a"\nseed = [1]\n[light]\nsky = 0.5\n'
    assert scene_from_text(text, FILE) == SceneDescription(id="a", seed=(1,), light=Light(sky=0.5))


def test_a_whole_number_will_do_for_a_float() -> None:
    read = from_table(Leaf, {"height_m": 2}, FILE)
    assert type(read.height_m) is float
    assert to_table(Leaf(height_m=2)) == to_table(read)
    assert type(to_table(Leaf(height_m=2))["height_m"]) is float


def test_digest_is_of_the_text_and_sees_each_change() -> None:
    """Also the smallest step of a float, and not whether a whole number was written as 20."""
    first = scene_digest(full_scene())
    assert first == hashlib.sha256(scene_text(full_scene()).encode()).hexdigest()
    nudged = replace(full_scene(), light=Light(sun_elevation_deg=8.000000000000002,
                                               sun_azimuth_deg=60.0))
    assert scene_digest(nudged) != first
    whole = replace(full_scene(), camera=Effects(jpeg_quality=70, exposure=20))
    assert scene_digest(whole) == first


def test_numbers_that_are_not_finite_are_not_written() -> None:
    with pytest.raises(ValueError, match="limit = nan cannot be written"):
        to_table(Tree(name="a", limit=float("nan")))


def test_fields_without_a_file_form_are_a_programmers_mistake() -> None:
    @dataclass(frozen=True)
    class Odd:
        parts: dict[str, int]

    with pytest.raises(TypeError, match=r"parts: .*dict.* has no file form"):
        to_table(Odd({}))
    with pytest.raises(TypeError, match=r"parts: .*dict.* has no file form"):
        from_table(Odd, {"parts": {}}, FILE)


def refused(table: dict[str, Any]) -> SceneError:
    with pytest.raises(SceneError) as caught:
        from_table(Tree, table, FILE)
    assert isinstance(caught.value, HazcamError)
    return caught.value


LEAF = {"height_m": 0.1}


@pytest.mark.parametrize(("table", "path", "found", "expected", "remedy"), [
    ({}, ", name", "the key is missing", "a text in quotes", "add a line name = ..."),
    ({"name": "a", "branch": {"leaves": [LEAF, LEAF, {}]}}, ", branch.leaves[2].height_m",
     "the key is missing", "a number", "add a line height_m = ..."),
    ({"name": "a", "qualty": 1}, ", qualty", "unknown key",
     "one of the known keys: name, branch, limit, quality, alive", "did you mean quality?"),
    ({"name": "a", "branch": {"leaves": [LEAF | {"wing_m": 1}]}}, ", branch.leaves[0].wing_m",
     "unknown key", "one of the known keys: height_m, kind", "remove it"),
    ({"name": 3}, ", name", "found 3", "a text in quotes", "write it in quotes"),
    ({"name": "a", "alive": 1}, ", alive", "found 1", "true or false",
     "write true or false, without quotes"),
    ({"name": "a", "quality": True}, ", quality", "found true", "a whole number",
     "write a whole number without quotes, point and unit"),
    ({"name": "a", "quality": 3.0}, ", quality", "found 3.0", "a whole number",
     "write a whole number without quotes, point and unit"),
    ({"name": "a", "limit": False}, ", limit", "found false", "a number",
     "write a number without quotes and unit"),
    ({"name": "a", "limit": "tall"}, ", limit", "found 'tall'", "a number",
     "write a number without quotes and unit"),
    ({"name": "a", "limit": float("inf")}, ", limit", "found inf", "a finite number",
     "write a number that is finite, or leave the key out for its default"),
    ({"name": "a", "branch": {"offset_m": [0.0, float("nan")]}}, ", branch.offset_m[1]",
     "found nan", "a finite number",
     "write a number that is finite, or leave the key out for its default"),
    ({"name": "a", "branch": {"offset_m": [1.0]}}, ", branch.offset_m", "found 1 item: [1.0]",
     "a list of 2 items: a number, a number", "write 2 items"),
    ({"name": "a", "branch": {"offset_m": 1.0}}, ", branch.offset_m", "found 1.0",
     "a list of 2 items: a number, a number", "write a list in square brackets"),
    ({"name": "a", "branch": {"counts": [1, "b"]}}, ", branch.counts[1]", "found 'b'",
     "a whole number", "write a whole number without quotes, point and unit"),
    ({"name": "a", "branch": {"leaves": LEAF}}, ", branch.leaves", "found {'height_m': 0.1}",
     "a list, each item a table with the keys height_m, kind",
     "write each as a table of its own, [[branch.leaves]]"),
    ({"name": "a", "branch": {"best": LEAF | {"kind": "round"}}}, ", branch.best.kind",
     "found 'round'", "one of 'angular', 'rounded'", "choose one of these"),
    ({"name": "a", "branch": {"best": LEAF | {"kind": []}}}, ", branch.best.kind",
     "found []", "one of 'angular', 'rounded'", "choose one of these"),
    ({"name": "a", "branch": 4}, ", branch", "found 4",
     "a table with the keys leaves, best, offset_m, counts", "write it as a table [branch]"),
    ({"name": "a", "branch": {"leaves": [LEAF, {"height_m": -1}]}}, ", branch.leaves[1]",
     "height_m is above 0, got -1", "values that make a Leaf", "correct these values"),
])
def test_each_wrong_table_says_where_what_and_the_remedy(
    table: dict[str, Any], path: str, found: str, expected: str, remedy: str
) -> None:
    error = refused(table)
    assert error.where == FILE + path
    assert (error.found, error.expected, error.remedy) == (found, expected, remedy)


def test_a_number_too_large_for_a_float_is_not_finite() -> None:
    assert refused({"name": "a", "limit": 10**400}).expected == "a finite number"


def test_long_values_are_cut_short() -> None:
    assert len(refused({"name": "a", "limit": "x" * 5000}).found) < 60


def rock_text(line: str) -> str:
    rocks = "[[ground.rocks]]\nx_m = 1\ny_m = 0\nheight_m = 0.1\n" * 2
    return ('schema = "hazcam-scene/1"\nid = "a"\nseed = [1]\n[light]\n' + rocks
            + f"[[ground.rocks]]\nx_m = 1\ny_m = 0\n{line}\n")


@pytest.mark.parametrize(("text", "says"), [
    (rock_text('height_m = "tall"'),
     r"^a\.scene\.toml, ground\.rocks\[2\]\.height_m: found 'tall'\n.*: a number\n"),
    (rock_text("hieght_m = 0.1"),
     r"ground\.rocks\[2\]\.hieght_m: unknown key(.|\n)*did you mean height_m\?"),
    (rock_text("height_m = 0.1\nburied = 1.0"),
     r"^a\.scene\.toml, ground\.rocks\[2\]: a rock has .*got 0\.1 and 1\n"),
    ('schema = "hazcam-scene/1"\nid = "a"\nseed = [1]\n',
     r"light: the key is missing(.|\n)*a table with the keys sun_e(.|\n)*add a table \[light\]"),
    ('schema = "hazcam-scene/1"\nid = "a b"\nseed = [1]\n[light]\n',
     r"^a\.scene\.toml: the id of a scene is a name of letters, digits"),
    ('schema = "hazcam-scene/1"\nid = "a"\nseed = [1]\n[light]\n[camera]\njpeg_quality = 80\n'
     'jpeg2000_ratio = 8\n', r"a\.scene\.toml, camera: a picture is sent as JPEG"),
    ('id = "a"\nseed = [1]\n[light]\n', r"has no schema\n.*hazcam-scene/1(.|\n)*first line"),
    ("", r"a\.scene\.toml: has no schema"),
    ('schema = "hazcam-rover/1"\n', r"schema: found 'hazcam-rover/1'\n.*\"hazcam-scene/1\""),
    ('schema = "hazcam-scene/1"\nid = \n', r"broken TOML: Invalid value \(at line 2"),
    ('id = "a"\nid = "b"\n', r"broken TOML: Cannot overwrite"),
    ("a = " + "1" * 5000, "broken TOML: Exceeds the limit"),
    ("a = " + "[" * 3000, "broken TOML"),
])
def test_each_wrong_text_is_refused(text: str, says: str) -> None:
    with pytest.raises(SceneError, match=says):
        scene_from_text(text, FILE)
