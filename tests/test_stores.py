"""What is stored of an assessment: without loss, and judged as the assessment itself."""

from __future__ import annotations

import io
import json
import math
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.assess import Assessment, assess_pair, previous_ground
from hazcam.errors import HazcamError
from hazcam.imagery import PlanarMove
from hazcam.packing import (
    pack_floats,
    pack_integers,
    pack_mask,
    unpack_floats,
    unpack_integers,
    unpack_mask,
)
from hazcam.report import (
    as_record,
    judgement_record,
    read_demands,
    read_store,
    read_terrain,
    write_assessment,
)
from hazcam.rover import read_rover, with_limits, with_measured
from hazcam.settings import Settings
from hazcam.stored import StoredDemands, StoredTerrain, judge_demands, judge_terrain
from hazcam.stored_npz import demands_bytes, terrain_bytes
from hazcam.terrain import TerrainMap, map_terrain
from hazcam.terrain.pack import (
    HEIGHT_STEP_M,
    SLOPE_STEP,
    SPREAD_STEP_M,
    on_lattice,
    pack_terrain,
    unpack_terrain,
)
from hazcam.verdict import decide
from hazcam.verdict.pack import pack_demands, unpack_demands
from tests.conftest import terrain_of
from tests.folders import HEADINGS, assessment, pair
from tests.synthetic import Scene, ideal_rig, render

UP = ("sigma_m", "ground_sigma_m", "roughness_m", "slope_sigma", "ceiling_m")
STEPS = {
    **dict.fromkeys(("mean_m", "highest_m", "lowest_m", "ground_m", "ceiling_m", "sunk_m"),
                    HEIGHT_STEP_M),
    **dict.fromkeys(("sigma_m", "ground_sigma_m", "roughness_m"), SPREAD_STEP_M),
    **dict.fromkeys(("slope_x", "slope_y", "slope_sigma"), SLOPE_STEP),
}


def values(item: Any, where: str = "") -> Iterator[tuple[str, Any]]:
    """Every value of a record, with its place; arrays as type, shape and bytes."""
    if is_dataclass(item):
        for field in fields(item):
            yield from values(getattr(item, field.name), f"{where}.{field.name}")
    elif isinstance(item, dict):
        for key, entry in item.items():
            yield from values(entry, f"{where}.{key}")
    elif isinstance(item, list | tuple):
        yield f"{where}.length", len(item)
        for i, entry in enumerate(item):
            yield from values(entry, f"{where}[{i}]")
    elif isinstance(item, np.ndarray):
        # No two NaN are told apart.
        plain = np.where(np.isnan(item), np.nan, item) if item.dtype.kind == "f" else item
        yield where, (item.dtype, item.shape, plain.tobytes())
    else:
        yield where, repr(item.item() if isinstance(item, np.generic) else item)


@cache
def with_previous() -> Assessment:
    """Flat ground, of which the pair before it saw the near strip."""
    flat = render(Scene())
    move = PlanarMove(x_m=0.30, y_m=0.0, z_m=0.0, heading_deg=0.0, sigma_x_m=0.005,
                      sigma_y_m=0.005, sigma_heading_deg=0.2)
    rover = read_rover("dunlin-em")
    before = assess_pair(flat, ideal_rig(), rover, Settings(headings_deg=(0.0,)))
    return assess_pair(flat, ideal_rig(), rover, Settings(headings_deg=(0.0, 20.0)),
                       previous_ground(before, move))


