"""A limit swept over a run: what ``decide`` says of the full demands at every value."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hazcam import Settings, assess_pair, read_rover
from hazcam.assess import Assessment
from hazcam.calibration import StereoRig, read_rig
from hazcam.campaign import Run, open_run
from hazcam.campaign.judging import judge_run
from hazcam.campaign.record import CampaignPair, Manifest
from hazcam.campaign.store.writer import Store
from hazcam.errors import HazcamError, RoverError
from hazcam.frames import Floats
from hazcam.imagery import find_sidecars, read_pair, read_sidecar
from hazcam.report.entry import entry_of
from hazcam.rover import with_limits
from hazcam.tuning.sweep import RunSweep, sweep_run
from hazcam.verdict import decide, gist
from hazcam.verdict.sweep import chance_beyond_of
from tests.campaign.entries import ABOUT

FOLDER = Path(__file__).parents[2] / "sample_pairs"
TIMINGS: Any = {"finished_at": "2031-06-01T00:00:00+00:00", "tries": 1}
HEADINGS = (-15.0, -5.0, 0.0, 5.0, 15.0)
WIDE = {"step": 0.08, "drop": 0.09, "belly": 0.09, "slope": 30.0, "gap": 0.11, "roll": 25.0}
ROVER = "dunlin-em"
STEPS = np.linspace(0.005, 0.19, 20)
BEYOND = np.linspace(0.0, 0.12, 7)
GAPS = np.linspace(0.02, 0.3, 6)


def pairs_of(found: dict[str, Assessment]) -> tuple[CampaignPair, ...]:
    sidecar = read_sidecar(find_sidecars(FOLDER)[0])
    return tuple(
        CampaignPair(id=id_, place=n, where=f"manifest.csv: line {n + 2}", from_file=False,
                     sidecar=replace(sidecar, id=id_), walked=None, given={"id": id_}, digest=id_)
        for n, id_ in enumerate(found))


def write(folder: Path, found: dict[str, Assessment], rig: StereoRig) -> Path:
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(Manifest(path=folder.parent / "manifest.csv", pairs=pairs_of(found)))
        for assessment in found.values():
            store.add(entry_of(assessment, rig, {}, drift=None, timings=TIMINGS))
        store.finish()
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sample pairs, every other for a rover that climbs more and with less confidence; one lone."""
    found: dict[str, Assessment] = {}
    chosen = find_sidecars(FOLDER)[::2]
    for n, path in enumerate(chosen):
        sidecar = read_sidecar(path)
        rover, rig = read_rover(sidecar.rover), read_rig(sidecar.rig)
        wider = n % 2 == 1
        rover = with_limits(rover, WIDE if wider else {})
        found[sidecar.id] = assess_pair(
            read_pair(path), rig, rover,
            Settings(headings_deg=HEADINGS, look_ahead_m=0.7,
                     confidence=0.9 if wider else 0.99))
    pair = replace(read_pair(chosen[0]), id="lone", right=None)
    found["lone"] = assess_pair(pair, rig, read_rover("dunlin-em"), Settings(headings_deg=(0.0,)))
    return write(tmp_path_factory.mktemp("sweep") / "run", found, rig)


@pytest.fixture
def run(folder: Path) -> Iterator[Run]:
    with open_run(folder) as opened:
        yield opened


def check(run: Run, swept: RunSweep, confidence: float | None = None) -> list[bool]:
    """Each heading at each value, by ``decide``; what it said."""
    told = []
    for place, id_ in enumerate(swept.ids):
        store = run.demands(id_)
        least = swept.least[swept.pair == place]
        assert swept.heading_deg[swept.pair == place].tolist() == [
            d.heading_deg for d in store.demands]
        for demand, first in zip(store.demands, least, strict=True):
            for i, value in enumerate(swept.values):
                limits = with_limits(store.rover, {swept.name: float(value)}).limits
                says = decide(demand, limits, confidence or store.settings.confidence,
                              pair_causes=store.pair_causes).verdict == "go"
                assert says == (i >= first)
                told.append(says)
    return told


@pytest.mark.parametrize(("name", "values", "confidence"), [
    ("step", STEPS[::3], None), ("gap", GAPS, None), ("belly", STEPS[::5] / 2, 0.6)])
