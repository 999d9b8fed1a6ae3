"""pandora, a general-purpose stereo framework: the optional extra ``bench``.

Census 5 x 5, semi-global optimisation, vfit refinement, median filter, cross checking: the
settings of its own sample ``a_semi_global_matching.json``.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tests.benchmarks.matching.scenes import Picture
from tests.benchmarks.matching.scores import Found

NAME = "pandora (census 5, sgm, vfit, median, cross checking)"
MISSING = f"{NAME}: skipped, not installed: `pip install -e '.[bench]'`"
# Its cost volumes take some 20 bytes a cell: beyond this many cells the memory of a small machine.
MOST_CELLS = 80_000_000
# Bits 0, 1, 6 to 9 of its validity mask make a pixel invalid: no data, range missing, masks,
# occluded, mismatched. The others are information.
_INVALID = 0b11_1100_0011
_MEDIAN = {"filter_method": "median", "filter_size": 3}
_PIPELINE: dict[str, Any] = {
    "matching_cost": {"matching_cost_method": "census", "window_size": 5, "subpix": 1},
    "optimization": {"optimization_method": "sgm", "overcounting": False, "penalty": {
        "penalty_method": "sgm_penalty", "P1": 8, "P2": 32, "p2_method": "constant"}},
    "disparity": {"disparity_method": "wta", "invalid_disparity": "NaN"},
    "refinement": {"refinement_method": "vfit"},
    "filter": _MEDIAN,
    "validation": {"validation_method": "cross_checking_accurate", "cross_checking_threshold": 1},
    "filter.after": _MEDIAN,
}


def is_installed() -> bool:
    """Are pandora and its semi-global plugin there?"""
    return all(importlib.util.find_spec(n) for n in ("pandora", "pandora_plugin_libsgm"))


def pandora(left: Picture, right: Picture, disparities: int) -> Found:
    """Match by way of files, as its command does."""
    run = importlib.import_module("pandora").main
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for side, picture in (("left", left), ("right", right)):
            cv2.imwrite(str(folder / f"{side}.tif"), picture)
        source = {"left": {"img": str(folder / "left.tif"), "disp": [1 - disparities, 0],
                           "nodata": -9999},
                  "right": {"img": str(folder / "right.tif"), "nodata": -9999}}
        job = folder / "job.json"
        job.write_text(json.dumps({"input": source, "pipeline": _PIPELINE}))
        run(str(job), str(folder / "out"), verbose=False)
        disparity, validity = (
            np.asarray(cv2.imread(str(folder / "out" / f"left_{what}.tif"), cv2.IMREAD_UNCHANGED))
            for what in ("disparity", "validity_mask"))
    known = np.isfinite(disparity) & (validity.astype(np.int64) & _INVALID == 0)
    return Found(disparity_px=np.where(known, -disparity, np.nan).astype(np.float32))
