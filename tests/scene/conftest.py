"""Fixtures of the proving ground's tests."""

from __future__ import annotations

import pytest

from tests.scene.props import coarsen


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scenes of few triangles and cells."""
    coarsen(monkeypatch)
