"""How good, how honest and how fast is `hazcam calibrate solve`.

    python -m tests.benchmarks.calibration rendered --seeds 200
    python -m tests.benchmarks.calibration time --pictures FOLDER

``rendered``: a chessboard of 9 x 6 inner corners, 20 views a rig, rendered with blur and noise
through rigs of known numbers, one of each lens model; solved with that model. Counted is how many
of the true numbers lie within 1 and 3 of the stated sigmas, over all seeds. Seeds from 1000 on:
those below were looked at while the solver was made.

``time``: the 13 public pairs (Debian: opencv-doc), against OpenCV's own detection, refinement,
two single calibrations and the stereo calibration of the same pictures, in one run, in turns.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any, get_args

import click
import cv2
import numpy as np

from hazcam.calibration import LensModel
from hazcam.calibration.observe import observe_all
from hazcam.calibration.rig import StereoRig
from hazcam.calibration.solve import solve_rig
from hazcam.calibration.target import Target
from hazcam.calibration.views import TargetView
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from tests.boards import cameras_of, random_views, render_pair
from tests.lenses import rig_with

TARGET = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)
FIRST_SEED = 1000
NOISE_GREY, BLUR_PX, VIEWS = 2.0, 0.7, 20
MODELS: tuple[LensModel, ...] = get_args(LensModel)
# Of the covariance: what its honesty is asked of, besides the distortion.
GROUPS = {"focal length": (0, 1, 4, 5), "principal point": (2, 3, 6, 7), "rotation": (8, 9, 10)}


@click.group()
def main() -> None:
    """Benchmarks of the calibration."""


@main.command()
@click.option("--seeds", default=200, show_default=True)
@click.option("--model", "models", multiple=True, type=click.Choice(MODELS), default=MODELS)
@click.option("--workers", default=2, show_default=True)
def rendered(seeds: int, models: tuple[LensModel, ...], workers: int) -> None:
    """Stated sigmas against the truth of rendered boards."""
    context = get_context("spawn")
    for model in models:
        with ProcessPoolExecutor(workers, mp_context=context) as pool:
            found = list(pool.map(_one, [model] * seeds, range(FIRST_SEED, FIRST_SEED + seeds)))
        _print(model, found)


def _one(model: LensModel, seed: int) -> tuple[Floats, float, str] | str:
    """Errors over sigma, and the factor for the spread between views; or why it failed."""
    cv2.setNumThreads(1)
    rig = rig_with(model)
    try:
        solution = solve_rig(rendered_views(rig, seed), TARGET, rig.size, model=model)
    except HazcamError as error:
        return str(error).splitlines()[0]
    return errors_in_sigmas(solution.rig, rig), solution.spread_between_views, solution.verdict


def rendered_views(rig: StereoRig, seed: int, count: int = VIEWS) -> list[TargetView]:
    """Views of the target through a rig, rendered and found again."""
    cameras = cameras_of(rig)
    pictures = [p for i, pose in enumerate(random_views(TARGET, rig, count, seed))
                for p in render_pair(TARGET, cameras, rig, pose, noise_grey=NOISE_GREY,
                                     blur_px=BLUR_PX, seed=1000 * seed + i)]
    found = observe_all(pictures, TARGET, workers=1)
    return [TargetView(
        id=f"{i:02d}", left=left.found, right=right.found, left_name="left", right_name="right",
        again={m: (left.again.get(m), right.again.get(m)) for m in {**left.again, **right.again}},
    ) for i, (left, right) in enumerate(zip(found[::2], found[1::2], strict=True))]


def errors_in_sigmas(solved: StereoRig, true: StereoRig) -> Floats:
    """Solved less true over sigma, in the order of the covariance; the baseline at the end."""
    assert solved.covariance is not None
    turn = cv2.Rodrigues(solved.R @ true.R.T)[0].ravel()

    def numbers(rig: StereoRig) -> Floats:
        cameras = [K[[0, 1, 0, 1], [0, 1, 2, 2]] for K in (rig.K1, rig.K2)]
        return np.concatenate([*cameras, np.zeros(3), rig.T, rig.D1, rig.D2])

    off = numbers(solved) - numbers(true)
    off[8:11] = turn
    along = solved.T / solved.baseline_m
    baseline = (solved.baseline_m - true.baseline_m) / np.sqrt(
        along @ solved.covariance[11:14, 11:14] @ along)
    return np.append(off / np.sqrt(np.diag(solved.covariance)), baseline)


def _print(model: LensModel, found: list[Any]) -> None:
    failed = [f for f in found if isinstance(f, str)]
    solved = [f for f in found if not isinstance(f, str)]
    click.echo(f"{model}: {len(solved)} of {len(found)} solved")
    for why in sorted(set(failed)):
        click.echo(f"  {failed.count(why)} x {why}")
    if not solved:
        return
    errors = np.abs(np.stack([f[0] for f in solved]))
    click.echo(f"  within 3 sigma, all numbers: {100 * (errors < 3).mean():.2f} %; sigmas widened "
               f"in {100 * np.mean([f[1] > 1 for f in solved]):.0f} % of the runs")
    for name, places in {**GROUPS, "baseline": (errors.shape[1] - 1,),
                         "distortion": tuple(range(14, errors.shape[1] - 1))}.items():
        part = errors[:, list(places)]
        each = ", ".join(f"{100 * (part[:, i] < 1).mean():.0f}" for i in range(part.shape[1]))
        click.echo(f"  {name}: within 1 sigma {100 * (part < 1).mean():.1f} % (each {each}), "
                   f"within 3 {100 * (part < 3).mean():.2f} %")


# --- time ----------------------------------------------------------------------------------------


@main.command("time")
@click.option("--pictures", type=click.Path(path_type=Path, exists=True, file_okay=False),
              default=Path("/usr/share/doc/opencv-doc/examples/data"), show_default=True)
@click.option("--rounds", default=15, show_default=True)
def time_(pictures: Path, rounds: int) -> None:
    """Time of the whole solution against OpenCV's detection and solving alone."""
    names = [f"{side}{i:02d}.jpg" for i in (*range(1, 10), *range(11, 15))
             for side in ("left", "right")]
    read = [np.asarray(cv2.imread(str(pictures / name), cv2.IMREAD_GRAYSCALE)) for name in names]
    ours: list[float] = []
    theirs: list[float] = []
    for _ in range(rounds + 1):  # the first round warms up
        for do, spent in ((_ours, ours), (_opencv, theirs)):
            start = time.perf_counter()
            do(read)
            spent.append(time.perf_counter() - start)
    ratio = np.median(ours[1:]) / np.median(theirs[1:])
    click.echo(f"hazcam {1000 * np.median(ours[1:]):.0f} ms, OpenCV "
               f"{1000 * np.median(theirs[1:]):.0f} ms, ratio {ratio:.2f} "
               f"(of rounds {min(np.divide(ours[1:], theirs[1:])):.2f} to "
               f"{max(np.divide(ours[1:], theirs[1:])):.2f})")


def _ours(pictures: list[Any]) -> None:
    found = observe_all(pictures, TARGET)
    views = [TargetView(id=str(i), left=left.found, right=right.found, again={
        m: (left.again.get(m), right.again.get(m)) for m in left.again})
        for i, (left, right) in enumerate(zip(found[::2], found[1::2], strict=True))]
    solve_rig(views, TARGET, (640, 480))


def _opencv(pictures: list[Any]) -> None:
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    corners = [cv2.cornerSubPix(p, cv2.findChessboardCorners(p, (9, 6))[1], (11, 11), (-1, -1),
                                until) for p in pictures]
    boards: Any = [TARGET.points_m.astype(np.float32)] * 13
    left, right = corners[::2], corners[1::2]
    size = (640, 480)
    first: Any = cv2.calibrateCamera(boards, left, size, np.eye(3), np.zeros(5))
    second: Any = cv2.calibrateCamera(boards, right, size, np.eye(3), np.zeros(5))
    cv2.stereoCalibrate(boards, left, right, first[1], first[2], second[1], second[2], size,
                        flags=cv2.CALIB_FIX_INTRINSIC)


if __name__ == "__main__":
    main()
