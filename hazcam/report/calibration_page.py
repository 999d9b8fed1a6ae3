"""The page of a solved rig: one file that needs no network, the verdict first."""

from __future__ import annotations

from pathlib import PurePath

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

from hazcam.report.calibration_text import (
    bend_text,
    choice_text,
    corners_text,
    coverage_text,
    fates_text,
    flatness_text,
    in_mm,
    number,
    parameter_cells,
    scale_text,
    statements,
)
from hazcam.report.page import data_uri
from hazcam.report.record import Record

_JPEG_QUALITY = 82
_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)
_PAGES.filters.update(number=number, cells=parameter_cells, mm=in_mm,
                      percent=lambda share, digits=0: f"{100 * share:.{digits}f} %")


def calibration_page(
    record: Record, *, effect: bytes, held_out: bytes, coverage: bytes, views: bytes,
    residuals: bytes, sheet: bytes,
) -> str:
    """The page of a solved rig.

    Parameters
    ----------
    record : dict
        From ``calibration_record``.
    effect, held_out, coverage, views, residuals, sheet : bytes
        PNG of the figures of the same names.
    """
    return _PAGES.get_template("calibration.html").render(
        record=record, about=[line for line in statements(record)
                              if line[0] in ("rig", "target", "views")],
        scale=scale_text(record), bend=bend_text(record), origin=origin(record["inputs"]),
        limits=_limits(record), choice=choice_text(record), fates=fates_text(record),
        covered=coverage_text(record), corners=corners_text(record),
        flat=flatness_text(record), effect=data_uri(effect),
        held_out=data_uri(held_out), coverage=data_uri(coverage), views=data_uri(views),
        residuals=data_uri(residuals), sheet=data_uri(_jpeg(sheet), "jpeg"),
    )


def _limits(record: Record) -> list[tuple[str, str, str, str]]:
    """What the verdict rests on: what, what was found, the limit, and in or out of it."""
    row, edge = record["trust"]["epipolar"], record["trust"]["edge"]
    limits, share = record["limits"], record["coverage"]["share"]
    height_m = record["height_sigma_at_1_m_m"]
    known = height_m is not None
    rows = (
        ("rows of the two pictures, mean offset, held out", f"{row['mean_abs_px']:.3f} px",
         f"{limits['epipolar_px']:g} px", row["mean_abs_px"] <= limits["epipolar_px"]),
        ("length of the target's edges, bias, held out", f"{100 * edge['bias']:+.2f} %",
         f"{100 * limits['edge_bias']:g} %", abs(edge["bias"]) <= limits["edge_bias"]),
        ("heights at 1 m, one sigma, over nine tenths of the picture",
         f"{in_mm(height_m)} mm" if known else "not known",
         f"{1e3 * limits['height_sigma_at_1_m_m']:g} mm",
         known and height_m <= limits["height_sigma_at_1_m_m"]),
        ("cells of both pictures that hold corners", f"{100 * share:.0f} %",
         f"{100 * limits['coverage']:.0f} % at least", share >= limits["coverage"]),
    )
    return [*((what, found, limit, "within" if good else "not within")
              for what, found, limit, good in rows),
            ("length of the baseline, by the pitch as given",
             f"{1000 * record['rig']['baseline_m']:.2f} mm", "none", "not shown by these pictures")]


# What a record calls an option, and what that is without one.
_OPTIONS = {
    "source": ("pictures", ""), "pair": ("names of pairs", "by left and right in the names"),
    "singles": ("single pictures used", ""), "model": ("lens model", "by the held-out error"),
    "half_window_px": ("half window of a corner [px]", "by the spacing of the corners"),
    "keep_outliers": ("views kept that do not fit", ""),
}


def origin(inputs: Record) -> list[tuple[str, str]]:
    """What the record says of its inputs, in words: label and text.

    Examples
    --------
    >>> origin({"source": "../../boards/mast", "singles": False, "model": None})
    [('pictures', 'mast'), ('single pictures used', 'no'), ('lens model', 'by the held-out error')]
    """
    rows = []
    for key, value in inputs.items():
        label, default = _OPTIONS.get(key, (key.replace("_", " "), "not given"))
        rows.append((label, _folder(value) if key == "source" else
                     default if value is None else
                     {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)))
    return rows


def _folder(path: str) -> str:
    """The name of a folder, or of a list, that is given relative to the page."""
    name = PurePath(path).name
    return {"": "the folder of this page", "..": "a folder above this page"}.get(name, name)


def _jpeg(picture: bytes) -> bytes:
    """A PNG of photographs as JPEG, which takes a quarter."""
    pixels = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    assert pixels is not None  # it is our own picture
    return bytes(cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])[1])