def test_every_value_as_decide_says(
    run: Run, name: str, values: Floats, confidence: float | None
) -> None:
    """The other limits, and the confidence if none is given, are those of each pair."""
    swept = sweep_run(run, ROVER, name, values, beyond=BEYOND, confidence=confidence)
    told = check(run, swept, confidence)
    assert {True, False} == set(told)
    assert swept.decided.tolist() == (swept.least < len(values)).tolist()
    assert 0 < swept.decided.sum() < len(swept.pair)


def test_today_is_what_the_run_holds(run: Run) -> None:
    """With the confidence of the assessment, whatever is asked of the values."""
    surest = 1 - 1e-12
    swept = sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND, confidence=surest)
    assert len(judge_run(run, {}, surest).flipped) > 0
    told = judge_run(run, {}).headings
    assert np.array(swept.ids)[swept.pair].tolist() == told["pair"].tolist()
    assert swept.heading_deg.tolist() == told["heading_deg"].tolist()
    assert swept.today.tolist() == (told["before"] == "go").tolist()
    assert 0 < swept.today.sum() < len(swept.today)
    assert list(swept.ids) == sorted(swept.ids)
    assert (len(swept.ids) + 1, swept.without_ground) == (len(run.ids()), 1)


def test_the_value_of_today_tells_as_today(run: Run) -> None:
    swept = sweep_run(run, ROVER, "step", [0.05, 0.08], beyond=BEYOND)
    wider = np.array([run.demands(id_).rover.limits.step.value == 0.08 for id_ in swept.ids])
    assert {True, False} == set(wider.tolist())
    assert swept.today.tolist() == (swept.least <= wider[swept.pair]).tolist()


@pytest.mark.parametrize("name", ["step", "gap"])
def test_chances_as_from_the_full_demands(run: Run, name: str) -> None:
    swept = sweep_run(run, ROVER, name, STEPS, beyond=BEYOND)
    assert swept.chance.dtype == np.float32
    kept = ~np.isnan(swept.chance[:, 0])
    assert kept.tolist() == (~np.isnan(swept.chance).any(axis=1)).tolist()
    assert kept[swept.decided].all()
    assert kept.any()
    for i in np.nonzero(kept)[0]:
        demands = run.demands(swept.ids[swept.pair[i]]).demands
        demand = next(d for d in demands if d.heading_deg == swept.heading_deg[i])
        assert swept.chance[i] == pytest.approx(chance_beyond_of(demand, name, BEYOND), abs=1e-6)
    assert len(np.unique(swept.chance[kept])) > 5


def test_another_rover_does_not_matter(tmp_path: Path) -> None:
    """Legs of 45 mm, which no step of 190 mm is for."""
    path = find_sidecars(FOLDER)[0]
    rig, legs = read_rig(read_sidecar(path).rig), read_rover(ROVER)
    small = replace(legs, name="sanderling", digest="5" * 64,
                    legs=replace(legs.legs, length_m=0.045))
    own = assess_pair(replace(read_pair(path), id="own"), rig, legs,
                      Settings(headings_deg=(0.0,), look_ahead_m=0.7))
    other = replace(own, rover=small, pair=replace(own.pair, id="other"))
    write(tmp_path / "run", {"own": own, "other": other}, rig)
    with open_run(tmp_path / "run") as run:
        swept = sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND)
        assert (swept.rover, swept.ids, swept.without_ground) == (ROVER, ("own",), 0)
        assert sweep_run(run, "sanderling", "step", [0.02], beyond=BEYOND).ids == ("other",)
        with pytest.raises(RoverError, match=r"step = 0\.19"):
            sweep_run(run, "sanderling", "step", STEPS, beyond=BEYOND)
        with pytest.raises(HazcamError, match=r"of sandpiper \(its pairs assessed: 0\)"):
            sweep_run(run, "sandpiper", "step", STEPS, beyond=BEYOND)


