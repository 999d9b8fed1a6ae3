"""The mount of a rig as a record (schema ``hazcam-mount/1``) and as text. Pure.

- Lengths are in m, angles in deg, disparities in px; shares are of 1.
- ``null`` stands for what is not known: the calibration's part of a rig that states no covariance,
  the spread of a single pair.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict

from rich.table import Table

from hazcam import __version__
from hazcam.calibration.rig import StereoRig
from hazcam.floor import OFF_PX, OFF_SIGMAS, PATCHES_ACROSS
from hazcam.laid_target import LaidTarget
from hazcam.mounting import NAMES, HeightCheck, MountEstimate, Placement
from hazcam.report.record import Record, plain
from hazcam.report.text import WIDTH, rendered
from hazcam.versions import versions

SCHEMA = "hazcam-mount/1"
_UNITS = ("m", "deg", "deg")
# What is printed of height, pitch and roll: unit, how many of it make one of the record, digits.
_PRINTED = (("mm", 1000.0, 2), ("°", 1.0, 3), ("°", 1.0, 3))


def mount_record(
    rig: StereoRig, mounted: StereoRig, estimate: MountEstimate, placement: Placement,
    check: HeightCheck | None, failures: Mapping[str, str], targets: Sequence[LaidTarget] = (),
) -> Record:
    """The mount as plain values ready for JSON.

    Parameters
    ----------
    rig, mounted : StereoRig
        As given, and with its mount.
    estimate : MountEstimate
    placement : Placement
    check : HeightCheck or None
        None where no height was measured.
    failures : mapping of str to str
        Why pairs were left out, by name.
    targets : sequence of LaidTarget
        Where a target was laid on the floor.
    """
    assert mounted.mount is not None
    pairs = [{"id": f.pair_id, "digest": f.pair_digest,
              **_values((f.height_m, f.pitch_deg, f.roll_deg)),
              **_values(f.covariance.diagonal() ** 0.5, "_sigma"),
              "matched": f.matched, "off": f.off, "bow_px": f.bow_px,
              "residual_px": f.residual_px, "residual_sigmas": f.residual_sigmas}
             for f in estimate.floors]
    calibration = estimate.calibration_sigma
    computed = {
        "pairs": pairs, "failures": dict(failures),
        "found": {**_values(estimate.values), **_values(estimate.sigma, "_sigma"),
                  **_values(estimate.own_sigma, "_own_sigma"),
                  **_values(estimate.spread, "_spread"),
                  **_values((None,) * 3 if calibration is None else calibration,
                            "_calibration_sigma")},
        "placement": asdict(placement), "targets": [_target(one) for one in targets],
        "height_check": None if check is None else {**asdict(check), "agrees": check.agrees,
                                                    "text": check.text},
    }
    return {"schema": SCHEMA, "hazcam": __version__, "rig": rig.name,
            "conclusion": conclusion(estimate, check, len(failures)), **plain(computed),
            "mount_R": mounted.mount.R.tolist(), "mount_t": mounted.mount.t.tolist(),
            "notes": notes(estimate, check),
            "digests": {"rig": rig.digest, "mounted": mounted.digest}, "versions": versions()}


def conclusion(estimate: MountEstimate, check: HeightCheck | None, failed: int) -> str:
    """What was found, and first whether a measured height speaks against it."""
    height, pitch, roll = (
        f"{scale * value:.{digits}f} ± {scale * sigma:.{digits}f}{' ' * (unit == 'mm')}{unit}"
        for value, sigma, (unit, scale, digits) in zip(estimate.values, estimate.sigma, _PRINTED,
                                                       strict=True))
    used = len(estimate.floors)
    of = f" of {used + failed}" if failed else ""
    found = (f"The left camera stands {height} above the floor, pitch {pitch}, roll {roll}, by "
             f"{used}{of} pair{'' if used + failed == 1 else 's'}"
             + (" (± the fit alone: the rig states no covariance)."
                if estimate.calibration_sigma is None else "."))
    if check is None:
        return f"{found} The baseline is not checked: no height was measured by hand."
    measured = (f"measured height {1000 * check.measured_m:.1f} ± "
                f"{1000 * check.measured_sigma_m:.1f} mm")
    if check.agrees:
        return f"{found} The {measured} {check.text}."
    return f"Do not use this mount yet. The {measured} {check.text}. {found}"


def _target(one: LaidTarget) -> Record:
    x, y, yaw = one.values.tolist()
    x_sigma, y_sigma, yaw_sigma = (one.covariance.diagonal() ** 0.5).tolist()
    return {"id": one.pair_id, "corners": one.corners, "x_m": x, "y_m": y, "yaw_deg": yaw,
            "x_sigma_m": x_sigma, "y_sigma_m": y_sigma, "yaw_sigma_deg": yaw_sigma,
            "residual_m": one.residual_m, "height_m": one.height_m, "tilt_deg": one.tilt_deg,
            "size_share": one.size_share}


def _values(numbers: Iterable[float | None], suffix: str = "") -> Record:
    return {f"{name}{suffix}_{unit}": None if value is None else float(value)
            for name, unit, value in zip(NAMES, _UNITS, numbers, strict=True)}


def notes(estimate: MountEstimate, check: HeightCheck | None) -> list[str]:
    """What the numbers rest on."""
    found = [
        "the rover is taken to stand on this floor in its nominal stance; an attitude that a "
        "sidecar states is not used: the floor is the reference",
        "height is proportional to the baseline of the rig, as all ranges are; no scene shows the "
        "baseline by itself",
    ]
    if check is None:
        found.append("the baseline is not checked: measure the height of the left camera's lens "
                     "above the floor, and give --measured-height-m and --measured-height-sigma-m")
    if estimate.calibration_sigma is None:
        found.append("the rig states no covariance: what the calibration leaves open of height, "
                     "pitch and roll is not known and not in the sigmas")
    if len(estimate.floors) == 1:
        found.append("one pair does not show how well the stance repeats: take several, and let "
                     "the rover stand up anew before each")
    return found


# --- text -----------------------------------------------------------------------------------------


def mount_text(record: Record) -> str:
    """Conclusion, a row for each pair and for all, and where the rest comes from."""
    placement = record["placement"]
    head = [record["conclusion"],
            f"Mount of rig {record['rig']}: left camera above the floor, pitch (positive: optical "
            "axis below the horizon), roll (positive: left side up); ± one sigma. Of a pair: the "
            f"fit alone. Off the plane: the share of matches farther than {OFF_PX:g} px and "
            f"{OFF_SIGMAS:g} sigma from it. Patches off: by how much patches of a "
            f"{PATCHES_ACROSS}th of the picture's width lie off it as a whole, root mean square."]
    rest = [
        f"offset ahead {_known(placement['x_m'], placement['x_sigma_m'], 1000.0, 'mm')} "
        f"({placement['x_from']}), to the left "
        f"{_known(placement['y_m'], placement['y_sigma_m'], 1000.0, 'mm')} "
        f"({placement['y_from']}), yaw "
        f"{_known(placement['yaw_deg'], placement['yaw_sigma_deg'], 1.0, '°')} "
        f"({placement['yaw_from']})"]
    rest += [f"target in {t['id']}: {t['corners']} points, {1000 * t['residual_m']:.2f} mm left "
             f"along the floor; it lies {1000 * t['height_m']:+.1f} mm above the floor's plane, "
             f"tilted by {t['tilt_deg']:.2f}°, and is read {100 * t['size_share']:+.2f} % larger "
             "than its pitch says"
             for t in record["targets"]]
    rest += [f"note: {note}" for note in record["notes"]]
    failed = [f"failed: {name}\n{textwrap.indent(reason, '  ')}"
              for name, reason in record["failures"].items()]
    return "\n\n".join([*(textwrap.fill(text, WIDTH) for text in head), _table(record),
                        "\n".join(textwrap.fill(line, WIDTH, subsequent_indent="  ")
                                  for line in rest), *failed]) + "\n"


def _known(value: float, sigma: float | None, scale: float, unit: str) -> str:
    text = f"{scale * value:.2f}"
    return f"{text} {unit}" if sigma is None else f"{text} ± {scale * sigma:.2f} {unit}"


def _table(record: Record) -> str:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(("pair", "height [mm]", "pitch [°]", "roll [°]", "matched\n[%]",
                                "off the\nplane [%]", "patches\noff [px]")):
        table.add_column(header, justify="left" if i == 0 else "right", no_wrap=i > 0)
    for pair in record["pairs"]:
        table.add_row(pair["id"], *_cells(pair, "_sigma"), f"{100 * pair['matched']:.0f}",
                      f"{100 * pair['off']:.1f}", f"{pair['bow_px']:.2f}")
    found = record["found"]
    table.add_row("all", *_cells(found, "_sigma"), "", "", "")
    for words, suffix in (("  its own noise", "_own_sigma"),
                          ("  calibration's part", "_calibration_sigma"),
                          ("  spread of the pairs", "_spread")):
        table.add_row(words, *_sigmas(found, suffix), "", "", "")
    return rendered(table)


def _cells(row: Record, suffix: str) -> list[str]:
    return [f"{scale * row[f'{name}_{unit}']:.{digits}f} ± "
            f"{scale * row[f'{name}{suffix}_{unit}']:.{digits}f}"
            for name, unit, (_, scale, digits) in zip(NAMES, _UNITS, _PRINTED, strict=True)]


def _sigmas(row: Record, suffix: str) -> list[str]:
    values = [row[f"{name}{suffix}_{unit}"] for name, unit in zip(NAMES, _UNITS, strict=True)]
    return ["not known" if value is None else f"{scale * value:.{digits}f}"
            for value, (_, scale, digits) in zip(values, _PRINTED, strict=True)]
