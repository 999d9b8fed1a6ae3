"""Pictures in which there is nothing to match, and what is called valid all the same."""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np

from tests.benchmarks.matching.matchers import OURS, TUNED, Method, ours, ours_stated, sgbm
from tests.benchmarks.matching.scenes import Picture
from tests.benchmarks.matching.tables import Cell, Table

_SEED = 20261126
_SHAPE = (480, 640)
_DISPARITIES = 64
_NOISE_GREY = 1.0
_ROUNDING_GREY = 1 / np.sqrt(12)
# Noise as a camera leaves it that smooths its pictures.
_SMOOTHED_GREY, _SMOOTHED_PX = 4.0, 0.8
_GRATING_PX, _GRATING_GREY, _GRATING_DISPARITY_PX = 8, 40.0, 20


def traps() -> dict[str, tuple[Picture, Picture, float | None]]:
    """Left and right picture and their noise [grey levels], by name; None: to be estimated."""
    rng = np.random.default_rng(_SEED)
    columns = np.arange(_SHAPE[1])
    wave = (_GRATING_GREY * np.sin(2 * np.pi * (columns + shift) / _GRATING_PX)
            for shift in (0, _GRATING_DISPARITY_PX))
    left, right = (_noisy(rng, 128 + np.broadcast_to(w, _SHAPE)) for w in wave)
    smooth = [_noisy(rng, np.full(_SHAPE, 128.0)) for _ in range(2)]
    soft = [_smoothed_noise(rng) for _ in range(2)]
    black, white = (np.full(_SHAPE, grey, np.uint8) for grey in (0, 255))
    return {
        f"constant + {_NOISE_GREY:g} grey level of noise": (smooth[0], smooth[1], _total_noise()),
        f"constant + noise smoothed by {_SMOOTHED_PX:g} px, which is estimated":
            (soft[0], soft[1], None),
        "all zero": (black, black, _ROUNDING_GREY),
        "saturated": (white, white, _ROUNDING_GREY),
        f"vertical grating, period {_GRATING_PX} px": (left, right, _total_noise()),
    }


def _noisy(rng: np.random.Generator, clean: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
           ) -> Picture:
    noisy = clean + _NOISE_GREY * rng.standard_normal(clean.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def _smoothed_noise(rng: np.random.Generator) -> Picture:
    noise = cv2.GaussianBlur(_SMOOTHED_GREY * rng.standard_normal(_SHAPE), (0, 0), _SMOOTHED_PX)
    return np.clip(np.rint(128 + noise), 0, 255).astype(np.uint8)


def _total_noise() -> float:
    return float(np.hypot(_NOISE_GREY, _ROUNDING_GREY))


def trap_table() -> Table:
    """Share of each trap that is called valid."""
    rows: list[tuple[Cell, ...]] = []
    for name, (left, right, noise_grey) in traps().items():
        mine = (partial(ours, OURS) if noise_grey is None
                else partial(ours_stated, OURS, noise_grey))
        methods: list[Method] = [mine, sgbm,
                                 partial(sgbm, block=5, p1=200, p2=800, uniqueness=10)]
        rows.append((name, *(
            100 * float(np.isfinite(m(left, right, _DISPARITIES).disparity_px).mean())
            for m in methods)))
    return Table(
        title="Traps: share called valid", rows=rows,
        note="Every pixel is called usable and the noise is stated, but where the row says "
             "otherwise: the matcher alone, without the intake that would refuse black and "
             "saturated pictures. The grating's disparity "
             f"of {_GRATING_DISPARITY_PX} px cannot be told from one a period off.",
        columns={"pictures": "", "ours %": ".2f", f"{TUNED} %": ".2f",
                 "SGBM 3WAY block 5, uniqueness 10 %": ".2f"})
