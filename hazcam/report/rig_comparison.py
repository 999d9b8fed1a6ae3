"""Two calibrations compared, as a record (schema ``hazcam-rig-comparison/1``) and as text. Pure.

- Lengths are in m, angles in deg, pixels in px.
- ``null`` stands for what is not known: the sigma where a covariance does not say, and what is read
  at a distance that the two cameras do not see in common.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import asdict

from rich.table import Table

from hazcam import __version__
from hazcam.calibration.compare import SIGNIFICANT, ParameterChange, RigComparison
from hazcam.calibration.effect import DistanceEffect, LengthChange
from hazcam.calibration.rig import StereoRig
from hazcam.report.record import Record, plain, versions
from hazcam.report.text import WIDTH, rendered

SCHEMA = "hazcam-rig-comparison/1"
# Unit of the text, how many of it make one of the record, digits.
_PRINTED = {"px": ("px", 1.0, 3), "m": ("mm", 1000.0, 3), "deg": ("deg", 1.0, 4), "": ("", 1.0, 5)}
_MOST_NAMED = 4
# The turn of a rotation against itself comes out of the arithmetic within this.
_ROUNDING = 1e-12


def rig_comparison_record(found: RigComparison) -> Record:
    """The comparison as plain values ready for JSON."""
    computed = {
        "conclusion": conclusion(found),
        "a": _rig(found.a), "b": _rig(found.b),
        "significant_sigmas": SIGNIFICANT, "height_is": found.up, "notes": found.notes,
        "changes": [{**asdict(c), "change": c.change, "sigma": c.sigma, "sigmas": c.sigmas}
                    for c in found.changes],
        "effects": [asdict(e) for e in found.effects],
    }
    return {"schema": SCHEMA, "hazcam": __version__, **plain(computed),
            "digests": {"a": found.a.digest, "b": found.b.digest}, "versions": versions()}


def _rig(rig: StereoRig) -> Record:
    return {"name": rig.name, "size_px": rig.size, "model": rig.model}


def conclusion(found: RigComparison) -> str:
    """One sentence: what changed significantly, and what that does at 1 m."""
    return f"{_what_changed(found.changes)}; {_at_one_metre(found.effects)}."


def _what_changed(changes: Sequence[ParameterChange]) -> str:
    known = [(abs(c.sigmas), c) for c in changes if c.sigmas is not None]
    clear = [c for sigmas, c in sorted(known, key=lambda row: -row[0]) if sigmas >= SIGNIFICANT]
    if not known:
        moved = any(abs(c.change) > _ROUNDING for c in changes)
        return ("Whether anything changed significantly is not known, for want of covariances"
                if moved else "Nothing changed")
    if not clear:
        return f"Nothing changed by {SIGNIFICANT:g} sigma or more"
    named = [f"{c.name} ({_signed(c)}, {abs(c.sigmas or 0):.1f} sigma)"
             for c in clear[:_MOST_NAMED]]
    more = f" and {len(clear) - _MOST_NAMED} more" if len(clear) > _MOST_NAMED else ""
    return f"Changed by {SIGNIFICANT:g} sigma or more: {', '.join(named)}{more}"


def _at_one_metre(effects: Sequence[DistanceEffect]) -> str:
    effect = min(effects, key=lambda e: abs(e.distance_m - 1.0))
    if effect.points == 0:
        return f"at {effect.distance_m:g} m the two cameras see nothing in common"
    return (f"at {effect.distance_m:g} m ranges are read up to {_mm(effect.range.largest_m)} mm "
            f"off ({effect.range.largest_at}), heights up to {_mm(effect.height.largest_m)} mm "
            f"({effect.height.largest_at})")


# --- text -----------------------------------------------------------------------------------------


def rig_comparison_text(found: RigComparison) -> str:
    """Conclusion, changes, and what they do; plain and of a fixed width."""
    a, b = found.a, found.b
    paragraphs = [
        conclusion(found),
        f"A: rig {a.name} ({a.model}, digest {a.digest[:12]}). B: rig {b.name} ({b.model}, digest "
        f"{b.digest[:12]}). Change: B less A; the turn of the right camera is that of R_B against "
        "R_A (R_B = Rodrigues(turn) R_A). Sigma of the change: from both covariances, independent; "
        "- where that is not known.",
        *(f"Note: {note}." for note in found.notes),
    ]
    effect = ("What is seen by B and read with A: what is read less what is true [mm], by the "
              "distance from the left camera, over the field of view that both cameras share. "
              f"Height: {found.up}; a change of the mount is not in it. ± one sigma of the "
              "change, where both covariances are known. The largest row offset is that of the "
              "right picture.")
    return "\n\n".join([
        *(textwrap.fill(text, WIDTH) for text in paragraphs), _changes_table(found.changes),
        textwrap.fill(effect, WIDTH), _effects_table(found.effects)]) + "\n"


def _changes_table(changes: Sequence[ParameterChange]) -> str:
    table = _table(("parameter", "A", "B", "change", "sigma", "in sigma", "unit"), left=(0, 6))
    for c in changes:
        unit, scale, digits = _PRINTED[c.unit]
        cells = [f"{scale * v:.{digits}f}" for v in (c.a, c.b)]
        sigma = "-" if c.sigma is None else f"{scale * c.sigma:.{digits}f}"
        sigmas = "-" if c.sigmas is None else f"{c.sigmas:+.1f}"
        table.add_row(c.name, *cells, f"{scale * c.change:+.{digits}f}", sigma, sigmas, unit)
    return rendered(table)


def _effects_table(effects: Sequence[DistanceEffect]) -> str:
    table = _table(("distance", "", "in the middle", "median\namount", "largest", "where",
                    "largest row\noffset [px]"), left=(0, 1, 5))
    for e in effects:
        if e.points == 0:
            table.add_row(f"{e.distance_m:g} m", "not seen by both", "", "", "", "", "")
            continue
        offset = f"{e.row_offset_px:+.2f}"
        for name, change, last in (("range", e.range, offset), ("height", e.height, "")):
            table.add_row(f"{e.distance_m:g} m" if last else "", name, *_cells(change), last)
    return rendered(table)


def _cells(change: LengthChange) -> tuple[str, str, str, str]:
    middle = _with_sigma(change.middle_m, change.middle_sigma_m)
    largest = _with_sigma(change.largest_m, change.largest_sigma_m)
    return middle, f"{1000 * change.median_m:.1f}", largest, change.largest_at


def _with_sigma(length_m: float, sigma_m: float | None) -> str:
    return _mm(length_m) + ("" if sigma_m is None else f" ± {1000 * sigma_m:.1f}")


def _mm(length_m: float) -> str:
    return "-" if math.isnan(length_m) else f"{1000 * length_m:+.1f}"


def _signed(change: ParameterChange) -> str:
    unit, scale, digits = _PRINTED[change.unit]
    return f"{scale * change.change:+.{digits}f} {unit}".rstrip()


def _table(headers: Sequence[str], *, left: Sequence[int]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="left" if i in left else "right", no_wrap=True)
    return table