def stored(found: Assessment, folder: Path) -> tuple[StoredTerrain, StoredDemands]:
    """Both stores of an assessment, written and read back."""
    record = as_record(found, inputs={})
    (folder / "terrain.npz").write_bytes(terrain_bytes(found, terrain_of(found), record))
    (folder / "demands.npz").write_bytes(demands_bytes(found, record))
    return read_terrain(folder / "terrain.npz"), read_demands(folder / "demands.npz")


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> tuple[StoredTerrain, StoredDemands]:
    return stored(assessment(), tmp_path_factory.mktemp("stores"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("written")
    stored(assessment(), path)
    return path


# --- packing --------------------------------------------------------------------------------------


@given(st.lists(st.integers(-2**63, 2**63 - 1)), st.lists(st.floats(width=64)))
def test_numbers_come_back_to_the_last_bit(whole: list[int], floats: list[float]) -> None:
    integers, numbers = np.array(whole, dtype=np.int64), np.array(floats, dtype=np.float64)
    assert np.array_equal(unpack_integers(pack_integers(integers)), integers)
    assert unpack_floats(pack_floats(numbers)).tobytes() == numbers.tobytes()


@given(st.integers(0, 5), st.integers(0, 9), st.randoms(use_true_random=False))
def test_a_mask_comes_back(rows: int, columns: int, random: Any) -> None:
    mask = np.array([[random.random() < 0.5 for _ in range(columns)] for _ in range(rows)],
                    dtype=bool).reshape(rows, columns)
    assert np.array_equal(unpack_mask(pack_mask(mask), mask.shape), mask)


@pytest.mark.parametrize("unpack", [
    lambda: unpack_mask(np.zeros(3, dtype=np.uint8), (4, 4)),
    lambda: unpack_integers(np.zeros((2, 3), dtype=np.int16)),
    lambda: unpack_integers(np.zeros((9, 3), dtype=np.uint8)),
    lambda: unpack_floats(np.zeros((7, 3), dtype=np.uint8)),
])
def test_what_was_not_packed_so_is_refused(unpack: Callable[[], Any]) -> None:
    with pytest.raises(ValueError, match="byte"):
        unpack()


@pytest.mark.parametrize("found", [assessment, with_previous])
def test_a_map_comes_back_to_the_last_bit(found: Callable[[], Assessment]) -> None:
    terrain = terrain_of(found())
    arrays, plain = pack_terrain(terrain)
    back = unpack_terrain(arrays, json.loads(json.dumps(plain)))
    assert dict(values(back)) == dict(values(terrain))


@given(st.lists(st.integers(-2**31, 2**31 - 1), min_size=1))
def test_half_the_memory_gives_the_same_bytes(whole: list[int]) -> None:
    narrow = np.array(whole, dtype=np.int32)
    packed = pack_integers(narrow)
    assert packed.tobytes() == pack_integers(narrow.astype(np.int64)).tobytes()
    assert unpack_integers(packed).tolist() == whole


def test_absurd_heights_come_back_too() -> None:
    """Their differences are more than half of the memory holds."""
    terrain = terrain_of(assessment())
    mean_m = terrain.mean_m.copy()
    mean_m[100, 100:110] = np.where(np.isnan(mean_m[100, 100:110]), np.nan, [-5000.0, 5000.0] * 5)
    terrain = replace(terrain, mean_m=mean_m)
    assert np.nanmax(terrain.mean_m) == 5000.0
    again = unpack_terrain(*pack_terrain(terrain))
    assert again.mean_m.tobytes() == terrain.mean_m.tobytes()


def test_the_maps_hold_what_could_be_lost() -> None:
    """Each kind of value that a layer may have is in one of the maps that come back."""
    terrain, before = terrain_of(assessment()), terrain_of(with_previous())
    assert terrain.obstacles
    assert terrain.planes
    assert np.isinf(terrain.ceiling_m).any()
    assert np.isnan(terrain.slope_x).any()
    assert (terrain.sunk_m > 0).any()
    assert set(np.unique(terrain.state)) == {0, 1, 2, 3}
    assert before.from_previous.any()


@pytest.mark.parametrize("found", [assessment, with_previous])
def test_demands_come_back_to_the_last_bit(found: Callable[[], Assessment]) -> None:
    demands = found().demands
    assert any(d.turn is not None for d in demands)
    assert any(d.turn is None for d in demands)
    assert dict(values(unpack_demands(pack_demands(demands)))) == dict(values(demands))


def test_the_map_of_a_pair_lies_on_the_lattice_next_to_what_was_measured() -> None:
    found = assessment()
    assert found.points is not None
    measured = map_terrain(found.points, found.points.common_view, found.settings.terrain)
    judged = terrain_of(found)
    for name, step in STEPS.items():
        exact, kept = getattr(measured, name), getattr(judged, name)
        known = np.isfinite(exact)
        assert np.array_equal(np.isfinite(kept), known)
        off = kept[known] - exact[known]
        low, high = (0.0, step) if name in UP else (-step / 2, step / 2)
        assert off.min() >= low
        assert off.max() <= high
        assert np.abs(off).max() > 0.1 * step or name == "sunk_m"
    assert dict(values(on_lattice(judged))) == dict(values(judged))


def test_a_map_off_the_lattice_is_not_packed() -> None:
    """It would be rounded behind the back of whoever judged it."""
    terrain = terrain_of(assessment())
    for name, step in STEPS.items():
        off: dict[str, Any] = {name: getattr(terrain, name) + step / 4}
        with pytest.raises(ValueError, match=f"{name} is not on the lattice"):
            pack_terrain(replace(terrain, **off))


# --- what is judged from a store ------------------------------------------------------------------


def test_a_store_is_judged_as_the_assessment_was(
    stores: tuple[StoredTerrain, StoredDemands]
) -> None:
    found = assessment()
    for judged in (judge_terrain(stores[0]), judge_demands(stores[1])):
        assert dict(values(judged.demands)) == dict(values(found.demands))
        assert dict(values(judged.verdicts)) == dict(values(found.verdicts))
        assert judged.suggestion == found.suggestion
        assert judged.near_strip_max_m == found.near_strip_max_m
        assert judged.rover.digest == found.rover.digest


def test_what_the_previous_pair_saw_is_stored(tmp_path: Path) -> None:
    found = with_previous()
    terrain, demands = stored(found, tmp_path)
    for judged in (judge_terrain(terrain), judge_demands(demands)):
        assert dict(values(judged.verdicts)) == dict(values(found.verdicts))
        record = judgement_record(judged, inputs={})
        assert record["near_strip"] == as_record(found, inputs={})["near_strip"]
    assert found.demands[0].seen_before_m > 0


@given(limits=st.fixed_dictionaries({
    "step": st.floats(0.0, 0.1), "drop": st.floats(0.0, 0.1), "gap": st.floats(0.0, 0.12),
    "belly": st.floats(0.0, 0.05), "slope": st.floats(0.0, 40.0), "roll": st.floats(0.0, 40.0),
    "tip": st.floats(0.0, 40.0)}), confidence=st.floats(0.5, 0.9999))
@settings(max_examples=40, deadline=None)
def test_stored_demands_meet_any_limits_alike(
    stores: tuple[StoredTerrain, StoredDemands], limits: dict[str, float], confidence: float
) -> None:
    found = assessment()
    against = with_limits(found.rover, limits).limits
    judged = judge_demands(stores[1], limits=limits, confidence=confidence)
    expected = tuple(decide(d, against, confidence) for d in found.demands)
    assert dict(values(judged.verdicts)) == dict(values(expected))


@pytest.mark.parametrize(("name", "margin_m", "changes"), [
    ("dunlin-fm", None, {}), ("dunlin-em", 0.10, {"near_strip": "ask"}),
    ("dunlin-fm", 0.02, {"look_ahead_m": 0.7, "headings_deg": (-20.0, 5.0), "confidence": 0.9,
                         "near_strip_max_m": 0.1}),
])
def test_another_rover_is_judged_as_a_fresh_assessment_would(
    stores: tuple[StoredTerrain, StoredDemands], name: str, margin_m: float | None,
    changes: dict[str, Any],
) -> None:
    rover = with_limits(read_rover(name), {}, margin_m=margin_m)
    asked = replace(Settings(headings_deg=HEADINGS), **changes)
    fresh = assess_pair(pair(), ideal_rig(), rover, asked)
    judged = judge_terrain(stores[0], rover=rover, settings=replace(stores[0].settings, **changes))
    assert dict(values(judged.demands)) == dict(values(fresh.demands))
    assert dict(values(judged.verdicts)) == dict(values(fresh.verdicts))
    now, then = judgement_record(judged, inputs={}), as_record(fresh, inputs={})
    for key in ("suggestion", "near_strip", "limits", "rover", "settings", "digests", "attitude",
                "outside_rehearsed", "rig_check"):
        assert now[key] == then[key], key
    assert now["headings"] == [{k: v for k, v in heading.items() if k != "beyond_rig"}
                               for heading in then["headings"]]


def test_where_a_limit_comes_from_is_stored_and_what_it_was(tmp_path: Path) -> None:
    rover = with_measured(assessment().rover, "step", 0.04, "ledge trials")
    found = replace(assessment(), rover=rover)
    for store in stored(found, tmp_path):
        assert store.rover == replace(rover, source=store.rover.source)
    for judged in map(read_store, (tmp_path / "terrain.npz", tmp_path / "demands.npz")):
        again = (judge_demands(judged) if isinstance(judged, StoredDemands)
                 else judge_terrain(judged))
        record = judgement_record(again, inputs={})
        assert record["limits"] == as_record(found, inputs={})["limits"]
        assert record["limits"]["step"]["was"] == {
            "value": 0.05, "source": "derived: leg length / 2"}


def test_limits_that_say_nothing_of_what_they_were_are_stored_as_ever(
    stores: tuple[StoredTerrain, StoredDemands]
) -> None:
    """As in the stores that were written before limits could say so, which are read still."""
    found = assessment()
    with np.load(io.BytesIO(demands_bytes(found, as_record(found, inputs={})))) as file:
        about = json.loads(file["about"].tobytes())
    assert {*about["rover"]["limits"]["step"]} == {"value", "source"}
    assert stores[1].rover.limits == found.rover.limits


def test_what_speaks_against_the_rig_is_kept_with_both_stores(tmp_path: Path) -> None:
    """Clear ground is no go for any limits where the rig check failed."""
    clear = with_previous()
    assert any(v.verdict == "go" for v in clear.verdicts)
    assert clear.epipolar is not None
    terrain, demands = stored(
        replace(clear, epipolar=replace(clear.epipolar, count=3, sought=3)), tmp_path)
    easy = {"step": 0.1, "drop": 0.1, "slope": 80.0, "roll": 80.0}
    for judged in (
        judge_demands(demands, limits=easy, confidence=0.5),
        judge_terrain(terrain, rover=with_limits(terrain.rover, easy)),
        judge_terrain(terrain, rover=read_rover("dunlin-fm")),
    ):
        assert {v.verdict for v in judged.verdicts} == {"ask-ground"}
        assert all("rig not checked" in {c.kind for c in v.causes} for v in judged.verdicts)


def test_conditions_follow_the_look_ahead(stores: tuple[StoredTerrain, StoredDemands]) -> None:
    far = judge_terrain(stores[0], settings=replace(stores[0].settings, look_ahead_m=2.0))
    assert any("look-ahead of 2 m" in words
               for words in judgement_record(far, inputs={})["outside_rehearsed"])


# --- files ----------------------------------------------------------------------------------------


def test_the_same_assessment_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    stored(assessment(), tmp_path)
    for name in ("terrain.npz", "demands.npz"):
        assert (folder / name).read_bytes() == (tmp_path / name).read_bytes()
    assert isinstance(read_store(folder / "terrain.npz"), StoredTerrain)
    assert isinstance(read_store(folder / "demands.npz"), StoredDemands)


def test_a_store_tells_nothing_of_when_it_was_written(folder: Path) -> None:
    """Else the same assessment would give other bytes a minute later."""
    for name in ("terrain.npz", "demands.npz"):
        with zipfile.ZipFile(folder / name) as file:
            assert {member.date_time for member in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}
            assert {member.compress_type for member in file.infolist()} == {zipfile.ZIP_DEFLATED}


def test_a_store_says_where_it_comes_from_and_no_path(folder: Path) -> None:
    record = as_record(assessment(), inputs={})
    for name in ("terrain.npz", "demands.npz"):
        with np.load(folder / name, allow_pickle=False) as file:
            about = json.loads(file["about"].tobytes())
        assert about["schema"] == f"hazcam-{name.removesuffix('.npz')}/1"
        assert about["hazcam"] == record["hazcam"]
        assert about["said"]["digests"] == record["digests"]
        assert set(about["said"]["digests"]) >= {"pair", "rig", "rover", "settings"}
        assert about["rover"]["digest"] == record["digests"]["rover"]
        assert str(Path(assessment().rover.source).parent) not in json.dumps(about)


def test_a_pair_with_one_picture_leaves_no_store_of_an_earlier_run(
    folder: Path, tmp_path: Path
) -> None:
    for name in ("terrain.npz", "demands.npz"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    alone = assess_pair(replace(pair(), right=None), ideal_rig(), read_rover("dunlin-em"),
                        Settings(headings_deg=(0.0,)))
    write_assessment(alone, tmp_path, {})
    assert not list(tmp_path.glob("*.npz"))


def rewritten(source: Path, target: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """A store with its arrays changed; ``about`` is handed over as the dict that it is."""
    with np.load(source, allow_pickle=False) as file:
        arrays: dict[str, Any] = dict(file)
    arrays["about"] = json.loads(arrays["about"].tobytes())
    change(arrays)
    if "about" in arrays:
        text = json.dumps(arrays["about"]).encode()
        arrays["about"] = np.frombuffer(text, dtype=np.uint8)
    np.savez_compressed(target, **arrays)
    return target


def _no_mean(a: dict[str, Any]) -> None:
    del a["mean_m"]


def _newer(a: dict[str, Any]) -> None:
    a["about"] |= {"schema": "hazcam-terrain/2", "hazcam": "9.0"}


def _other_kind(a: dict[str, Any]) -> None:
    a["about"]["schema"] = "hazcam-assessment/1"


def _no_about(a: dict[str, Any]) -> None:
    del a["about"]


def _no_rover(a: dict[str, Any]) -> None:
    del a["about"]["rover"]


def _half_a_mask(a: dict[str, Any]) -> None:
    a["behind"] = a["behind"][:100]


def _seen_without_height(a: dict[str, Any]) -> None:
    a["state"] = np.zeros_like(a["state"])


def _objects(a: dict[str, Any]) -> None:
    a["blank"] = np.array([{"an": "object"}], dtype=object)


@pytest.mark.parametrize(("change", "words"), [
    (_no_mean, r"lacks the array mean_m\n.*hazcam-terrain/1\)\n  remedy: assess the pair again"),
    (_newer, r"found 'hazcam-terrain/2', written by hazcam 9.0.*\n.*hazcam-terrain/1.*\n  remedy: "
             "judge it with that version"),
    (_other_kind, r"schema: found 'hazcam-assessment/1'"),
    (_no_about, "npz file without `about`"),
    (_no_rover, "is damaged: a value 'rover' is missing"),
    (_half_a_mask, "is damaged: a mask of 75000 cells takes 9375 bytes"),
    (_seen_without_height, "is damaged: a cell is SEEN exactly where"),
    (_objects, "is damaged: Object arrays cannot be loaded"),
])
def test_a_store_that_is_not_whole_is_refused(
    folder: Path, tmp_path: Path, change: Callable[[dict[str, Any]], None], words: str
) -> None:
    path = rewritten(folder / "terrain.npz", tmp_path / "changed.npz", change)
    with pytest.raises(HazcamError, match=words) as caught:
        read_terrain(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("name", ["profiles", "counts", "runs.group"])
def test_demands_that_lack_an_array_are_refused(folder: Path, tmp_path: Path, name: str) -> None:
    path = rewritten(folder / "demands.npz", tmp_path / "changed.npz", lambda a: a.pop(name))
    with pytest.raises(HazcamError, match=f"lacks the array {name}"):
        read_demands(path)


@pytest.mark.parametrize("name", [
    "counts", "scalars", "line_m", "turn", "has_turn", "turn_assumed", "outside", "unseen_state",
    "unseen_blank", "runs", "hollows_m"])
def test_demands_that_do_not_fit_each_other_are_refused(
    folder: Path, tmp_path: Path, name: str
) -> None:
    """A hollow that is lost would make holes look rarer than they are."""
    assert any(d.hollows_m for d in assessment().demands)

    def cut(a: dict[str, Any]) -> None:
        a[name] = a[name][:-1]

    path = rewritten(folder / "demands.npz", tmp_path / "changed.npz", cut)
    with pytest.raises(HazcamError, match="is damaged"):
        read_demands(path)


def test_the_other_store_is_named(folder: Path) -> None:
    with pytest.raises(HazcamError, match=r"schema hazcam-terrain/1\n.*demands.npz.*\n.*give the "
                                          "demands.npz beside it"):
        read_demands(folder / "terrain.npz")
    with pytest.raises(HazcamError, match=r"give the terrain.npz beside it"):
        read_terrain(folder / "demands.npz")


@pytest.mark.parametrize("share", [0.02, 0.5, 0.95])
def test_a_store_that_was_cut_off_is_refused(folder: Path, tmp_path: Path, share: float) -> None:
    data = (folder / "terrain.npz").read_bytes()
    path = tmp_path / "terrain.npz"
    path.write_bytes(data[:math.floor(share * len(data))])
    with pytest.raises(HazcamError, match=r"is damaged.*\n.*\n  remedy: copy it again"):
        read_terrain(path)


def test_a_store_with_a_flipped_bit_is_refused(folder: Path, tmp_path: Path) -> None:
    """The sums that the zip format keeps of each array tell."""
    data = bytearray((folder / "terrain.npz").read_bytes())
    data[data.index(b"ceiling_m.npy") + 400] ^= 1
    (tmp_path / "terrain.npz").write_bytes(data)
    with pytest.raises(HazcamError, match="is damaged"):
        read_terrain(tmp_path / "terrain.npz")


def test_what_is_no_store_is_refused(tmp_path: Path) -> None:
    picture = io.BytesIO(b"\x89PNG\r\n\x1a\n....")
    for name, data, words in (
        ("a.png", picture.getvalue(), "is a PNG picture"), ("a.json", b"{}", "is no npz file"),
        ("a.npz", b"", "is empty"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(HazcamError, match=words):
            read_store(tmp_path / name)
    with pytest.raises(HazcamError, match="is a folder"):
        read_store(tmp_path)
    with pytest.raises(HazcamError, match="does not exist"):
        read_store(tmp_path / "nowhere.npz")


def test_stores_of_a_pair_are_small(folder: Path) -> None:
    """Against 16 MB of a map in memory, and for three headings."""
    terrain: TerrainMap = terrain_of(assessment())
    in_memory = sum(getattr(terrain, f.name).nbytes for f in fields(terrain)
                    if isinstance(getattr(terrain, f.name), np.ndarray))
    assert (folder / "terrain.npz").stat().st_size < in_memory / 15
    assert (folder / "demands.npz").stat().st_size < 20_000
