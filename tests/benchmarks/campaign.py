"""The campaign: throughput, memory and overhead of `hazcam batch`, and kills on real pairs.

    python -m tests.benchmarks.campaign throughput [--pairs 300] [--set DIR ...]
    python -m tests.benchmarks.campaign long [--pairs 2000] [--set DIR ...]
    python -m tests.benchmarks.campaign kills [--pairs 120] [--kills 20] [--set DIR ...]

Pairs are those of ``sample_pairs`` and of rendered sets (``--set``: folders with sidecars),
repeated with small seeded changes of their pixels. Everything of one call runs one after the other
on the same machine; read the ratios.

throughput
    Seconds for all pairs: two independent processes of one thread, each with a half of them, which
    assess and make up what is kept but neither schedule nor store; `hazcam batch --workers 2`; and
    `hazcam batch --cluster` on a Dask cluster of two local workers that is running already.
long
    Memory of the parent process from pair 200 to the end; what store and scheduling take, as a
    share of the time that assessing takes.
kills
    `hazcam batch` killed by SIGKILL, the parent or a process that works, at random moments; then
    left alone; its tables against those of a run that nobody disturbed.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from hazcam.imagery import Sidecar, find_sidecars, read_sidecar
from tests.campaign.test_kills import hands_of, rows, settled

_SAMPLE_PAIRS = Path(__file__).parents[2] / "sample_pairs"
_FIRST = 200  # pairs after which the memory of the parent is to stay as it is
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("throughput", "long", "kills"))
    parser.add_argument("--pairs", type=int)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--set", type=Path, action="append", default=[], dest="sets")
    parser.add_argument("--half", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.half:
        _assess_half(Path(asked.half))
        return
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        if asked.what == "throughput":
            _throughput(place, asked.pairs or 300, asked.sets)
        elif asked.what == "long":
            _long(place, asked.pairs or 2000, asked.sets)
        else:
            _kills(place, asked.pairs or 120, asked.kills, asked.sets)


# --- pairs ----------------------------------------------------------------------------------------


def _make_pairs(folder: Path, count: int, sets: list[Path]) -> Path:
    """A folder of so many sidecars with their pictures, no two alike."""
    folder.mkdir()
    sources = [read_sidecar(path) for place in (_SAMPLE_PAIRS, *sets)
               for path in find_sidecars(place)]
    for number in range(count):
        _vary(sources[number % len(sources)], folder, number)
    return folder


def _vary(source: Sidecar, folder: Path, number: int) -> None:
    rng = np.random.default_rng(number)
    said = json.loads(source.path.read_text(encoding="utf-8"))
    said |= {"id": f"pair-{number:05d}", "rig": str(source.rig.resolve())}
    said.pop("previous", None)
    for side, path in (("left", source.left), ("right", source.right)):
        picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        assert picture is not None
        changed = picture.astype(np.int32) + rng.integers(-1, 2, picture.shape)
        name = f"pair-{number:05d}.{side}.png"
        top = 255 if picture.dtype == np.uint8 else 65535
        cv2.imwrite(str(folder / name), np.clip(changed, 0, top).astype(picture.dtype),
                    [cv2.IMWRITE_PNG_COMPRESSION, 1])
        said[side] = name
    (folder / f"pair-{number:05d}.pair.json").write_text(json.dumps(said), encoding="utf-8")


def _batch(pairs: Path, run: Path, *options: str) -> list[str]:
    return [sys.executable, "-c", "from hazcam.cli import main; main()", "batch", str(pairs), "-o",
            str(run), *options]


def _run(command: list[str], **more: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, **more},
                          check=False)
    if done.returncode:
        sys.exit(done.stderr)


# --- throughput -----------------------------------------------------------------------------------


def _throughput(place: Path, count: int, sets: list[Path]) -> None:
    from distributed import LocalCluster

    pairs = _make_pairs(place / "pairs", count, sets)
    halves = [place / "half-1.txt", place / "half-2.txt"]
    sidecars = find_sidecars(pairs)
    for half, path in enumerate(halves):
        path.write_text("\n".join(str(p) for p in sidecars[half::2]), encoding="utf-8")
    times = {"two independent processes": _timed(lambda: _side_by_side(halves))}
    times["batch --workers 2"] = _timed(
        lambda: _run(_batch(pairs, place / "local", "--workers", "2")))
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0",
                      host="127.0.0.1") as cluster:
        address = cluster.scheduler_address
        times["batch --cluster, two workers"] = _timed(
            lambda: _run(_batch(pairs, place / "cluster", "--cluster", address)))
    same = rows(place / "local") == rows(place / "cluster")
    alone, local, dask = times.values()
    print(f"| {count} pairs | seconds | pairs/s | ratio |\n|---|---|---|---|")
    for name, seconds, ratio in zip(
            times, times.values(), ("", f"{alone / local:.2f} of the two processes",
                                    f"{local / dask:.2f} of the local pool"), strict=True):
        print(f"| {name} | {seconds:.1f} | {count / seconds:.2f} | {ratio} |")
    print(f"\nsame rows in all tables but timings, local and cluster: {'yes' if same else 'NO'}")


def _timed(act: Callable[[], None]) -> float:
    begun = time.perf_counter()
    act()
    return time.perf_counter() - begun


def _side_by_side(halves: list[Path]) -> None:
    started = [subprocess.Popen([sys.executable, "-m", "tests.benchmarks.campaign", "throughput",
                                 "--half", str(half)], env={**os.environ, **_ONE_THREAD})
               for half in halves]
    if any(process.wait() for process in started):
        sys.exit("an independent process failed")


def _assess_half(listed: Path) -> None:
    """One of the independent processes: the work on each pair, and nothing else."""
    from hazcam.campaign.manifest.io import read_manifest
    from hazcam.campaign.record import PairEntry
    from hazcam.cli.work import Assess, assess_campaign_pair
    from hazcam.settings import Settings

    cv2.setNumThreads(1)
    wanted = {Path(line).resolve() for line in listed.read_text(encoding="utf-8").splitlines()}
    manifest = read_manifest(next(iter(wanted)).parent)
    for pair in manifest.pairs:
        if pair.sidecar.path.resolve() in wanted:
            work = Assess(pair=pair, folder=listed.parent, limits={}, margin_m=None,
                          settings=Settings(), with_drift=pair.place % 10 == 0)
            assert isinstance(assess_campaign_pair(work), PairEntry)


# --- memory and overhead --------------------------------------------------------------------------


@dataclass(frozen=True)
class _Moment:
    done: int
    memory_mb: float


def _long(place: Path, count: int, sets: list[Path]) -> None:
    pairs, run = _make_pairs(place / "pairs", count, sets), place / "run"
    process = subprocess.Popen(_batch(pairs, run, "--workers", "2"), stdout=subprocess.DEVNULL,
                               stderr=subprocess.DEVNULL)
    moments: list[_Moment] = []
    while process.poll() is None:
        memory = _memory_mb(process.pid)
        if memory is not None:
            moments.append(_Moment(settled(run), memory))
        time.sleep(1.0)
    if process.returncode:
        sys.exit(f"the batch ended with {process.returncode}")
    working = [m for m in moments if _FIRST <= m.done < count]
    at, most = working[0].memory_mb, max(m.memory_mb for m in working)
    last = working[-1].memory_mb
    print(f"memory of the parent: {at:.0f} MB at pair {working[0].done}, at most {most:.0f} MB "
          f"({100 * (most / at - 1):+.1f} %), at the end {last:.0f} MB "
          f"({100 * (last / at - 1):+.1f} %)")
    _print_overhead(run)
    size = (run / "run.sqlite").stat().st_size
    print(f"store: {size / 1e6:.0f} MB, {size / count / 1e3:.0f} kB a pair")


def _memory_mb(pid: int) -> float | None:
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return None
    found = [line.split()[1] for line in status.splitlines() if line.startswith("VmRSS")]
    return int(found[0]) / 1024 if found else None


def _print_overhead(run: Path) -> None:
    db = sqlite3.connect(run / "run.sqlite")
    # The first pairs of each process wait for it to start.
    sums = db.execute(
        "SELECT sum(assess_s), sum(ifnull(drift_s, 0)), sum(evidence_s), sum(pack_s), "
        "sum(write_s), sum(handed_s - assess_s - ifnull(drift_s, 0) - evidence_s - pack_s) "
        "FROM timings WHERE pair NOT IN (SELECT pair FROM timings ORDER BY finished_at LIMIT 4)"
    ).fetchone()
    db.close()
    assess, drift, evidence, pack, write, rest = sums
    print("| | seconds | of assessing |\n|---|---|---|")
    for name, seconds in (("assessing", assess), ("drift, on every tenth pair", drift),
                          ("record, quality, overlay", evidence), ("packing", pack),
                          ("writing", write), ("scheduling, there and back", rest),
                          ("store and scheduling", pack + write + rest)):
        print(f"| {name} | {seconds:.1f} | {100 * seconds / assess:.1f} % |")


# --- kills ----------------------------------------------------------------------------------------


def _kills(place: Path, count: int, kills: int, sets: list[Path]) -> None:
    pairs = _make_pairs(place / "pairs", count, sets)
    _run(_batch(pairs, place / "undisturbed", "--workers", "2"))
    rng = np.random.default_rng(1)
    command, run = _batch(pairs, place / "killed", "--workers", "2"), place / "killed"
    process = _started(command)
    of_parent = 0
    at: list[int] = []
    for _ in range(kills):
        time.sleep(float(rng.uniform(0.5, 6.0)))
        if process.poll() is not None:
            sys.exit(f"done before kill {len(at) + 1}: give more --pairs")
        at.append(settled(run))
        hands = hands_of(process.pid)
        if hands and rng.random() < 0.5:
            os.kill(int(rng.choice(hands)), signal.SIGKILL)
            continue
        of_parent += 1
        process.kill()
        process.wait()
        process = _started(command)
    code = process.wait()
    undisturbed, killed = rows(place / "undisturbed"), rows(run)
    print(f"{kills} kills, {of_parent} of the parent, at pairs {at}; exit status {code}")
    for name, expected in undisturbed.items():
        same = "same" if killed[name] == expected else "DIFFERENT"
        print(f"  {name}: {len(expected)} rows, {same}")


def _started(command: list[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


if __name__ == "__main__":
    main()
