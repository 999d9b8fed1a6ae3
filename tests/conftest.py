"""Shared fixtures: assessments of synthetic scenes, made once a session."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.rover import read_rover
from hazcam.settings import Settings
from hazcam.terrain import TerrainMap
from tests.synthetic import Scene, ideal_rig, render

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
