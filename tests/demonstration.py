"""Pictures of a board and of a floor through the cameras of dunlin-em-raw, for calibration/.

``python -m tests.demonstration calibration`` writes ``calibration/board`` and
``calibration/floor`` anew. Rendered, not photographed: the truth is ``dunlin-em-raw.yaml``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.scene.rigs import demonstration_rigs
from tests.boards import cameras_of, random_views, render_pair
from tests.floors import floor_pair
from tests.target_views import CHESSBOARD

RIG = demonstration_rigs()["dunlin-em-raw"]
BOARD_PAIRS, FLOOR_PAIRS = 20, 2


def write(folder: Path) -> None:
    """Write all pictures below ``folder``."""
    board, floor = folder / "board", folder / "floor"
    for place in (board, floor):
        place.mkdir(parents=True, exist_ok=True)
    cameras = cameras_of(RIG)
    for i, pose in enumerate(random_views(CHESSBOARD, RIG, BOARD_PAIRS, seed=10,
                                         wide=(0.2, 0.95))):
        pair = render_pair(CHESSBOARD, cameras, RIG, pose, noise_grey=1.5, blur_px=0.7, seed=i)
        for side, picture in zip(("left", "right"), pair, strict=True):
            _save(board / f"board-{i + 1:02d}.{side}.jpg", picture)
    for i in range(FLOOR_PAIRS):
        name = f"floor-{i + 1}"
        pictures = floor_pair(RIG, seed=i + 1)
        for side, seen in (("left", pictures.left), ("right", pictures.right)):
            assert seen is not None
            _save(floor / f"{name}.{side}.jpg", seen)
        sidecar = {"schema": "hazcam-pair/1", "id": name, "left": f"{name}.left.jpg",
                   "right": f"{name}.right.jpg", "rig": "../dunlin-em-raw.yaml",
                   "rover": "dunlin-em"}
        (floor / f"{name}.pair.json").write_text(json.dumps(sidecar, indent=1) + "\n")


def _save(path: Path, picture: NDArray[np.integer[Any]]) -> None:
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 90])


if __name__ == "__main__":
    write(Path(sys.argv[1]))
