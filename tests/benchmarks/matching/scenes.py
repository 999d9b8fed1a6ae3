"""Public pairs with truth, as packages carry them.

The truth of Aloe is in whole pixels, that of Cones in quarters: take the median offset out before
any sub-pixel figure, and do not read bad-0.5 as a figure of the matcher alone.
"""

from __future__ import annotations

import os
import tarfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from skimage import data

from hazcam.frames import Floats
from tests.benchmarks.matching.scores import Mask, away_from_edges, non_occluded

Picture = NDArray[np.uint8]

SEEN, NOT_SEEN = "seen during the study", "not used before"
_DEBIAN_FOLDER = "/usr/share/doc/opencv-doc/examples/data"
_CONES = {"left": "Cones_LEFT.tif", "right": "Cones_RIGHT.tif", "truth": "Cones_LEFT_GT.tif"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A rectified pair with truth.

    Attributes
    ----------
    name, label : str
        Whether the figures of the study in which our settings were chosen had seen it.
    left, right : ndarray of shape (H, W), uint8
    truth_px : ndarray of shape (H, W), float64
        Disparity of the left picture, NaN where unknown. [px]
    disparities : int
        Search 0 to this, excluded. [px]
    edge_jump_px, edge_reach_px
        What keeps sub-pixel figures away from edges, see ``away_from_edges``.
    truth_step_px : float
        Step to which the truth is rounded; 0 for none. [px]
    """

    name: str
    label: str
    left: Picture
    right: Picture
    truth_px: Floats
    disparities: int
    edge_jump_px: float = 1.0
    edge_reach_px: int = 2
    truth_step_px: float = 0.0

    @cached_property
    def seen(self) -> Mask:
        """Non-occluded pixels, shape (H, W)."""
        return non_occluded(self.truth_px)

    @cached_property
    def safe(self) -> Mask:
        """Non-occluded pixels away from edges, shape (H, W)."""
        return self.seen & away_from_edges(self.truth_px, self.edge_jump_px, self.edge_reach_px)


class MissingPicturesError(Exception):
    """The package that carries a pair is not there; says how to get it."""


def public_scenes(cones_archive: Path | None) -> tuple[list[Scene], list[str]]:
    """All public pairs that are there, and a message for each one that is not."""
    scenes, missing = [motorcycle()], []
    for load in (aloe_half, aloe, lambda: cones(cones_archive)):
        try:
            scenes.append(load())
        except MissingPicturesError as error:
            missing.append(str(error))
    return scenes, missing


def motorcycle() -> Scene:
    """Middlebury 2014 Motorcycle, a quarter of its size, of scikit-image; unknown truth is inf."""
    left, right, truth = data.stereo_motorcycle()
    known = np.where(np.isfinite(truth), truth, np.nan).astype(np.float64)
    return Scene(name="Motorcycle", label=SEEN, left=_grey(left), right=_grey(right),
                 truth_px=known, disparities=64)


def aloe() -> Scene:
    """Middlebury 2006 Aloe of Debian's ``opencv-doc``, one pixel a grey level, 0 unknown."""
    folder = Path(os.environ.get("OPENCV_DOC", _DEBIAN_FOLDER))
    names = [folder / f"aloe{part}" for part in ("L.jpg", "R.jpg", "GT.png")]
    if not all(name.is_file() for name in names):
        raise MissingPicturesError(
            f"Aloe, AloeH: skipped, no {names[0].name} in {folder}: `apt-get install opencv-doc`, "
            "or set OPENCV_DOC to the folder that holds it")
    left, right = (_grey(np.asarray(cv2.imread(str(n)))[..., ::-1]) for n in names[:2])
    truth = np.asarray(cv2.imread(str(names[2]), cv2.IMREAD_GRAYSCALE)).astype(np.float64)
    return Scene(name="Aloe", label=SEEN, left=left, right=right,
                 truth_px=np.where(truth > 0, truth, np.nan), disparities=224, truth_step_px=1.0)


def aloe_half() -> Scene:
    """Aloe at half its size; truth where its four pixels are known and differ by 2 at most."""
    whole = aloe()
    height, width = (side // 2 for side in whole.truth_px.shape)
    left, right = (
        np.asarray(cv2.resize(p, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
        for p in (whole.left, whole.right))
    four = whole.truth_px.reshape(height, 2, width, 2).transpose(0, 2, 1, 3).reshape(
        height, width, 4)
    alike = four.max(axis=-1) - four.min(axis=-1) <= 2  # False where one is unknown
    return Scene(name="AloeH", label=SEEN, left=left, right=right,
                 truth_px=np.where(alike, four.mean(axis=-1) / 2, np.nan), disparities=112,
                 truth_step_px=0.5)


def cones(archive: Path | None) -> Scene:
    """Middlebury 2003 Cones, from the source archive of ``pandora``; truth in quarters, 0 unknown.

    D. Scharstein and R. Szeliski, "High-accuracy stereo depth maps using structured light," CVPR
    2003.
    """
    if archive is None or not archive.is_file():
        raise MissingPicturesError(
            f"Cones: skipped, {archive or 'no archive given'}: `pip download --no-deps --no-binary "
            "pandora pandora==1.9.0` and give the file with --cones")
    with tarfile.open(archive) as packed:
        parts = {part: _member(packed, name) for part, name in _CONES.items()}
    truth = parts["truth"].astype(np.float64)
    return Scene(name="Cones", label=NOT_SEEN, left=parts["left"].astype(np.uint8),
                 right=parts["right"].astype(np.uint8),
                 truth_px=np.where(truth > 0, truth, np.nan), disparities=64, truth_step_px=0.25)


def _member(packed: tarfile.TarFile, name: str) -> NDArray[np.float64]:
    for member in packed.getmembers():
        stream = packed.extractfile(member) if member.name.endswith("/" + name) else None
        if stream is not None:
            return np.asarray(tifffile.imread(stream), dtype=np.float64)
    raise MissingPicturesError(
        f"Cones: skipped, no {name} in {packed.name!s}: give the source archive of pandora 1.9.0")


def _grey(rgb: NDArray[np.uint8]) -> Picture:
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY), np.uint8)
