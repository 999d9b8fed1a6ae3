"""Shared fixtures: assessments of synthetic scenes, made once a session."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.rover import read_rover
from hazcam.settings import Settings
from tests.synthetic import Scene, ideal_rig, render

Assess = Callable[..., Assessment]


@cache
def _assess(scene: Scene, settings: Settings) -> Assessment:
    return assess_pair(render(scene), ideal_rig(), read_rover("dunlin-em"), settings)


@pytest.fixture(scope="session")
def assess() -> Assess:
    """Assess a synthetic scene with the engineering model."""
    def run(scene: Scene, **settings: object) -> Assessment:
        return _assess(scene, Settings(**settings))  # type: ignore[arg-type]  # passed through

    return run
