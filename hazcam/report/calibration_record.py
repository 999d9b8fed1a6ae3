"""A solved rig as a record of plain values: schema ``hazcam-calibration/1``. Pure.

- A name carries its unit; where units differ from row to row (``parameters``), a ``unit`` stands
  beside. Shares are of 1. Pixels are of the pictures as they come.
- ``null`` stands for what is not known: the residual of a view that was not used, the sigma by the
  corner method where there is no other method, a sigma where no point is seen by both cameras.
- ``trust`` holds what was found on views by a rig that was solved without them; ``fitted`` what is
  left over of the views that it was solved with, which always looks better.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from hazcam import __version__
from hazcam.calibration.effect import PointSigma, place_words, sigma_of_points, up_of
from hazcam.calibration.solution import ModelScore, RigSolution, ViewReport
from hazcam.calibration.words import (
    GOOD_COVERAGE,
    GOOD_EPIPOLAR_PX,
    GOOD_HEIGHT_SIGMA_M,
    GOOD_SCALE,
    height_sigma_m,
)
from hazcam.frames import Floats
from hazcam.report.calibration_bend import bend_along
from hazcam.report.record import Record, plain
from hazcam.versions import versions

CALIBRATION_SCHEMA = "hazcam-calibration/1"
EFFECT_DISTANCES_M = (0.5, 1.0, 2.0)
# Columns and rows of left pixels; finer than the contours of a map need.
EFFECT_GRID = (33, 25)


def calibration_record(solution: RigSolution, *, inputs: Mapping[str, Any]) -> Record:
    """All that was found out by solving a rig, as plain values ready for JSON.

    Parameters
    ----------
    solution : RigSolution
        From ``solve_rig``.
    inputs : mapping
        Where the pictures are (paths relative to where the record is kept) and what options
        changed; kept as it is.
    """
    s = solution
    computed = {
        "verdict": s.verdict, "advice": s.advice,
        "limits": {"epipolar_px": GOOD_EPIPOLAR_PX, "edge_bias": GOOD_SCALE,
                   "height_sigma_at_1_m_m": GOOD_HEIGHT_SIGMA_M, "coverage": GOOD_COVERAGE},
        "trust": {"epipolar": _epipolar(s), "edge": _edge(s)},
        "height_sigma_at_1_m_m": height_sigma_m(s.rig),
        "rig": {"name": s.rig.name, "size_px": s.rig.size, "model": s.rig.model,
                "baseline_m": s.rig.baseline_m, "digest": s.rig.digest},
        "target": asdict(s.target),
        "choice": s.choice, "models": [_model(m, s) for m in s.models],
        "parameters": [{**asdict(p), "sigma": p.sigma} for p in s.parameters],
        "fitted": {"rms_px": s.rms_px, "corner_left_px": s.corner_px[0],
                   "corner_right_px": s.corner_px[1], "held_out_rms_px": s.held_out.rms_all_px,
                   "spread_between_views": s.spread_between_views},
        "flatness": {"bow_m": s.flatness.bow_m, "sigma_m": s.flatness.sigma_m,
                     "significant": s.flatness.significant},
        "views": _views(s), "coverage": _coverage(s),
        "height_is": up_of(s.rig)[1], "effects": [_effect(e, s) for e in effects_of(s)],
    }
    return {"schema": CALIBRATION_SCHEMA, "hazcam": __version__, **plain(computed),
            "digests": {"rig": s.rig.digest}, "versions": versions(), "inputs": dict(inputs)}


# --- held-out numbers -----------------------------------------------------------------------------


def _epipolar(s: RigSolution) -> Record:
    offset = s.held_out.epipolar_px
    largest = int(np.abs(offset).argmax())
    return {"corners": len(offset), "mean_abs_px": float(np.abs(offset).mean()),
            "mean_px": float(offset.mean()), "rms_px": float(np.sqrt((offset**2).mean())),
            "largest_px": float(offset[largest]),
            "largest_view": s.used[int(s.held_out.epipolar_view[largest])],
            "along_columns": _bend(s, 0), "along_rows": _bend(s, 1)}


def _bend(s: RigSolution, axis: int) -> Record:
    """Medians of the row offset by eighths of the left picture, and could it be chance."""
    bend = bend_along(s, axis)
    return {"places_px": bend.places_px.tolist(), "medians_px": bend.medians_px.tolist(),
            "chance": bend.chance, "beyond_chance": bend.beyond_chance}


def _edge(s: RigSolution) -> Record:
    edges, pitch_m = s.held_out.edges, s.target.pitch_m
    bias, spread = float(edges.mean()) - 1, float(edges.std())
    return {"edges": len(edges), "pitch_m": pitch_m, "bias": bias, "spread": spread,
            "bias_m": bias * pitch_m, "spread_m": spread * pitch_m}


def edges_by_view(solution: RigSolution) -> list[Floats]:
    """Measured over true length of the target's edges, held out, for each view that was used."""
    held_out = solution.held_out
    return [held_out.edges[held_out.edges_view == v] for v in range(len(solution.used))]


