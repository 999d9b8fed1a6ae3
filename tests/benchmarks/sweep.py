"""How long it takes to hold the stored demands of a whole campaign against every value of a limit.

    python -m tests.benchmarks.sweep --set DIR [--all-judged] [--pairs 2500 --pairs 10000]

Runs as those of ``tests.benchmarks.judging`` are swept at 1 000 values of a limit, with the chance
beyond 24 of them, in a process of its own: time with reading, and the most memory that it ever
took. Headings and values drawn with a seed are held against what ``decide`` says of them.
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from hazcam.campaign import Run, open_run
from hazcam.rover import with_limits
from hazcam.tuning.sweep import RunSweep, sweep_run
from hazcam.verdict import decide
from tests.benchmarks.judging import SAMPLES, Base, bases, write_run

VALUES = {"step": np.linspace(0.0, 0.2, 1000), "belly": np.linspace(0.0, 0.2, 1000),
          "slope": np.linspace(0.0, 45.0, 1000), "gap": np.linspace(0.0, 0.3, 1000)}
OTHER = ("drop", np.linspace(0.02, 0.2, 50))
CHANCES = 24
ROVER = "dunlin-em"  # of all sample pairs
CHECKED_PAIRS, CHECKED_NEAR, CHECKED_ANYWHERE = 40, 4, 2


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, action="append", default=[], metavar="N")
    parser.add_argument("--set", type=Path, action="append", default=[], metavar="DIR")
    parser.add_argument("--most", type=int, default=30, help="scenes of each set")
    parser.add_argument("--all-judged", action="store_true")
    given = parser.parse_args()
    found = list(bases([SAMPLES, *given.set], given.most))
    for pairs in given.pairs or (2_500, 5_000, 10_000):
        sweep_of(found, pairs, given.all_judged)


def sweep_of(found: Sequence[Base], pairs: int, all_judged: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run"
        write_run(run, list(found), pairs, all_judged)
        with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as own:
            print("\n".join(own.submit(measured, run).result()), flush=True)


def measured(folder: Path) -> list[str]:
    """Sweeps, in this process."""
    with open_run(folder) as run:
        some = sweep(run, "step")  # the loops are loaded
        lines = [f"{len(some.ids)} pairs, {len(some.pair)} headings, of which a limit may decide "
                 f"{np.mean(np.isfinite(some.chance[:, 0])):.1%}"]
        times = {}
        for name in VALUES:
            begun = time.perf_counter()
            sweep(run, name)
            times[name] = time.perf_counter() - begun
        begun = time.perf_counter()
        sweep_run(run, ROVER, "step", VALUES["step"], beyond=[0.05], other=OTHER)
        both_s = time.perf_counter() - begun
        memory_mb = most_memory_mb()
        lines += ["  " + ", ".join(f"{name} {s:.2f} s" for name, s in times.items())
                  + f", step by {len(OTHER[1])} of {OTHER[0]} {both_s:.2f} s; {memory_mb:.0f} MB"]
        checked, wrong, goes = check(run, some)
    return [*lines, f"  checked by decide {checked} verdicts of {CHECKED_PAIRS} pairs, "
                    f"go {goes}, other ones {wrong}"]


def most_memory_mb() -> float:
    """The most that this process ever held, of Linux; ``ru_maxrss`` starts at its parent's."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found is not None
    return float(found[1]) / 1e3


def sweep(run: Run, name: str) -> RunSweep:
    return sweep_run(run, ROVER, name, VALUES[name],
                     beyond=np.linspace(VALUES[name][0], VALUES[name][-1], CHANCES))


def check(run: Run, swept: RunSweep) -> tuple[int, int, int]:
    """Headings of some pairs at some values, judged from their full demands."""
    rng = np.random.default_rng(2)
    checked = wrong = goes = 0
    for pair in rng.choice(len(swept.ids), min(CHECKED_PAIRS, len(swept.ids)), replace=False):
        store = run.demands(swept.ids[pair])
        least = swept.least[swept.pair == pair]
        # Where a verdict turns, and anywhere.
        near = np.unique(np.clip(np.concatenate([least - 1, least]), 0, len(swept.values) - 1))
        for place in (*rng.permutation(near)[:CHECKED_NEAR],
                      *rng.integers(len(swept.values), size=CHECKED_ANYWHERE)):
            limits = with_limits(store.rover, {swept.name: swept.values[place]}).limits
            says = [decide(d, limits, store.settings.confidence,
                           pair_causes=store.pair_causes).verdict == "go" for d in store.demands]
            wrong += int(np.sum(np.array(says) != (least <= place)))
            goes += sum(says)
            checked += len(says)
    return checked, wrong, goes


if __name__ == "__main__":
    main()
