"""Fit the gains of the disparity's sigma, and say how it does where it was not fitted.

    python -m tests.benchmarks.sigma_fit SET [--every 13]

SET is a rendered set (block tune, ``hazcam rehearse -o SET``). Its even pairs are fitted, by the
likelihood of a normal error with the variance of ``hazcam/disparity/sigma.py`` and the floor as
it stands there; errors beyond ``CLIP_PX`` are no errors of measurement and have no say. The odd
pairs and exact synthetic pairs are reported: the share of errors within 1, 2 and 3 sigma with the
gains found and with those in force. Sigma on public pairs: ``tests.benchmarks.matching accuracy``.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from hazcam.disparity import flat_band
from hazcam.disparity.census import MAX_SIGMA_PX, measure
from hazcam.disparity.record import Blank
from hazcam.disparity.sigma import FLOOR_PX, GAINS, TERMS
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.imagery import NoiseModel, find_sidecars
from tests.benchmarks.matching.ground import RANGES_M, load
from tests.benchmarks.matching.matchers import as_rectified
from tests.benchmarks.matching.synthetic import TUNE_SEEDS, synthetic
from tests.benchmarks.matching.tables import Cell, Table

CLIP_PX = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Sample:
    """Matched pixels: squared terms (N, 4) [px²], errors less their median (N,) [px], range [m]."""

    terms2: Floats
    error_px: Floats
    range_m: Floats


def rendered_sample(path: Path, every: int) -> Sample:
    """Every so-manyeth matched pixel of a rendered pair."""
    pair = load(path)
    measured = measure(pair.rectified, pair.band, pair.noise)
    known = (measured.reason == Blank.MATCHED) & np.isfinite(pair.truth_px)
    return _sample(measured.terms[:, known], (measured.disparity_px - pair.truth_px)[known],
                   pair.ahead_m[known], every)


def synthetic_sample(seed: int, every: int) -> Sample:
    """The same of an exact synthetic pair."""
    made = synthetic(seed)
    scene = made.scene
    rectified = as_rectified(scene.left, scene.right)
    band = flat_band(rectified.camera, 0.0, scene.disparities - 1.0)
    measured = measure(rectified, band, NoiseModel(read_grey=made.noise_grey))
    known = (measured.reason == Blank.MATCHED) & np.isfinite(scene.truth_px)
    error = (measured.disparity_px - scene.truth_px)[known]
    return _sample(measured.terms[:, known], error, np.full(error.size, np.nan), every)


def _sample(
    terms: NDArray[Any], error_px: NDArray[Any], range_m: NDArray[Any], every: int
) -> Sample:
    error = error_px - np.median(error_px) if error_px.size else error_px
    return Sample(terms2=terms.T[::every].astype(np.float64) ** 2,
                  error_px=error[::every].astype(np.float64),
                  range_m=range_m[::every].astype(np.float64))


def pooled(samples: Sequence[Sample]) -> Sample:
    """All pixels of several samples."""
    return Sample(terms2=np.concatenate([s.terms2 for s in samples]),
                  error_px=np.concatenate([s.error_px for s in samples]),
                  range_m=np.concatenate([s.range_m for s in samples]))


def fit(sample: Sample) -> dict[str, float]:
    """Gains of largest likelihood."""
    kept = np.abs(sample.error_px) < CLIP_PX
    terms2, error2 = sample.terms2[kept], sample.error_px[kept] ** 2

    def loss(gains: Floats) -> tuple[float, Floats]:
        variance = terms2 @ gains**2 + FLOOR_PX**2
        slope = 2 * gains * ((1 / variance - error2 / variance**2) @ terms2) / error2.size
        return float(np.mean(np.log(variance) + error2 / variance)), slope

    found = minimize(loss, np.full(len(TERMS), 0.5), jac=True, method="L-BFGS-B")
    return {name: abs(float(g)) for name, g in zip(TERMS, found.x, strict=True)}


def within(sample: Sample, gains: dict[str, float]) -> tuple[float, ...]:
    """Percent of the errors within 1, 2 and 3 sigma, of matches that are not too uncertain."""
    squares = np.array([gains[name] for name in TERMS]) ** 2
    sigma = np.sqrt(sample.terms2 @ squares + FLOOR_PX**2)
    kept = sigma <= MAX_SIGMA_PX
    off = np.abs(sample.error_px[kept]) / sigma[kept]
    return tuple(100 * float(np.mean(off < k)) if off.size else float("nan") for k in (1, 2, 3))


def report(fitted: Sample, held: Sample, exact: Sample) -> list[Table]:
    """Gains, and what they and those in force do."""
    found = fit(fitted)
    rows: list[tuple[Cell, ...]] = []
    for name, gains in (("found now", found), ("in force", GAINS)):
        rows.append((name, "fitted on", *within(fitted, gains)))
        rows.append((name, "held out", *within(held, gains)))
        for low, high in RANGES_M:
            part = (held.range_m >= low) & (held.range_m < high)
            inside = Sample(terms2=held.terms2[part], error_px=held.error_px[part],
                            range_m=held.range_m[part])
            rows.append((name, f"held out, {low:g}-{high:g} m", *within(inside, gains)))
        rows.append((name, "synthetic, tune seeds", *within(exact, gains)))
    return [
        Table(title="Gains of the sigma", note=f"Floor {FLOOR_PX:g} px.",
              columns={"gains": "", **dict.fromkeys(TERMS, ".3f")},
              rows=[("found now", *found.values()), ("in force", *GAINS.values())]),
        Table(title="Errors within sigma", note="Gross errors are in.",
              columns={"gains": "", "pixels": "", "1 sigma %": ".1f", "2 sigma %": ".1f",
                       "3 sigma %": ".1f"}, rows=rows),
    ]


def main() -> None:
    """Fit and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("set", type=Path, help="a rendered set of the block tune")
    parser.add_argument("--every", type=int, default=13, help="take every so-manyeth pixel")
    asked = parser.parse_args()
    samples: list[Sample] = []
    for path in find_sidecars(asked.set):
        try:
            samples.append(rendered_sample(path, asked.every))
        except HazcamError as error:
            print(f"left out: {error}")
    exact = pooled([synthetic_sample(seed, asked.every) for seed in TUNE_SEEDS])
    for table in report(pooled(samples[::2]), pooled(samples[1::2]), exact):
        print(table.markdown())


if __name__ == "__main__":
    main()