# --- models and views -----------------------------------------------------------------------------


def _model(score: ModelScore, s: RigSolution) -> Record:
    # A model that was not solved has no number of parameters either.
    solved = bool(score.parameters)
    return {**asdict(score), "parameters": score.parameters if solved else None,
            "chosen": score.model == s.rig.model}


def _views(s: RigSolution) -> list[Record]:
    edges = dict(zip(s.used, edges_by_view(s), strict=True))
    offsets = {view: s.held_out.epipolar_px[s.held_out.epipolar_view == v]
               for v, view in enumerate(s.used)}
    nothing = np.empty(0)
    return [_view(v, offsets.get(v.id, nothing), edges.get(v.id, nothing)) for v in s.views]


def _view(view: ViewReport, offset_px: Floats, edges: Floats) -> Record:
    none = float("nan")
    return {
        "id": view.id, "left": view.left_name or None, "right": view.right_name or None,
        "fate": view.fate.value, "reason": view.reason,
        "points_left": view.points[0], "points_right": view.points[1],
        "rms_left_px": view.rms_px[0], "rms_right_px": view.rms_px[1],
        "held_out_px": view.held_out_px,
        "epipolar_mean_abs_px": float(np.abs(offset_px).mean()) if offset_px.size else none,
        "edge_bias": float(edges.mean()) - 1 if edges.size else none,
        "edge_spread": float(edges.std()) if edges.size else none,
        "distance_m": view.distance_m, "tilt_deg": view.tilt_deg,
    }


# --- coverage and effects -------------------------------------------------------------------------


def _coverage(s: RigSolution) -> Record:
    c = s.coverage
    return {"share": c.share, "corners_left": c.left.tolist(), "corners_right": c.right.tolist(),
            "distance_m": _least_and_most(c.distance_m), "tilt_deg": _least_and_most(c.tilt_deg)}


def _least_and_most(values: Floats) -> list[float]:
    return [float(values.min()), float(values.max())]


def effects_of(solution: RigSolution) -> Sequence[PointSigma]:
    """What the rig's covariance leaves open of ranges and heights over the left picture."""
    return sigma_of_points(solution.rig, EFFECT_DISTANCES_M, EFFECT_GRID)


def _effect(sigma: PointSigma, s: RigSolution) -> Record:
    return {"distance_m": sigma.distance_m,
            "seen_share": float(np.isfinite(sigma.range_sigma_m).mean()),
            "range": _length(sigma.range_sigma_m, sigma, s),
            "height": _length(sigma.height_sigma_m, sigma, s)}


def _length(values: Floats, sigma: PointSigma, s: RigSolution) -> Record:
    """Median and largest over what both cameras see, and where in the left picture that is."""
    place = largest_at(values)
    if place is None:
        return {"median_m": None, "largest_m": None, "largest_at_px": None, "largest_at": None}
    pixel = np.array([sigma.columns_px[place[1]], sigma.rows_px[place[0]]])
    return {"median_m": float(np.nanmedian(values)), "largest_m": float(values[place]),
            "largest_at_px": pixel.tolist(), "largest_at": place_words(pixel, s.rig.size)}


def largest_at(values: Floats) -> tuple[int, int] | None:
    """Row and column of the largest value that is known; None where none is."""
    if not np.isfinite(values).any():
        return None
    row, column = np.unravel_index(int(np.nanargmax(values)), values.shape)
    return int(row), int(column)
