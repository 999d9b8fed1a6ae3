"""Scoring a set of rendered scenes in several processes; what is done is never done again."""

from __future__ import annotations

import hashlib
import multiprocessing
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

import cv2
import numba

from hazcam.errors import HazcamError
from hazcam.imagery.sidecar import parse_sidecar
from hazcam.rover.profile import RoverProfile
from hazcam.scene.io import read_truth, truth_path, truth_pictures
from hazcam.scene.rehearsal.files import read_score, write_score
from hazcam.scene.rehearsal.ledger import code_digest
from hazcam.scene.rehearsal.record import NO_ERRORS, NO_HEIGHTS, Plan, SceneScore

_SUFFIX = ".pair.json"
_DIED = "the process that scored it died (out of memory, or killed)"

Score = Callable[[Path, Plan, RoverProfile], SceneScore]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Job:
    """One scene to score, as it goes to another process."""

    sidecar: Path
    plan: Plan
    rover: RoverProfile
    folder: Path
    key: str
    score: Score

    @property
    def name(self) -> str:
        return self.sidecar.name.removesuffix(_SUFFIX)

    def cached(self) -> SceneScore | None:
        return read_score(self.folder, self.name, self.key)


def score_set(
    sidecars: Sequence[Path], plan: Plan, rover: RoverProfile, folder: Path, workers: int,
    score: Score,
) -> Iterator[SceneScore]:
    """Score scenes, in their order; each is kept in ``folder/scores`` as soon as it is done.

    A score is taken from there if every file that it came from (see :func:`score_key`), the rover,
    the plan and the code are the same.

    Parameters
    ----------
    sidecars : sequence of Path
        Of rendered scenes, with their truth beside them; no two of one name.
    plan : Plan
        What is scored.
    rover : RoverProfile
        Its limits are set by ``score`` from the plan.
    folder : Path
        Of the rehearsal.
    workers : int
        Processes, each of one thread.
    score : callable
        ``score(sidecar, plan, rover) -> SceneScore``; of a module, as it runs in other processes.

    Yields
    ------
    SceneScore
        One that could not be scored has ``failure`` set and no rows; it is tried again next time.

    Raises
    ------
    ValueError
        Two sidecars of one name, or no worker.
    OutputError
        A score cannot be written.
    """
    if workers < 1:
        raise ValueError(f"workers are 1 or more, got {workers}")
    names = [path.name for path in sidecars]
    if len(set(names)) < len(names):
        raise ValueError("sidecars of one name would overwrite each other's score")
    code = code_digest()
    jobs = [_Job(sidecar=path, plan=plan, rover=rover, folder=folder, score=score,
                 key=score_key(path, plan, rover, code)) for path in sidecars]
    return _scores(jobs, workers)


def _scores(jobs: Sequence[_Job], workers: int) -> Iterator[SceneScore]:
    kept = {job.name: job.cached() for job in jobs}
    computed = _computed([job for job in jobs if kept[job.name] is None], workers)
    for job in jobs:
        yield kept.pop(job.name) or next(computed)


def score_key(sidecar: Path, plan: Plan, rover: RoverProfile, code: str) -> str:
    """Digest of the plan, the rover, the sources and the bytes of every file that is scored.

    The files are the sidecar with its two pictures and its rig, and the truth with its pictures.
    A file that is not there counts as such. Versions of libraries are not in it.

    ``code`` is the digest of the sources.
    """
    digest = hashlib.sha256()
    for part in (repr(plan), rover.digest, code, *map(_file_digest, _files(sidecar))):
        digest.update(f"{part}\n".encode())
    return digest.hexdigest()


def _files(sidecar: Path) -> Iterator[Path]:
    """All that a score is read from; their names are in the first two, which come first."""
    truth = truth_path(sidecar)
    yield sidecar
    yield truth
    yield from truth_pictures(truth)
    try:
        about = parse_sidecar(sidecar.read_text(encoding="utf-8"), sidecar)
    except (OSError, UnicodeDecodeError, HazcamError):
        return  # scoring says what is wrong with it
    yield from (path for path in (about.rig, about.left, about.right) if path is not None)


def _file_digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "no file"  # scoring says what is wrong with it


# --- processes ------------------------------------------------------------------------------------


def _computed(jobs: Sequence[_Job], workers: int) -> Iterator[SceneScore]:
    """Scores in the order of the jobs, though one of them may kill its process."""
    waiting = deque(jobs)
    while waiting:
        try:
            for score in _pooled(list(waiting), workers):
                waiting.popleft()
                yield score
        except BrokenProcessPool:
            # Which of those at work did it is not known: the first is tried alone, then the rest
            # together again. What the others had finished is kept.
            first = waiting.popleft()
            yield first.cached() or _alone(first)


def _pooled(jobs: Sequence[_Job], workers: int) -> Iterator[SceneScore]:
    pool = _pool(min(workers, len(jobs)))
    try:
        futures: list[Future[SceneScore]] = [pool.submit(_score, job) for job in jobs]
        for future in futures:
            yield future.result()
    finally:
        # Scenes at work are finished and kept, those not begun are dropped.
        pool.shutdown(wait=True, cancel_futures=True)


def _alone(job: _Job) -> SceneScore:
    try:
        return next(_pooled([job], 1))
    except BrokenProcessPool:
        return _failed(job, _DIED)


def _pool(workers: int) -> ProcessPoolExecutor:
    # "spawn": a copy of a process with threads of OpenCV and numba may hang
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"),
                               initializer=_one_thread)


def _one_thread() -> None:
    cv2.setNumThreads(1)
    numba.set_num_threads(1)


def _score(job: _Job) -> SceneScore:
    """Runs in the other process; finds what an earlier pool had finished before it broke."""
    done = job.cached()
    if done is not None:
        return done
    try:
        score = job.score(job.sidecar, job.plan, job.rover)
    except Exception as error:  # one scene must not end the others
        return _failed(job, f"{type(error).__name__}: {error}")
    write_score(job.folder, job.name, job.key, score)
    return score


def _failed(job: _Job, reason: str) -> SceneScore:
    """A scene without rows, with what its truth still says of it."""
    mixture = digest = compression = "unknown"
    sun = None
    try:
        truth = read_truth(truth_path(job.sidecar))
        mixture, digest, compression = truth.mixture, truth.digest, truth.compression
        sun = truth.sun_elevation_deg
    except HazcamError:
        pass  # the reason says what is wrong
    return SceneScore(pair=job.name, mixture=mixture, digest=digest, sun_elevation_deg=sun,
                      compression=compression, rig="unknown", rows=(), disparity=NO_ERRORS,
                      elevation=NO_ERRORS, obstacle_height=NO_HEIGHTS, failure=reason)
