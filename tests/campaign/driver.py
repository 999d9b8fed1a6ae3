"""A run of made-up pairs by real processes, to be killed: ``main(RUN)`` in a process of its own.

The same store, loop, pool and hands as ``hazcam batch``; what is made up is only the work on a
pair, which takes a few hundredths of a second: it was prepared before, so that processes start
fast.
"""

from __future__ import annotations

import pickle
import time
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from hazcam.campaign.record import Manifest, PairEntry, PairFailure, Row
from hazcam.campaign.store.writer import Store
from hazcam.campaign.work.executors import Workforce, local_pool
from hazcam.campaign.work.runner import Answer, answers, work_off

PAIRS = 240
LIMIT_S = 60.0
_WORK_S = 0.05


@dataclass(frozen=True)
class Made:
    """A pair to make up, from what was prepared of it."""

    id: str
    prepared: Path


def prepare(folder: Path, pairs: int = PAIRS) -> None:
    """Write manifest and answers into ``folder/prepared``; each seventh pair or so fails."""
    import numpy as np

    from tests.campaign.entries import ABOUT, make_campaign, make_entry

    prepared = folder / "prepared"
    prepared.mkdir()
    manifest = make_campaign(folder, pairs).manifest
    (prepared / "manifest").write_bytes(pickle.dumps((ABOUT, manifest)))
    for pair in manifest.pairs:
        rng = np.random.default_rng(zlib.crc32(pair.id.encode()))
        answer: Answer = PairFailure(id=pair.id, kind="failed", where=pair.id, found="a bad one",
                                     expected="a good one", remedy="none")
        if rng.integers(7):
            entry, blob = make_entry(pair, rng), rng.bytes(50_000)
            rows: dict[str, Sequence[Row]] = {
                **entry.rows, "demands": [{"pair": pair.id, "npz": blob, "gist": blob[:100]}],
                "terrains": [{"pair": pair.id, "npz": blob}]}
            answer = replace(entry, rows=rows, timings={"assess_s": _WORK_S})
        (prepared / pair.id).write_bytes(pickle.dumps(answer))


def made_up(work: Made) -> PairEntry | PairFailure:
    """The same answer for the same pair, whoever gives it."""
    time.sleep(_WORK_S)
    answer: PairEntry | PairFailure = pickle.loads((work.prepared / work.id).read_bytes())
    return answer


def main(run: Path) -> None:
    with local_pool(2) as force:
        record(run, force)


def record(run: Path, force: Workforce) -> None:
    """Begin a run, or go on with it, to its end; what was prepared lies beside it."""
    prepared = run.parent / "prepared"
    about, manifest = pickle.loads((prepared / "manifest").read_bytes())
    assert isinstance(manifest, Manifest)
    with Store.open(run, about) as store:
        store.add_pairs(manifest)
        settled = store.settled()
        todo = [Made(pair.id, prepared) for pair in manifest.pairs if pair.id not in settled]
        work_off(store, answers(todo, made_up, force, LIMIT_S), lambda _: None)
        store.finish()
