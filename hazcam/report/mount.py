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
from hazcam.laid_target import LaidTarget
from hazcam.mounting import NAMES, HeightCheck, MountEstimate, Placement
from hazcam.report.record import Record, plain, versions
from hazcam.report.text import WIDTH, rendered

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
    return {"schema": SCHEMA, "hazcam": __version__, "rig": rig.name, **plain(computed),
            "mount_R": mounted.mount.R.tolist(), "mount_t": mounted.mount.t.tolist(),
            "notes": notes(estimate, check),
            "digests": {"rig": rig.digest, "mounted": mounted.digest}, "versions": versions()}


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
    """A row for each pair and for all, where the rest comes from, and the check of the baseline."""
    placement, check = record["placement"], record["height_check"]
    lines = [f"Mount of rig {record['rig']}: left camera above the floor, pitch (positive: optical "
             "axis below the horizon), roll (positive: left side up); ± one sigma. Of a pair: the "
             "fit alone."]
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
    if check is not None:
        rest.append(f"measured height {1000 * check['measured_m']:.1f} ± "
                    f"{1000 * check['measured_sigma_m']:.1f} mm: {check['text']}")
    rest += [f"note: {note}" for note in record["notes"]]
    failed = [f"failed: {name}\n{textwrap.indent(reason, '  ')}"
              for name, reason in record["failures"].items()]
    return "\n\n".join([textwrap.fill(lines[0], WIDTH), _table(record),
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
    for words, suffix in (("  of it own", "_own_sigma"), ("  of it calibration",
                                                          "_calibration_sigma"),
                          ("  spread of pairs", "_spread")):
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
