"""How long it takes to hold the stored demands of a whole campaign against other limits.

    python -m tests.benchmarks.judging --pairs 10000 --set DIR

The sample pairs, and those of a folder of rendered scenes, are assessed once and then repeated with
small seeded changes of their demands, until the run has as many pairs as asked for. With
``--all-judged`` no heading keeps what makes it ask whatever the limits, and what was not seen is
filled: the most that a campaign of so many pairs could ever take. The file has just been written,
so that the system still has it in memory.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from hazcam import Settings, assess_pair, read_rover
from hazcam.assess import Assessment, rig_causes
from hazcam.calibration import StereoRig, read_rig
from hazcam.campaign import Run, open_run
from hazcam.campaign.judging import RunJudgement, judge_run
from hazcam.campaign.record import CampaignPair, Manifest, PairEntry
from hazcam.campaign.store.writer import Store
from hazcam.errors import HazcamError
from hazcam.imagery import Sidecar, find_sidecars, read_pair, read_sidecar
from hazcam.report import as_record
from hazcam.report.entry import entry_of
from hazcam.report.record import Record
from hazcam.rover import with_limits
from hazcam.stored_npz import demands_bytes
from hazcam.verdict import HeadingDemand, decide
from hazcam.verdict.gist import join_gists, pack_gist
from hazcam.verdict.record import LIMIT_OF, MEASURED
from tests.campaign.entries import ABOUT

SAMPLES = Path(__file__).parents[2] / "sample_pairs"
LIMITS = {"step": 0.09, "drop": 0.09, "belly": 0.09, "slope": 30.0, "roll": 25.0, "gap": 0.11}
CONFIDENCE = 0.95
CHECKED = 0.02
TIMINGS: Any = {"finished_at": "2031-06-01T00:00:00+00:00", "tries": 1}


@dataclass(frozen=True)
class Base:
    """One pair, assessed, and what a campaign keeps of it."""

    sidecar: Sidecar
    found: Assessment
    record: Record
    entry: PairEntry


def bases(folders: list[Path], most: int) -> Iterator[Base]:
    """The pairs with stereo of some folders, assessed."""
    for path in [p for folder in folders for p in find_sidecars(folder)[:most]]:
        try:
            sidecar = read_sidecar(path)
            rig: StereoRig = read_rig(sidecar.rig)
            found = assess_pair(read_pair(path), rig, read_rover(sidecar.rover), Settings())
        except HazcamError:
            continue
        if found.terrain is not None:
            yield Base(sidecar, found, as_record(found, inputs={}),
                       entry_of(found, rig, {}, drift=None, timings=TIMINGS))


def changed(demand: HeadingDemand, rng: np.random.Generator, all_judged: bool) -> HeadingDemand:
    """The same heading with demands a little higher or lower, station by station."""
    values, sigma = {}, {}
    for name in MEASURED:
        value, own = getattr(demand, name), demand.sigma[name]
        if all_judged:
            value, own = filled(demand, name, rng)
        values[name] = value * rng.uniform(0.9, 1.1) * rng.uniform(0.95, 1.05, len(value))
        sigma[name] = own
    demand = replace(demand, **values, sigma=sigma)
    if not all_judged:
        return demand
    return replace(demand, outside=np.zeros_like(demand.outside), turn_assumed=True,
                   assumed_m=min(demand.assumed_m, 0.2), hidden_m=0 * demand.station_m,
                   seen_share=np.ones_like(demand.seen_share))


def filled(
    demand: HeadingDemand, name: str, rng: np.random.Generator
) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], ...]:
    """Demand and sigma with low values where nothing is known."""
    value, own = getattr(demand, name).copy(), demand.sigma[name].copy()
    limit = getattr(read_rover("dunlin-em").limits, LIMIT_OF.get(name, name)).value
    unknown = ~np.isfinite(value)
    value[unknown] = limit * rng.uniform(0.05, 0.3, int(unknown.sum()))
    own[unknown] = limit * rng.uniform(0.02, 0.08, int(unknown.sum()))
    return value, own


def write_run(folder: Path, found: list[Base], pairs: int, all_judged: bool) -> None:
    rng = np.random.default_rng(1)
    ids = [f"pair-{n:05d}" for n in range(pairs)]
    manifest = Manifest(path=folder.parent / "manifest.csv", pairs=tuple(
        CampaignPair(id=id_, place=n, where=f"manifest.csv: line {n + 2}", from_file=False,
                     sidecar=replace(found[n % len(found)].sidecar, id=id_), walked=None,
                     given={"id": id_}, digest=id_) for n, id_ in enumerate(ids)))
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(manifest)
        for n, id_ in enumerate(ids):
            store.add(entry(found[n % len(found)], id_, rng, all_judged))
        store.finish()


def entry(base: Base, id_: str, rng: np.random.Generator, all_judged: bool) -> PairEntry:
    a = base.found
    found = replace(a, pair=replace(a.pair, id=id_),
                    demands=tuple(changed(d, rng, all_judged) for d in a.demands))
    if all_judged:
        found = replace(found, epipolar=None)
    causes = () if found.epipolar is None else rig_causes(found.epipolar)
    rows = {name: [{**row, "pair": id_} if "pair" in row else row for row in table]
            for name, table in base.entry.rows.items() if name not in ("terrains", "overlays")}
    rows["demands"] = [{"pair": id_, "npz": demands_bytes(found, base.record),
                        "gist": pack_gist(found.demands, causes)}]
    return PairEntry(id=id_, rows=rows, timings=base.entry.timings)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=10_000)
    parser.add_argument("--set", type=Path, action="append", default=[], metavar="DIR")
    parser.add_argument("--most", type=int, default=30, help="scenes of each set")
    parser.add_argument("--all-judged", action="store_true")
    given = parser.parse_args()
    found = list(bases([SAMPLES, *given.set], given.most))
    with tempfile.TemporaryDirectory() as folder:
        write_run(Path(folder) / "run", found, given.pairs, given.all_judged)
        with open_run(Path(folder) / "run") as run:
            tell(run, given.pairs)


def tell(run: Run, pairs: int) -> None:
    judge_run(run, LIMITS)  # the loops are loaded
    begun = time.perf_counter()
    size = sum(len(gist) for _, _, gist in run.gists())
    read_s = time.perf_counter() - begun
    begun = time.perf_counter()
    judged = judge_run(run, LIMITS, CONFIDENCE)
    whole_s = time.perf_counter() - begun
    kinds = np.concatenate([join_gists([gist]).kind for _, _, gist in run.gists()])
    checked, wrong = check(run, judged, pairs)
    print(f"{judged.pairs} pairs, {len(judged.headings)} headings, of which limits decide "
          f"{np.mean(kinds == 1):.1%}; gists {size / 1e6:.0f} MB")
    print(f"reading alone {read_s:.2f} s; reading, judging before and after {whole_s:.2f} s")
    print(f"go before {np.sum(judged.headings['before'] == 'go')}, after "
          f"{np.sum(judged.headings['after'] == 'go')}, flipped {len(judged.flipped)}")
    print(f"left to the full demands {judged.undecided}; checked by decide {checked} headings, "
          f"other verdicts {wrong}")


def check(run: Run, judged: RunJudgement, pairs: int) -> tuple[int, int]:
    """Headings of some pairs, judged from their full demands."""
    rng = np.random.default_rng(2)
    checked = wrong = 0
    for id_ in rng.choice(run.ids(), max(int(CHECKED * pairs), 1), replace=False):
        store = run.demands(str(id_))
        limits = with_limits(store.rover, LIMITS).limits
        says = [decide(d, limits, CONFIDENCE, pair_causes=store.pair_causes).verdict
                for d in store.demands]
        told = judged.headings["after"][judged.headings["pair"] == id_]
        checked += len(says)
        wrong += int(np.sum(told != np.array(says)))
    return checked, wrong


if __name__ == "__main__":
    main()
