"""Are the stated sigmas right, and how good are disparity and elevation?

    python -m tests.benchmarks.sigma tune FOLDER
    python -m tests.benchmarks.sigma sample sample_pairs

The true depth of each pixel is ray cast anew from the recipe of the scene (extra ``scene``); a
pair that is not in the folder yet is left out. Pairs of the rectified rig only. A truth pixel
counts where its ground is in both pictures. The model was fitted on the set ``tune``; ``sample``
is reported.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from hazcam import read_rig
from hazcam.frames import Floats
from hazcam.scene import read_truth
from hazcam.scene.build import build, light_up
from hazcam.scene.camera import cameras_of
from hazcam.scene.sets import Recipe, recipes
from hazcam.terrain import fit_plane
from tests.benchmarks.truth_score import assess_file

RANGES_M = ((0.3, 0.6), (0.6, 1.0), (1.0, 1.5), (1.5, 2.5))


def errors_of(recipe: Recipe, folder: Path) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Error and sigma of disparity [px] and elevation [m] of one pair, and the distances [m]."""
    found, _ = assess_file(folder / f"{recipe.id}.pair.json")
    assert found.disparity is not None
    assert found.points is not None
    assert found.terrain is not None
    rig = read_rig(f"calibration/{recipe.rig}.yaml")
    scene = build(recipe)
    depth = light_up(scene).depth_m(cameras_of(rig, scene.T_level_rover)[0])
    camera = found.points.camera
    true = camera.focal_px * camera.baseline_m / depth - camera.offset_px
    columns = np.indices(depth.shape)[1]
    shared = np.isfinite(true) & (columns - true > 8) & (depth < 3)
    disparity = {"error": (found.disparity.disparity_px - true)[shared],
                 "sigma": found.disparity.sigma_px[shared].astype(float), "range": depth[shared]}
    truth = read_truth(folder / f"{recipe.id}.truth.json").elevation
    spec = found.terrain.spec
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    rows, cols = np.rint(truth.rows_cols(x, y)).astype(int)
    inside = (rows >= 0) & (rows < truth.z_m.shape[0]) & (cols >= 0) & (cols < truth.z_m.shape[1])
    inside &= np.isfinite(found.terrain.highest_m)
    error = found.terrain.highest_m[inside] - truth.z_m[rows[inside], cols[inside]]
    # What the stated attitude is off by tilts all cells together: a shared term, taken out here.
    level = fit_plane(np.column_stack([x[inside], y[inside], error]),
                      1 / found.terrain.sigma_m[inside] ** 2)
    error = error - (level[0] + level[1] * x[inside] + level[2] * y[inside])
    return disparity, {"error": error,
                       "sigma": found.terrain.sigma_m[inside], "range": x[inside] - 0.17}


def line(values: dict[str, Floats], low: float, high: float, unit: float) -> str:
    """One row: coverage, gross errors, spread and share within 1, 2, 3 sigma."""
    here = (values["range"] >= low) & (values["range"] < high)
    error, sigma = values["error"][here], values["sigma"][here]
    known = np.isfinite(error) & np.isfinite(sigma)
    e, s = np.abs(error[known]), sigma[known]
    spread = 1.4826 * np.median(np.abs(error[known] - np.median(error[known])))
    shares = " / ".join(f"{np.mean(e < k * s):.0%}" for k in (1, 2, 3))
    return (f"| {low} to {high} m | {known.mean():.1%} | {np.median(error[known]) / unit:+.2f} | "
            f"{spread / unit:.2f} | {np.mean(e > unit):.1%} | {np.mean(e > 2 * unit):.1%} | "
            f"{np.median(s) / unit:.2f} | {shares} |")


def report(title: str, values: dict[str, Floats], unit: float, word: str) -> None:
    """Print one table; errors in multiples of ``unit``."""
    print(f"\n{title} (in {word})\n")
    print("| range | known | bias | MAD | beyond 1 | beyond 2 | median sigma "
          "| within 1/2/3 sigma |")
    print("|---|---|---|---|---|---|---|---|")
    for low, high in RANGES_M:
        print(line(values, low, high, unit))


def main(name: str, folder: Path) -> None:
    """Print both tables of a set."""
    parts = [errors_of(r, folder) for r in recipes("tune" if name == "tune" else "sample")
             if r.rig != "dunlin-em-raw" and (folder / f"{r.id}.truth.json").exists()]
    for i, (title, unit, word) in enumerate((("Disparity", 1.0, "px"),
                                             ("Elevation of seen cells", 0.001, "mm"))):
        merged = {k: np.concatenate([p[i][k] for p in parts]) for k in ("error", "sigma", "range")}
        report(f"{title}, {len(parts)} pairs of the set {name}", merged, unit, word)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
