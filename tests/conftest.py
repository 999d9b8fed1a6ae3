"""Shared fixtures: assessments of synthetic scenes, made once a session."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

# Before numpy is loaded: two test processes on two cores, each with a pool of BLAS threads that
# wait for one another, take twice the time. Who sets it otherwise is heard.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hazcam.assess import Assessment, assess_pair
from hazcam.rover import read_rover
from hazcam.settings import Settings
from hazcam.terrain import TerrainMap
from tests.synthetic import Scene, ideal_rig, render

_DEBIAN_FOLDER = "/usr/share/doc/opencv-doc/examples/data"
_REMEDY = "`apt-get install opencv-doc`, or set OPENCV_DOC to the folder that holds aloeL.jpg"

Assess = Callable[..., Assessment]


def terrain_of(found: Assessment) -> TerrainMap:
    """The ground of an assessment that was made with both pictures."""
    assert found.terrain is not None
    return found.terrain


@cache
def _assess(scene: Scene, settings: Settings) -> Assessment:
    return assess_pair(render(scene), ideal_rig(), read_rover("dunlin-em"), settings)


@pytest.fixture(scope="session")
def assess() -> Assess:
    """Assess a synthetic scene with the engineering model."""
    def run(scene: Scene, **settings: Any) -> Assessment:
        return _assess(scene, Settings(**settings))

    return run


@pytest.fixture(scope="session")
def opencv_doc() -> Path:
    """Folder of OpenCV's sample pictures; their absence skips a test here and fails it in CI."""
    folder = Path(os.environ.get("OPENCV_DOC", _DEBIAN_FOLDER))
    if not (folder / "aloeL.jpg").is_file():
        missing = f"OpenCV's sample pictures are not in {folder}: {_REMEDY}"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    return folder
