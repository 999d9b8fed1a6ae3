"""Versions of what the numbers depend on."""

from __future__ import annotations

import platform
from functools import lru_cache
from importlib.metadata import version

import cv2

from hazcam import __version__

_PACKAGES = ("numpy", "scipy", "scikit-image", "numba")


def versions() -> dict[str, str]:
    """What the numbers depend on beside the inputs."""
    return {"hazcam": __version__, "python": platform.python_version(),
            "platform": f"{platform.system()} {platform.machine()}", "opencv": cv2.__version__,
            **{name: _installed(name) for name in _PACKAGES}}


@lru_cache
def _installed(package: str) -> str:
    return version(package)
