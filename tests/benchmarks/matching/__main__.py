"""Matching: accuracy, time, size, robustness, traps, and rendered ground, beside its peers.

Prints tables in Markdown. Definitions are in ``scores.py``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks.matching import (
    accuracy,
    ground,
    pandora_peer,
    robustness,
    scenes,
    synthetic,
    timing,
    traps,
)
from tests.benchmarks.matching.tables import Table

Asked = argparse.Namespace
# In this order: memory is measured before this process itself grows.
_PARTS = ("size", "accuracy", "time", "robustness", "traps", "ground")
_BY_DEFAULT = _PARTS[:-1]


def _size(asked: Asked) -> list[Table]:
    sizes = timing.SIZES
    peaks = timing.peaks_mb(sizes)
    return [timing.size_table(sizes, timing.measure_sizes(sizes, asked.rounds), peaks)]


def _seeds(asked: Asked) -> tuple[str, tuple[int, ...]]:
    if asked.report_seeds:
        return "report", synthetic.REPORT_SEEDS
    return "tune", synthetic.TUNE_SEEDS


def _accuracy(asked: Asked) -> list[Table]:
    found, missing = scenes.public_scenes(asked.cones)
    block, seeds = _seeds(asked)
    if not pandora_peer.is_installed():
        missing.append(pandora_peer.MISSING)
    runs = [] if asked.synthetic_only else accuracy.run_all(found)
    tables = [make(runs) for make in (accuracy.accuracy_table, accuracy.gain_table,
                                      accuracy.sigma_table, accuracy.gate_table) if runs]
    for message in missing if runs else ():
        print(message)
    return tables + accuracy.synthetic_tables([synthetic.synthetic(s) for s in seeds], block)


def _time(asked: Asked) -> list[Table]:
    return [timing.time_table(timing.measure_time(asked.rounds))]


def _robustness(asked: Asked) -> list[Table]:
    found = [synthetic.synthetic(_seeds(asked)[1][0]).scene]
    if not asked.synthetic_only:
        public = scenes.public_scenes(asked.cones)[0]
        found = [s for s in public if s.name != "Aloe"] + found
    return [robustness.robustness_table(found)]


def _traps(asked: Asked) -> list[Table]:
    return [traps.trap_table()]


def _ground(asked: Asked) -> list[Table]:
    return ground.ground_tables(ground.measure(asked.set))


_MAKERS: dict[str, Callable[[Asked], list[Table]]] = {
    "size": _size, "accuracy": _accuracy, "time": _time, "robustness": _robustness,
    "traps": _traps, "ground": _ground}


def parser() -> argparse.ArgumentParser:
    """The command line."""
    made = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.matching", description=(__doc__ or "").splitlines()[0])
    made.add_argument(
        "parts", nargs="*", metavar="PART",
        help=f"what to measure: {', '.join(_PARTS)}; by default all but ground")
    made.add_argument("--set", type=Path, metavar="DIR",
                      help="for ground: a rehearsal as `hazcam rehearse -o DIR` leaves it")
    made.add_argument("--cones", type=Path, metavar="ARCHIVE",
                      help="source archive of pandora 1.9.0, which holds the Cones pair")
    made.add_argument("--report-seeds", action="store_true",
                      help="synthetic pairs of the seeds kept for reporting, not those to tune on")
    made.add_argument("--synthetic-only", action="store_true",
                      help="leave the public pairs out: they must not be tuned on")
    made.add_argument("--rounds", type=int, default=9, metavar="N",
                      help="rounds of time and size (default: %(default)s)")
    made.add_argument("--out", type=Path, metavar="FILE",
                      help="write the tables there too, and as JSON beside")
    return made


def arguments(words: list[str] | None = None) -> Asked:
    """Read and check the command line."""
    made = parser()
    asked = made.parse_args(words)
    unknown = [part for part in asked.parts if part not in _PARTS]
    if unknown:
        made.error(f"{unknown[0]!r} is none of {', '.join(_PARTS)}")
    asked.parts = asked.parts or list(_BY_DEFAULT)
    if "ground" in asked.parts:
        _check_set(made, asked.set)
    if asked.rounds < 1:
        made.error(f"--rounds is {asked.rounds}: give 1 or more")
    return asked


def _check_set(made: argparse.ArgumentParser, folder: Path | None) -> None:
    if folder is None:
        made.error("ground needs --set DIR, a rehearsal as `hazcam rehearse -o DIR` leaves it")
    if not (folder / "scenes").is_dir():
        made.error(f"{folder} has no folder scenes: give a rehearsal as `hazcam rehearse -o DIR` "
                   "leaves it")


def main() -> None:
    """Measure and print."""
    asked = arguments()
    tables: list[Table] = []
    for part in _PARTS:
        if part in asked.parts:
            made = _MAKERS[part](asked)
            print("\n".join(table.markdown() for table in made), flush=True)
            tables += made
    if asked.out:
        asked.out.parent.mkdir(parents=True, exist_ok=True)
        asked.out.write_text("\n".join(table.markdown() for table in tables))
        asked.out.with_suffix(".json").write_text(
            json.dumps([table.record() for table in tables], indent=1))


if __name__ == "__main__":
    main()
