"""Time and memory of a whole assessment against OpenCV's matcher alone.

    python -m tests.benchmarks.whole_assessment [PAIR.json ...] [--repeats 5] [--synthetic]

One run, interleaved: for every repeat and pair the whole ``assess_pair``, the same with
``SgbmMatcher``, then plain ``cv2.StereoSGBM`` on the same rectified pair over the whole range that
the geometry asks for, so that a machine that slows down slows all. Prints a table in Markdown.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np

import hazcam.assess
from hazcam.assess import assess_pair
from hazcam.calibration import StereoRig, read_rig, rig_for
from hazcam.disparity import CensusMatcher, MatchSettings, SgbmMatcher, ground_band
from hazcam.frames import Floats, view_from
from hazcam.imagery import StereoPair, check_pictures, find_sidecars, read_pair, read_sidecar
from hazcam.rectification import RectifiedPair, rectify
from hazcam.rover import RoverProfile, read_rover
from hazcam.settings import Settings
from tests import synthetic

_SAMPLE_PAIRS = Path(__file__).parents[2] / "sample_pairs"
_SYNTHETIC = "synthetic"
# Functions that assess_pair calls, by the name that hazcam.assess knows them under.
_STAGES = ("check_pictures", "rectify", "check_epipolar", "correct_offset", "ground_band",
           "triangulate", "map_terrain", "demands_along", "decide")
_JUDGING = ("map_terrain", "demands_along", "decide")
_WHOLE, _MATCH, _WHOLE_SGBM, _SGBM_PLAIN = "whole", "match", "whole, --matcher sgbm", "SGBM alone"
_PEAKS = {"read": "imports and the pair", "sgbm": "and plain SGBM", "assess": "and assess_pair"}


@dataclass(frozen=True, eq=False)
class Job:
    """One pair with its rig and rover."""

    name: str
    pair: StereoPair
    rig: StereoRig
    rover: RoverProfile


def load(name: str) -> Job:
    """A pair by its sidecar, or the synthetic one."""
    if name == _SYNTHETIC:
        box = synthetic.Box(0.9, 1.0, -0.05, 0.10, 0.08)
        pair = synthetic.render(synthetic.Scene(boxes=(box,)))
        return Job(name, pair, synthetic.ideal_rig(), read_rover("dunlin-em"))
    sidecar = read_sidecar(name)
    return Job(sidecar.id, read_pair(name), read_rig(sidecar.rig), read_rover(sidecar.rover))


@contextmanager
def timed(owner: Any, name: str, label: str, seconds: dict[str, float]) -> Iterator[None]:
    """Add the time of every call of ``owner.name`` to ``seconds[label]``."""
    original = getattr(owner, name)

    def measured(*args: Any, **kwargs: Any) -> Any:
        start = time.perf_counter()
        try:
            return original(*args, **kwargs)
        finally:
            seconds[label] = seconds.get(label, 0.0) + time.perf_counter() - start

    with mock.patch.object(owner, name, measured):
        yield


def time_whole(job: Job) -> dict[str, float]:
    """Seconds of one assessment, whole and by stage."""
    seconds: dict[str, float] = {}
    with ExitStack() as stack:
        for stage in _STAGES:
            stack.enter_context(timed(hazcam.assess, stage, stage, seconds))
        stack.enter_context(timed(CensusMatcher, "match", _MATCH, seconds))
        start = time.perf_counter()
        assess_pair(job.pair, job.rig, job.rover)
        seconds[_WHOLE] = time.perf_counter() - start
    return seconds


@dataclass(frozen=True, eq=False)
class PlainSgbm:
    """What ``cv2.StereoSGBM`` needs to match the rectified pair over the whole range at once."""

    left: Any
    right: Any
    matcher: Any

    def compute(self) -> None:
        """Match."""
        self.matcher.compute(self.left, self.right)


def plain_sgbm(job: Job) -> PlainSgbm:
    """The same block and penalties as hazcam's matcher, no warp, no bands, one range."""
    rig = rig_for(job.pair.size, job.pair.window, job.pair.binning, job.rig)
    rectified = rectify(job.pair, rig, check_pictures(job.pair))
    low, high = _range_px(rectified, rig, job.pair)
    count = -(-(high - low + 1) // 16) * 16
    settings = SgbmMatcher()
    matcher = cv2.StereoSGBM.create(
        minDisparity=low, numDisparities=count, blockSize=settings.block_px, P1=settings.p1,
        P2=settings.p2, disp12MaxDiff=1, preFilterCap=31, mode=cv2.StereoSGBM_MODE_SGBM_3WAY,
    )
    # The same rim as hazcam's matcher gives it, or the left of the picture would not be matched.
    pad = (0, 0, max(low + count, 0), max(-low, 0))
    left, right = (cv2.copyMakeBorder(np.clip(np.rint(p), 0, 255).astype(np.uint8), *pad,
                                      cv2.BORDER_CONSTANT, value=0)
                   for p in (rectified.left, rectified.right))
    return PlainSgbm(left=left, right=right, matcher=matcher)


def _range_px(rectified: RectifiedPair, rig: StereoRig, pair: StereoPair) -> tuple[int, int]:
    """Least and greatest disparity that the geometry asks for anywhere in the picture."""
    assert rig.mount is not None
    view = view_from(rig.mount, pair.attitude, unknown_tilt_deg=0.0, scale_sigma=0.0)
    band = ground_band(rectified.camera, rectified.T_camera_rectified, view, MatchSettings())
    return int(np.floor(band.low_px.min())), int(np.ceil(band.high_px.max()))


def time_of(call: Callable[[], object]) -> float:
    """Seconds of one call."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def measure(jobs: list[Job], repeats: int) -> list[dict[str, float]]:
    """Seconds of every repeat on every pair, whole and reference in turn."""
    plain = [plain_sgbm(job) for job in jobs]
    for job in jobs:
        assess_pair(job.pair, job.rig, job.rover)  # compiles what is compiled on first use
    runs = []
    for _ in range(repeats):
        for job, reference in zip(jobs, plain, strict=True):
            seconds = time_whole(job)
            seconds[_WHOLE_SGBM] = time_of(partial(assess_pair, job.pair, job.rig, job.rover,
                                                   Settings(matcher=SgbmMatcher())))
            seconds[_SGBM_PLAIN] = time_of(reference.compute)
            runs.append(seconds)
    return runs


def peak_mb(what: str, name: str) -> float:
    """Peak resident memory of a fresh process that does ``what`` with the pair. [MB]

    To be asked before this process itself grows: on Linux a child starts from its parent's peak.
    """
    command = [sys.executable, "-m", "tests.benchmarks.whole_assessment", "--peak", what, name]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def print_own_peak(what: str, name: str) -> None:
    """Do ``what`` and print the peak memory of this process. [MB]"""
    job = load(name)
    if what == "sgbm":
        plain_sgbm(job).compute()
    elif what == "assess":
        assess_pair(job.pair, job.rig, job.rover)
    per_mb = 2**20 if sys.platform == "darwin" else 2**10  # bytes there, kilobytes on Linux
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / per_mb)


def _median_and_range(values: Floats, digits: int) -> str:
    median, low, high = (f"{v:.{digits}f}" for v in (np.median(values), values.min(), values.max()))
    return f"{median} | {low} to {high}"


def report(jobs: list[Job], runs: list[dict[str, float]], peaks: dict[str, float]) -> str:
    """The Markdown table."""
    def times(label: str) -> Floats:
        return np.array([run.get(label, 0.0) for run in runs])

    whole = times(_WHOLE)
    lines = [
        f"{len(runs)} assessments of {len(jobs)} pairs ({', '.join(job.name for job in jobs)}), "
        f"{platform.machine()}, {os.cpu_count()} cores, OpenCV {cv2.__version__}.", "",
        "| what | median | range |", "|---|---|---|",
        f"| whole assessment [s] | {_median_and_range(whole, 3)} |",
    ]
    lines += [f"| {label} [s] | {_median_and_range(times(label), 3)} |"
              for label in (_WHOLE_SGBM, _SGBM_PLAIN)]
    lines += [f"| whole / {label} | {_median_and_range(whole / times(label), 2)} |"
              for label in (_WHOLE_SGBM, _SGBM_PLAIN)]
    lines += ["", "| stage | median [ms] | share |", "|---|---|---|"]
    for label in sorted({*_STAGES, _MATCH}, key=lambda s: -np.median(times(s))):
        lines.append(f"| {label} | {np.median(times(label)) * 1000:.0f} | "
                     f"{np.median(times(label) / whole):.0%} |")
    judging = sum(times(label) for label in _JUDGING)
    lines += ["", "| share | median | range |", "|---|---|---|",
              f"| terrain and verdicts ({', '.join(_JUDGING)}) / {_MATCH} | "
              f"{_median_and_range(judging / times(_MATCH), 2)} |"]
    if peaks:
        lines += ["", "| peak memory, fresh process | MB |", "|---|---|"]
        lines += [f"| {_PEAKS[what]} | {mb:.0f} |" for what, mb in peaks.items()]
    return "\n".join(lines)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pairs", nargs="*", help="sidecars; all of sample_pairs/ if none is given")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--synthetic", action="store_true", help="a ray-cast pair, no files")
    parser.add_argument("--peak", choices=sorted(_PEAKS), help="only print the peak memory [MB]")
    return parser.parse_args()


def main() -> None:
    """Measure and print."""
    asked = _arguments()
    names = [_SYNTHETIC] if asked.synthetic else asked.pairs or [
        str(path) for path in find_sidecars(_SAMPLE_PAIRS)]
    if asked.peak:
        print_own_peak(asked.peak, names[0])
        return
    # Ray casting takes more memory than all that follows: the synthetic pair has no peaks to tell.
    peaks = {} if asked.synthetic else {what: peak_mb(what, names[0]) for what in _PEAKS}
    jobs = [load(name) for name in names]
    print(report(jobs, measure(jobs, asked.repeats), peaks))


if __name__ == "__main__":
    main()