def test_two_limits_together(run: Run) -> None:
    steps, others = STEPS / 5, np.array([0.005, 0.015, 0.1])
    swept = sweep_run(run, ROVER, "step", steps, beyond=BEYOND, other=("belly", others))
    assert swept.least.shape == (len(swept.pair), 3)
    assert (swept.other, swept.others.tolist()) == ("belly", others.tolist())
    assert swept.decided.tolist() == (swept.least[:, 2] < len(steps)).tolist()
    for m, value in enumerate(others):
        for step in (1, 5, 15):
            told = judge_run(run, {"step": float(steps[step]), "belly": float(value)}).headings
            assert (swept.least[:, m] <= step).tolist() == (told["after"] == "go").tolist()
    assert np.any(np.diff(swept.least, axis=1) < 0)
    assert len(np.unique(swept.least)) >= 3


def test_what_a_gist_leaves_open_is_decided(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """As if no gist could tell anything."""
    both = ("belly", [0.01, 0.1])
    whole, wholes = (sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND, other=other)
                     for other in (None, both))
    monkeypatch.setattr(gist, "_is_plain", lambda demand: False)
    stores = {id_: run.demands(id_) for id_, _, _ in run.gists()}
    odd = [(id_, "", gist.pack_gist(s.demands, s.pair_causes)) for id_, s in stores.items()]
    monkeypatch.setattr(Run, "gists", lambda self: iter(odd))
    for known, other in ((whole, None), (wholes, both)):
        found = sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND, other=other)
        assert found.least.tolist() == known.least.tolist()
        assert found.today.tolist() == known.today.tolist()
        assert found.chance == pytest.approx(known.chance, abs=1e-6, nan_ok=True)


def test_small_lots_give_the_same(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND)
    monkeypatch.setattr("hazcam.campaign.judging._AT_ONCE", 2)
    parts = sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND)
    assert parts.ids == whole.ids
    for name in ("pair", "least", "today", "heading_deg"):
        assert getattr(parts, name).tolist() == getattr(whole, name).tolist()
    assert parts.chance == pytest.approx(whole.chance, abs=0, nan_ok=True)


def test_a_sweep_cannot_be_changed(run: Run) -> None:
    mine = STEPS.copy()
    swept = sweep_run(run, ROVER, "step", mine, beyond=BEYOND)
    mine[0] = 0.001
    assert swept.values[0] == STEPS[0]
    for name in ("values", "beyond", "others", "pair", "least", "today", "chance", "heading_deg"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(swept, name)[...] = 0
    with pytest.raises(ValueError, match="today of a RunSweep has the shape"):
        replace(swept, today=swept.today[:-1])


def test_a_run_without_demands(tmp_path: Path) -> None:
    path = find_sidecars(FOLDER)[0]
    pair, rig = read_pair(path), read_rig(read_sidecar(path).rig)
    lone = assess_pair(replace(pair, id="lone", right=None), rig, read_rover("dunlin-em"),
                       Settings(headings_deg=(0.0,)))
    write(tmp_path / "run", {"lone": lone}, rig)
    with open_run(tmp_path / "run") as run, pytest.raises(
            HazcamError, match=r"no demands of headings of dunlin-em \(its pairs assessed: 1\)"):
        sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND)


@pytest.mark.parametrize(("name", "values", "error", "words"), [
    ("step", [0.05, 5.0], RoverError, "step = 5 m"),
    ("step", [-0.01, 0.05], RoverError, "step = -0.01"),
    ("slope", [10.0, 95.0], RoverError, "slope = 95"),
    ("contact", [0.05], RoverError, "unknown limit 'contact'"),
    ("step", [0.05, 0.04], ValueError, "values of step that ascend"),
    ("step", [], ValueError, "values of step that ascend"),
])
def test_values_that_no_limit_has(
    run: Run, name: str, values: list[float], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        sweep_run(run, ROVER, name, values, beyond=BEYOND)


def test_what_else_cannot_be_swept(run: Run) -> None:
    with pytest.raises(ValueError, match="found step twice"):
        sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND, other=("step", STEPS))
    with pytest.raises(RoverError, match="drop = 7 m"):
        sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND, other=("drop", [7.0]))
    with pytest.raises(ValueError, match=r"confidence 1\.5 is not between"):
        sweep_run(run, ROVER, "step", STEPS, beyond=BEYOND, confidence=1.5)
    with pytest.raises(ValueError, match="values of step that ascend"):
        sweep_run(run, ROVER, "step", STEPS, beyond=[0.1, 0.1])
