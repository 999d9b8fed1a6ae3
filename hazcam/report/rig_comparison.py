"""Two calibrations compared, as a record (schema ``hazcam-rig-comparison/1``) and as text. Pure.

- Lengths are in m, angles in deg, pixels in px.
- ``null`` stands for what is not known: the sigma where neither a covariance nor what wrote the
  mount says it, and what is read at a distance that is not seen. In ``a`` of a turn it stands for
  none: the turn is that of B against A.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import asdict

from rich.table import Table

from hazcam import __version__
from hazcam.calibration.compare import SIGNIFICANT, ParameterChange, RigComparison
from hazcam.calibration.effect import DistanceEffect, LengthChange
from hazcam.calibration.mount_effect import MountEffect
from hazcam.calibration.rig import StereoRig
from hazcam.report.record import Record, plain
from hazcam.report.text import WIDTH, rendered
from hazcam.versions import versions

SCHEMA = "hazcam-rig-comparison/1"
# Unit of the text, how many of it make one of the record, digits.
_PRINTED = {"px": ("px", 1.0, 3), "m": ("mm", 1000.0, 3), "deg": ("deg", 1.0, 4), "": ("", 1.0, 5)}
_MOST_NAMED = 4


def rig_comparison_record(found: RigComparison) -> Record:
    """The comparison as plain values ready for JSON."""
    computed = {
        "conclusion": conclusion(found),
        "a": _rig(found.a), "b": _rig(found.b),
        "significant_sigmas": SIGNIFICANT, "height_is": found.up, "notes": found.notes,
        "changes": [{**asdict(c), "change": c.change, "sigma": c.sigma, "sigmas": c.sigmas}
                    for c in found.changes],
        "effects": [asdict(e) for e in found.effects],
        "mount_effects": [asdict(e) for e in found.mount_effects],
    }
    return {"schema": SCHEMA, "hazcam": __version__, **plain(computed),
            "digests": {"a": found.a.digest, "b": found.b.digest}, "versions": versions()}


def _rig(rig: StereoRig) -> Record:
    return {"name": rig.name, "file": rig.source, "size_px": rig.size, "model": rig.model}


def conclusion(found: RigComparison) -> str:
    """What changed significantly, what that does at 1 m, and what the change of the mount does."""
    if found.identical:
        return "The two rigs are identical."
    return " ".join(f"{sentence}." for sentence in (
        *_what_changed(found), *_at_one_metre(found), *_mount_at_one_metre(found)))


def _what_changed(found: RigComparison) -> list[str]:
    known = [(abs(c.sigmas), c) for c in found.changes if c.sigmas is not None]
    clear = [c for sigmas, c in sorted(known, key=lambda row: -row[0]) if sigmas >= SIGNIFICANT]
    unknown = [c for c in found.changes if c.of_mount and c.sigmas is None and c.moved]
    said = ["The cameras are the same"] if found.same_cameras else []
    if clear:
        said.append(f"Changed by {SIGNIFICANT:g} sigma or more: " + _named(
            clear, lambda c: f"{c.name} ({_signed(c)}, {abs(c.sigmas or 0):.1f} sigma)"))
    elif any(not c.of_mount for _, c in known) and not found.same_cameras:
        of = "Of the cameras nothing" if unknown else "Nothing"
        said.append(f"{of} changed by {SIGNIFICANT:g} sigma or more")
    elif any(c.of_mount and c.moved for _, c in known) and not unknown:
        said.append(f"Of the mount nothing changed by {SIGNIFICANT:g} sigma or more")
    if found.without_covariance and not found.same_cameras:
        said.append("Whether the cameras changed significantly is not known: no covariance in "
                    f"{found.without_covariance}")
    unmounted = [name for name, rig in (("A", found.a), ("B", found.b)) if rig.mount is None]
    if len(unmounted) == 1:
        said.append(f"The mounts are not compared: {unmounted[0]} has none")
    if unknown:
        said.append("The mount changed, by how many sigma is not known: " + _named(
            unknown, lambda c: f"{c.name.removeprefix('mount ')} ({_signed(c)})"))
    return said


def _named(changes: Sequence[ParameterChange], words: Callable[[ParameterChange], str]) -> str:
    more = f" and {len(changes) - _MOST_NAMED} more" if len(changes) > _MOST_NAMED else ""
    return ", ".join(words(c) for c in changes[:_MOST_NAMED]) + more


def _at_one_metre(found: RigComparison) -> list[str]:
    effect = min(found.effects, key=lambda e: abs(e.distance_m - 1.0))
    if found.same_cameras:
        return []
    if effect.points == 0:
        return [f"At {effect.distance_m:g} m the two cameras see nothing in common"]
    return [f"At {effect.distance_m:g} m ranges are read {_off(effect.range)}, heights "
            f"{_off(effect.height)}"]


def _mount_at_one_metre(found: RigComparison) -> list[str]:
    if not _mount_moved(found):
        return []
    effect = min(found.mount_effects, key=lambda e: abs(e.distance_m - 1.0))
    if math.isnan(effect.height.median_m):
        return [f"The cameras stand higher than {effect.distance_m:g} m, so there is no ground at "
                "that distance"]
    return [f"By the change of the mount alone the height of ground at {effect.distance_m:g} m is "
            f"read {_off(effect.height)}, and its place up to "
            f"{1000 * effect.place.largest_m:.1f} mm"]


def _off(change: LengthChange) -> str:
    """Median and its sigma first, then the largest and where it is."""
    unknown = "" if change.median_sigma_m is not None else " (± not known)"
    return (f"{_amount(change)} mm off in the median{unknown}, at most "
            f"{_with_sigma(change.largest_m, change.largest_sigma_m)} mm ({change.largest_at})")


# --- text -----------------------------------------------------------------------------------------


def rig_comparison_text(found: RigComparison) -> str:
    """Conclusion, changes, and what they do; plain and of a fixed width."""
    a, b = found.a, found.b
    head = [
        conclusion(found),
        f"A: {a.source or a.name} ({a.model}, digest {a.digest[:12]})\nB: {b.source or b.name} "
        f"({b.model}, digest {b.digest[:12]})", *(f"Note: {note}." for note in found.notes)]
    if found.same_cameras and not _mount_moved(found):
        return _filled(head)
    change = (
        "Change: B less A. Sigma of the change: of the mount as `hazcam calibrate mount` wrote it, "
        "without the calibration's part, which both share; A and B independent; - where that is "
        "not known." if found.same_cameras else
        "Change: B less A; the turn of the right camera is that of R_B against R_A (R_B = "
        "Rodrigues(turn) R_A), so A has none. Sigma of the change: from both covariances, and of "
        "the mount as `hazcam calibrate mount` wrote it, A and B independent; - where that is not "
        "known.")
    return "\n".join([_filled([*head, change]), _changes_table(found), "",
                      _filled([_effects_words(found)]), _effects_table(found)]) + "\n"


def _effects_words(found: RigComparison) -> str:
    cameras = ("The cameras are the same, and read alike." if found.same_cameras else
               "Range and height: by the cameras alone, over the field of view that both share; "
               f"height along {found.up}. The largest row offset is that of the right picture.")
    mount = (" Ground and place: by the mount alone, the height that flat ground across the "
             "picture is read at, and how far it is moved along the horizontal (an amount, without "
             "sigma)."
             if _mount_moved(found) else "")
    return (f"What is seen by B and read with A: what is read less what is true [mm], by the "
            f"distance from the left camera. {cameras}{mount} ± one sigma of the change, where it "
            "is known of both rigs.")


def _mount_moved(found: RigComparison) -> bool:
    return any(c.of_mount and c.moved for c in found.changes)


def _filled(paragraphs: Sequence[str]) -> str:
    """Paragraphs within the width; a line that begins with a letter and a colon hangs below it."""
    return "\n\n".join(
        "\n".join(textwrap.fill(line, WIDTH, subsequent_indent="   " if line[1] == ":" else "")
                  for line in text.split("\n")) for text in paragraphs) + "\n"


def _changes_table(found: RigComparison) -> str:
    """All parameters; of cameras that are the same only the mount."""
    table = _table(("parameter", "A", "B", "change", "sigma", "in sigma", "unit"), left=(0, 6))
    for c in found.changes:
        if found.same_cameras and not c.of_mount:
            continue
        unit, scale, digits = _PRINTED[c.unit]
        cells = ["-" if v is None else f"{scale * v:.{digits}f}" for v in (c.a, c.b)]
        sigma = "-" if c.sigma is None else f"{scale * c.sigma:.{digits}f}"
        sigmas = "-" if c.sigmas is None else _rounded(c.sigmas, 1.0, 1)
        table.add_row(c.name, *cells, _rounded(c.change, scale, digits), sigma, sigmas, unit)
    return rendered(table)


def _effects_table(found: RigComparison) -> str:
    table = _table(("distance", "", "in the middle", "median\namount", "largest", "where",
                    "largest row\noffset [px]"), left=(0, 1, 5))
    mounts = {e.distance_m: e for e in found.mount_effects if _mount_moved(found)}
    for e in found.effects:
        cameras = [] if found.same_cameras else _camera_rows(e)
        for i, cells in enumerate((*cameras, *_mount_rows(mounts.get(e.distance_m)))):
            table.add_row(f"{e.distance_m:g} m" if i == 0 else "", *cells)
    return rendered(table)


def _camera_rows(effect: DistanceEffect) -> list[tuple[str, ...]]:
    if effect.points == 0:
        return [("range", "not seen by both", "", "", "", "")]
    return [("range", *_cells(effect.range), f"{effect.row_offset_px:+.2f}"),
            ("height", *_cells(effect.height), "")]


def _mount_rows(effect: MountEffect | None) -> list[tuple[str, ...]]:
    if effect is None:
        return []
    if math.isnan(effect.height.median_m):
        return [("ground", "out of reach", "", "", "", "")]
    place = (cell.lstrip("+") for cell in _cells(effect.place))
    return [("ground", *_cells(effect.height), ""), ("place", *place, "")]


def _cells(change: LengthChange) -> tuple[str, str, str, str]:
    middle = _with_sigma(change.middle_m, change.middle_sigma_m)
    largest = _with_sigma(change.largest_m, change.largest_sigma_m)
    return middle, _amount(change), largest, change.largest_at


def _amount(change: LengthChange) -> str:
    """The median, an amount without a sign, with its sigma."""
    sigma = change.median_sigma_m
    return f"{1000 * change.median_m:.1f}" + ("" if sigma is None else f" ± {1000 * sigma:.1f}")


def _with_sigma(length_m: float, sigma_m: float | None) -> str:
    return _mm(length_m) + ("" if sigma_m is None else f" ± {1000 * sigma_m:.1f}")


def _mm(length_m: float) -> str:
    # Adding 0 turns -0 into 0.
    return "-" if math.isnan(length_m) else f"{round(1000 * length_m, 1) + 0.0:+.1f}"


def _signed(change: ParameterChange) -> str:
    unit, scale, digits = _PRINTED[change.unit]
    return f"{_rounded(change.change, scale, digits)} {unit}".rstrip()


def _rounded(value: float, scale: float, digits: int) -> str:
    return f"{round(scale * value, digits) + 0.0:+.{digits}f}"


def _table(headers: Sequence[str], *, left: Sequence[int]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="left" if i in left else "right", no_wrap=True)
    return table
