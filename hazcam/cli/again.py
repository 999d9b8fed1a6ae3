"""A pair of a run assessed again from its pictures, for what a run does not hold."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hazcam import __version__
from hazcam.assess import Assessment
from hazcam.calibration import read_rig
from hazcam.campaign import Run
from hazcam.campaign.manifest.of_run import pair_of_run
from hazcam.cli.job import settings_of_record
from hazcam.cli.work import Assess, assess_work
from hazcam.errors import HazcamError
from hazcam.imagery import Sidecar
from hazcam.report import as_record

_ANGLES = ("roll_deg", "pitch_deg", "roll_sigma_deg", "pitch_sigma_deg")
_WORDS = {"rover": "rover", "settings": "settings", "previous": "previous pair"}


def assess_again(run: Run, id_: str, folder: Path) -> Assessment:
    """Assess a pair of a run as it was assessed for it.

    Parameters
    ----------
    run : Run
        That holds its row and its record.
    id_ : str
        Of the pair.
    folder : Path
        Of the manifest; or the folder that was looked through in place of one.

    Raises
    ------
    HazcamError
        A pair without an assessment; a file that cannot be read, or is not the one of then.
    """
    then = run.record(id_)
    asked = json.loads(run.about["options"])
    pair = pair_of_run(run, id_, folder)
    work = Assess(pair=pair, folder=folder, limits=asked["limits"], margin_m=asked["margin_m"],
                  settings=settings_of_record(asked["settings"]), with_drift=False)
    found = assess_work(work, read_rig(pair.sidecar.rig))
    changed = _changed(then, as_record(found, inputs={}), pair.sidecar)
    if changed:
        raise HazcamError(f"{run.file}: {id_}", f"not as it was assessed: {', '.join(changed)}",
                          "what the run was made from",
                          "give the folder with the files of then, or assess the campaign anew "
                          "into another run")
    return found


def _changed(then: Mapping[str, Any], now: Mapping[str, Any], files: Sidecar) -> list[str]:
    """What differs between two assessments of a pair, in words."""
    old, new = then["digests"], now["digests"]
    words = {**_WORDS, "left": _picture("left", files.left),
             "right": _picture("right", files.right), "rig": f"the rig {files.rig}"}
    changed = [word for key, word in words.items() if old.get(key) != new.get(key)]
    changed += _otherwise(_said(then["pair"]), _said(now["pair"]))
    if then["hazcam"] != now["hazcam"]:
        changed.append(f"hazcam {then['hazcam']}, now {__version__}")
    return changed


def _picture(side: str, path: Path | None) -> str:
    return f"the {side} picture {'(now missing)' if path is None else path}"


def _said(pair: Mapping[str, Any]) -> dict[str, Any]:
    """What the frame of the points and the pixels of the disparity hang on, by key of a sidecar."""
    return {**dict.fromkeys(_ANGLES), **(pair["attitude"] or {}), "window": pair["window"],
            "binning": pair["binning"], "taken_at": pair["details"].get("taken_at"),
            "notes": "; ".join(pair["notes"])}


def _otherwise(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    return [f"{key} {_value(old[key])}, now {_value(new[key])}" for key in old
            if old[key] != new[key]]


def _value(value: Any) -> str:
    return "not stated" if value in (None, "") else str(value)
