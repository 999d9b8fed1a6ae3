"""A small folder of inputs on disk, and one assessment, for the tests of report and cli."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2

from hazcam import Settings, assess_pair, read_rover
from hazcam.assess import Assessment
from hazcam.calibration import write_rig
from hazcam.imagery import StereoPair
from tests.synthetic import Box, Scene, ideal_rig, render

# An 8 cm box on the way ahead, and a pit to the left of it.
SCENE = Scene(boxes=(Box(0.80, 0.95, -0.10, 0.12, 0.08), Box(0.90, 1.10, 0.25, 0.45, -0.15)))
HEADINGS = (-45.0, 0.0, 10.0)


@lru_cache(maxsize=1)
def pair() -> StereoPair:
    return render(SCENE)


@lru_cache(maxsize=1)
def assessment() -> Assessment:
    return assess_pair(pair(), ideal_rig(), read_rover("dunlin-em"),
                       Settings(headings_deg=HEADINGS))


def write_inputs(folder: Path, name: str = "bench", **changes: Any) -> Path:
    """Pictures, rig and a sidecar; ``changes`` replace keys of the sidecar (None removes)."""
    for side, picture in (("left", pair().left), ("right", pair().right)):
        assert picture is not None
        cv2.imwrite(str(folder / f"{side}.png"), picture)
    write_rig(ideal_rig(), folder / "rig.yaml")
    sidecar = {"schema": "hazcam-pair/1", "id": name, "left": "left.png", "right": "right.png",
               "rig": "rig.yaml", "rover": "dunlin-em", "roll_deg": 0.0, "pitch_deg": 0.0,
               "roll_sigma_deg": 0.5, "pitch_sigma_deg": 0.5} | changes
    path = folder / f"{name}.pair.json"
    kept = {key: value for key, value in sidecar.items() if value is not None}
    path.write_text(json.dumps(kept), encoding="utf-8")
    return path
