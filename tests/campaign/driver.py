"""A run of made-up pairs by real processes, to be killed: ``main(RUN)`` in a process of its own.

The same store, loop, pool and hands as ``hazcam batch``; what is made up is only the work on a
pair, which takes a few hundredths of a second.
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hazcam.campaign.executors import Workforce, local_pool
from hazcam.campaign.record import CampaignPair, PairEntry, PairFailure, Row
from hazcam.campaign.runner import Answer, answers, work_off
from hazcam.campaign.store import Store
from tests.campaign.entries import ABOUT, make_campaign, make_entry

PAIRS = 240
LIMIT_S = 60.0
_WORK_S = 0.05


@dataclass(frozen=True)
class Made:
    """A pair to make up."""

    pair: CampaignPair

    @property
    def id(self) -> str:
        return self.pair.id


def made_up(work: Made) -> Answer:
    """The same entry for the same pair, whoever makes it up; each seventh fails."""
    time.sleep(_WORK_S)
    seed = zlib.crc32(work.id.encode())
    if seed % 7 == 0:
        return PairFailure(id=work.id, kind="failed", where=work.id, found="a bad one",
                           expected="a good one", remedy="none")
    entry = make_entry(work.pair, np.random.default_rng(seed))
    blob = np.random.default_rng(seed).bytes(50_000)
    rows: dict[str, Sequence[Row]] = {
        **entry.rows, "demands": [{"pair": work.id, "npz": blob, "gist": blob[:100]}],
        "terrains": [{"pair": work.id, "npz": blob}]}
    return PairEntry(id=work.id, rows=rows, timings={"assess_s": _WORK_S})


def main(folder: Path) -> None:
    with local_pool(2) as force:
        record(folder, force, PAIRS)


def record(folder: Path, force: Workforce, pairs: int) -> None:
    """Begin a run, or go on with it, to its end."""
    manifest = make_campaign(folder.parent, pairs).manifest
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(manifest)
        settled = store.settled()
        todo = [Made(pair) for pair in manifest.pairs if pair.id not in settled]
        work_off(store, answers(todo, made_up, force, LIMIT_S), lambda _: None)
        store.finish()
