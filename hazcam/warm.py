"""Warm start: the compiled loops of an assessment, made before they are needed.

Numba compiles a loop when it is first called with arguments of some types, and keeps what it
compiled in a folder (numba's documentation, "Notes on Caching"): ``NUMBA_CACHE_DIR`` if that is
set, else beside the code, else the user's own cache; the first one that it may write to. A folder
that it may only read is passed over. What is kept serves one kind of processor and one version of
the code.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numba.core.dispatcher import Dispatcher
from numba.core.event import Event, Listener, install_listener
from numba.core.registry import cpu_target
from numpy.typing import ArrayLike, NDArray

from hazcam.assess import assess_pair
from hazcam.calibration import StereoRig
from hazcam.errors import HazcamError
from hazcam.frames import R_BODY_OPTICAL, Attitude, Pose, rotation_y
from hazcam.imagery import StereoPair, pair_from_arrays
from hazcam.rover import read_rover
from hazcam.settings import MATCHERS, MatcherName, Settings
from hazcam.verdict.gist import join_gists, judge_gists, pack_gist
from hazcam.verdict.sweep import chance_beyond, least_limit

_PACKAGE = "hazcam."
# A small rig over flat ground: wide enough that no stage leaves out a step.
_SIZE, _FOCAL_PX, _BASELINE_M, _HEIGHT_M, _PITCH_DEG = (240, 180), 200.0, 0.10, 0.17, 25.0
# Distortion that has the pictures resampled.
_BARREL = (-0.05, 0.0, 0.0, 0.0, 0.0)
_LEVEL = Attitude(roll_deg=0.0, pitch_deg=0.0, roll_sigma_deg=0.5, pitch_sigma_deg=0.5)


class CacheError(HazcamError):
    """Compiled loops that cannot be kept."""


@dataclass(frozen=True, kw_only=True)
class WarmUp:
    """What a warm-up did.

    Attributes
    ----------
    compiled : int
        Loops that were compiled now, each with those that it calls; 0 if all had been before.
    folders : tuple of Path
        Where they are kept.
    processor : str
        What they are compiled for.
    """

    compiled: int
    folders: tuple[Path, ...]
    processor: str


def warm_up() -> WarmUp:
    """Compile every loop that an assessment, judging or sweeping a run calls, or load it.

    Whole assessments of small made-up pairs are run, and their demands judged and swept as those of
    a run are: whatever is called has the types of the arguments that it has in earnest.

    Raises
    ------
    CacheError
        The compiled loops cannot be kept.
    """
    noted: list[str] = []
    with on_compiling(noted.append):
        for pair, rig, matcher in _cases():
            found = assess_pair(pair, rig, read_rover("dunlin-em"),
                                Settings(headings_deg=(0.0,), matcher=MATCHERS[matcher]()))
            gists = join_gists([pack_gist(found.demands, ())])
            limits, confidence = found.rover.limits, found.settings.confidence
            judge_gists(gists, limits, confidence)
            least_limit(gists, limits, "step", [0.05], confidence)
            chance_beyond(gists, "step", [0.05])
    return WarmUp(compiled=len(noted), folders=_folders(), processor=_processor())


@contextmanager
def on_compiling(say: Callable[[str], None]) -> Iterator[None]:
    """Call ``say`` with the name of each loop of hazcam that numba begins to compile meanwhile.

    Loops that are loaded from the cache are not compiled; of those that call each other, the one
    that is called from outside is named.

    Raises
    ------
    CacheError
        What was compiled cannot be kept.
    """
    try:
        with install_listener("numba:compile", _Outermost(say)):
            yield
    except OSError as error:
        path = Path(error.filename or "")
        for folder in _folders():
            if folder in (path, path.parent):
                raise CacheError(
                    str(folder), f"compiled loops cannot be kept ({error.strerror})",
                    "a folder that can be written to", "set NUMBA_CACHE_DIR to such a folder",
                ) from error
        raise


class _Outermost(Listener):  # type: ignore[misc]  # numba is not typed
    """Tells when a loop of hazcam is compiled, and not of what it calls."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._depth = 0

    def on_start(self, event: Event) -> None:
        function = event.data["dispatcher"].py_func
        if self._depth == 0 and function.__module__.startswith(_PACKAGE):
            self._say(f"{function.__module__}.{function.__name__}")
        self._depth += 1

    def on_end(self, event: Event) -> None:
        self._depth -= 1


def loops() -> dict[str, Dispatcher]:
    """Every compiled function of the modules of hazcam that are loaded, by its full name."""
    found = {}
    for name, module in sorted(sys.modules.items()):
        if name.startswith(_PACKAGE):
            for value in vars(module).values():
                if isinstance(value, Dispatcher) and value.py_func.__module__ == name:
                    found[f"{name}.{value.py_func.__name__}"] = value
    return found


def _folders() -> tuple[Path, ...]:
    paths = {loop.stats.cache_path for loop in loops().values()}
    return tuple(sorted(Path(path) for path in paths if path is not None))


def _processor() -> str:
    """Kind of processor that numba compiles for."""
    _, name, _ = cpu_target.target_context.codegen().magic_tuple()
    return str(name)


def _cases() -> Iterator[tuple[StereoPair, StereoRig, MatcherName]]:
    """Pictures as they are and resampled, attitude stated and not, each matcher."""
    rectified = _rig()
    stated, unknown = (_pair(attitude) for attitude in (_LEVEL, None))
    for matcher in MATCHERS:
        yield stated, rectified, matcher
    yield unknown, rectified, "census"
    yield stated, replace(rectified, D1=np.array(_BARREL), D2=np.array(_BARREL)), "census"


def _rig() -> StereoRig:
    width, height = _SIZE
    K = np.array([[_FOCAL_PX, 0, (width - 1) / 2], [0, _FOCAL_PX, (height - 1) / 2], [0, 0, 1]])
    mount = Pose(R=rotation_y(_PITCH_DEG) @ R_BODY_OPTICAL, t=np.array([0.17, 0.05, _HEIGHT_M]))
    return StereoRig(name="warm-up", size=_SIZE, K1=K, D1=np.zeros(5), K2=K, D2=np.zeros(5),
                     R=np.eye(3), T=np.array([-_BASELINE_M, 0, 0]), mount=mount, digest="warm-up")


def _pair(attitude: Attitude | None) -> StereoPair:
    """Flat textured ground, as the rig sees it."""
    width, height = _SIZE
    rng = np.random.default_rng(1)
    ground = cv2.GaussianBlur(rng.uniform(0, 255, (height, 2 * width)), (0, 0), 1.2)
    rows, columns = np.mgrid[:height, :width].astype(np.float32)
    pitch = np.radians(_PITCH_DEG)
    below_axis_px = rows - (height - 1) / 2
    disparity_px = np.maximum(
        _BASELINE_M / _HEIGHT_M * (_FOCAL_PX * np.sin(pitch) + below_axis_px * np.cos(pitch)), 0)
    right = cv2.remap(ground, columns + disparity_px.astype(np.float32), rows, cv2.INTER_LINEAR)
    return pair_from_arrays(_picture(ground[:, :width], rng), _picture(right, rng), id="warm-up",
                            attitude=attitude)


def _picture(grey: ArrayLike, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Of 8 bit, with noise."""
    values = np.asarray(grey)
    return np.clip(np.rint(values + rng.standard_normal(values.shape)), 0, 255).astype(np.uint8)
