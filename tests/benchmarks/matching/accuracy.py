"""Accuracy and sigma on public pairs and on synthetic ones."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import partial

import numpy as np

from hazcam.frames import Floats
from tests.benchmarks.matching import pandora_peer
from tests.benchmarks.matching.matchers import (
    OURS,
    OURS_NAME,
    REFERENCE,
    REFERENCE_NAME,
    TUNED,
    Method,
    at_density,
    density,
    ours_stated,
    own,
    peers,
)
from tests.benchmarks.matching.scenes import Scene
from tests.benchmarks.matching.scores import (
    INLIER_PX,
    LOCKING_BINS,
    Found,
    Score,
    beyond_three_sigma,
    mad,
    median,
    pixel_locking,
    score,
    within_sigmas,
)
from tests.benchmarks.matching.synthetic import Synthetic, least_sigma_px
from tests.benchmarks.matching.tables import Cell, Table

GATES_PX = (0.35, 0.5)
BOUND_WINDOWS_PX = (7, 9)
_SCORES = {"density %": ".1f", "bad-0.5 %": ".2f", "bad-1 %": ".2f", "bad-2 %": ".2f",
           "tot1 %": ".1f", "offset px": "+.3f", "MAD px": ".3f"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Run:
    """What one method found on one scene."""

    scene: Scene
    name: str
    found: Found

    @property
    def scored(self) -> Score:
        """Its scores."""
        return score(self.found.disparity_px, self.scene.truth_px, self.scene.seen,
                     self.scene.safe)


def run_all(scenes: list[Scene]) -> list[Run]:
    """Every method on every scene, tuned SGBM at equal density with ours last."""
    runs: list[Run] = []
    for scene in scenes:
        for name, method in _methods(scene).items():
            print(f"accuracy: {scene.name}, {name}", file=sys.stderr)
            found = method(scene.left, scene.right, scene.disparities)
            runs.append(Run(scene=scene, name=name, found=found))
            if name == OURS_NAME:
                runs.append(_equal(scene, density(found.disparity_px, scene)))
    return runs


def _methods(scene: Scene) -> dict[str, Method]:
    methods = {**peers(), **own()}
    cells = scene.left.size * scene.disparities
    if pandora_peer.is_installed() and cells <= pandora_peer.MOST_CELLS:
        methods[pandora_peer.NAME] = pandora_peer.pandora
    return methods


def _equal(scene: Scene, target_percent: float) -> Run:
    uniqueness, found = at_density(scene, target_percent)
    name = f"{TUNED}, equal density (uniqueness {uniqueness} %)"
    return Run(scene=scene, name=name, found=found)


def accuracy_table(runs: list[Run]) -> Table:
    """All scores of all methods."""
    rows: list[tuple[Cell, ...]] = []
    for run in runs:
        s = run.scored
        rows.append((run.scene.name, run.scene.label, run.name, s.density, s.bad_half, s.bad_1,
                     s.bad_2, s.tot_1, s.offset_px, s.mad_px))
    return Table(
        title="Accuracy", rows=rows,
        note="Density and bad-t on non-occluded pixels, bad-t of the matched ones; offset and MAD "
             "on edge-safe ones. Truth of Aloe in whole pixels, of AloeH in halves, of Cones in "
             "quarters. pandora is left out where its cost volume would have more than "
             f"{pandora_peer.MOST_CELLS // 10**6} million cells.",
        columns={"scene": "", "known": "", "matcher": "", **_SCORES})


def gain_table(runs: list[Run]) -> Table:
    """How many times fewer errors beyond 1 and 2 px than tuned SGBM at equal density."""
    rows: list[tuple[Cell, ...]] = []
    for scene in dict.fromkeys(run.scene for run in runs):
        mine, peer = (next(r.scored for r in runs if r.scene is scene and r.name.startswith(name))
                      for name in (OURS_NAME, f"{TUNED}, equal"))
        rows.append((scene.name, mine.density, peer.density,
                     _ratio(peer.bad_1, mine.bad_1), _ratio(peer.bad_2, mine.bad_2)))
    return Table(
        title="Against tuned SGBM at equal density", rows=rows,
        note="Its errors over ours, as shares of the matched non-occluded pixels.",
        columns={"scene": "", "density ours %": ".1f", "density SGBM %": ".1f",
                 "bad-1 SGBM / ours": ".2f", "bad-2 SGBM / ours": ".2f"})


def _ratio(above: float, below: float) -> float | None:
    return above / below if below > 0 else None


def sigma_table(runs: list[Run]) -> Table:
    """Share within 1, 2 and 3 sigma."""
    rows: list[tuple[Cell, ...]] = []
    for run in runs:
        if run.found.sigma_px is None:
            continue
        error = run.found.disparity_px - run.scene.truth_px
        safe = run.scene.safe & np.isfinite(error)
        seen = run.scene.seen & np.isfinite(error)
        for counted, step_px in (("", 0.0), (", rounding of the truth counted",
                                             run.scene.truth_step_px)):
            if counted and not step_px:
                continue
            # an even rounding error of one step has this variance
            sigma = np.sqrt(run.found.sigma_px**2 + step_px**2 / 12)
            rows.append((run.scene.name + counted, run.name,
                         *within_sigmas(error[safe], sigma[safe]),
                         beyond_three_sigma(error[seen], sigma[seen]), median(sigma[safe])))
    return Table(
        title="Sigma", rows=rows,
        note=f"Inliers: matched edge-safe pixels within {INLIER_PX:g} px of the median error; a "
             "normal distribution has 68.3 / 95.4 / 99.7 %. Last but one: of all matched "
             "non-occluded pixels, gross errors and edges with them, offset left in.",
        columns={"scene": "", "matcher": "", "1 sigma %": ".1f", "2 sigma %": ".1f",
                 "3 sigma %": ".1f", "all beyond 3 sigma %": ".2f", "median sigma px": ".3f"})


def gate_table(runs: list[Run]) -> Table:
    """What is left, and how wrong, where only small sigmas are taken."""
    rows: list[tuple[Cell, ...]] = []
    for run in runs:
        if run.found.sigma_px is None:
            continue
        for gate in GATES_PX:
            with np.errstate(invalid="ignore"):
                kept = np.where(run.found.sigma_px < gate, run.found.disparity_px, np.nan)
            s = score(kept, run.scene.truth_px, run.scene.seen, run.scene.safe)
            rows.append((run.scene.name, run.name, f"{gate:g}", s.density, s.bad_1, s.bad_2))
    return Table(title="Gated by sigma", rows=rows, note="On non-occluded pixels.",
                 columns={"scene": "", "matcher": "", "sigma below px": "", "density %": ".1f",
                          "bad-1 %": ".2f", "bad-2 %": ".2f"})


# --- synthetic ------------------------------------------------------------------------------------


def synthetic_tables(pairs: list[Synthetic], block: str) -> list[Table]:
    """Accuracy against the exact truth, and against the least error possible."""
    noise_grey = pairs[0].noise_grey
    methods: dict[str, Method] = {
        OURS_NAME: partial(ours_stated, OURS, noise_grey),
        REFERENCE_NAME: partial(ours_stated, REFERENCE, noise_grey), **peers()}
    if pandora_peer.is_installed():
        methods[pandora_peer.NAME] = pandora_peer.pandora
    pooled = {name: _pooled(pairs, name, method) for name, method in methods.items()}
    return [_synthetic_table(pooled, len(pairs), block), *_bound_tables(pairs, pooled)]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pooled:
    """Matched edge-safe pixels of all pairs: error, sigma, truth [px]; and the mean density."""

    error_px: Floats
    sigma_px: Floats | None
    truth_px: Floats
    density: float
    taken: list[np.ndarray[tuple[int, ...], np.dtype[np.bool_]]]


def _pooled(pairs: list[Synthetic], name: str, method: Method) -> _Pooled:
    print(f"accuracy: synthetic, {name}", file=sys.stderr)
    error, sigma, truth, dense, taken = [], [], [], [], []
    for pair in pairs:
        scene = pair.scene
        found = method(scene.left, scene.right, scene.disparities)
        off = found.disparity_px - scene.truth_px
        mask = scene.safe & np.isfinite(off)
        error.append(off[mask])
        truth.append(scene.truth_px[mask])
        if found.sigma_px is not None:
            sigma.append(found.sigma_px[mask].astype(np.float64))
        dense.append(density(found.disparity_px, scene))
        taken.append(mask)
    return _Pooled(error_px=np.concatenate(error), truth_px=np.concatenate(truth),
                   sigma_px=np.concatenate(sigma) if sigma else None,
                   density=float(np.mean(dense)), taken=taken)


def _synthetic_table(pooled: dict[str, _Pooled], count: int, block: str) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for name, p in pooled.items():
        shares = (None,) * 3 if p.sigma_px is None else within_sigmas(p.error_px, p.sigma_px)
        rows.append((name, p.density, mad(p.error_px), pixel_locking(p.error_px, p.truth_px),
                     _locking_floor(p), 100 * float(np.mean(np.abs(p.error_px) > 1)), *shares))
    return Table(
        title=f"Exact synthetic truth: {count} pairs, {block} seeds", rows=rows,
        note="The true noise is stated to ours, every pixel called usable. "
             f"Pixel locking: rms of the mean error in {LOCKING_BINS} bins of the fractional part "
             "of the truth, all pairs pooled; its floor is what an error without locking would "
             f"show by chance, errors within {BOUND_WINDOWS_PX[0]} px taken as one.",
        columns={"matcher": "", "density %": ".1f", "MAD px": ".4f", "pixel locking px": ".4f",
                 "floor px": ".4f", "bad-1 %": ".3f", "1 sigma %": ".1f", "2 sigma %": ".1f",
                 "3 sigma %": ".1f"})


def _locking_floor(p: _Pooled) -> float:
    independent = p.error_px.size / BOUND_WINDOWS_PX[0] ** 2 / LOCKING_BINS
    return mad(p.error_px) / float(np.sqrt(max(independent, 1.0)))


def _bound_tables(pairs: list[Synthetic], pooled: dict[str, _Pooled]) -> list[Table]:
    rows: list[tuple[Cell, ...]] = []
    for window in BOUND_WINDOWS_PX:
        for what, bounds in _bounds(pairs, window).items():
            for name, p in pooled.items():
                least = np.concatenate([b[m] for b, m in zip(bounds, p.taken, strict=True)])
                achieved, bound = mad(p.error_px), median(least)
                rows.append((f"{window} x {window}", what, name, achieved, bound, achieved / bound,
                             mad(p.error_px / least)))
    return [Table(
        title="Distance to the Cramer-Rao bound", rows=rows,
        note="variance = 2 s² / sum(gx²) over the window, s the true noise with rounding. gx by "
             "central difference of the left picture without noise, as in the study; and exact, "
             "which presumes that the texture between the pixels is known. MAD / bound: of the "
             "medians; each by its own: MAD of error / bound of the pixel.",
        columns={"window px": "", "gx": "", "matcher": "", "MAD px": ".4f", "bound px": ".4f",
                 "MAD / bound": ".2f", "each by its own": ".2f"})]


def _bounds(pairs: list[Synthetic], window: int) -> dict[str, list[Floats]]:
    least = partial(least_sigma_px, window_px=window)
    return {"central difference": [least(p.difference_grey, p.noise_grey) for p in pairs],
            "exact": [least(p.slope_grey, p.noise_grey) for p in pairs]}
