"""Versions of what the numbers depend on."""

from __future__ import annotations

import platform
from importlib.metadata import version

import cv2

from hazcam import __version__


def versions() -> dict[str, str]:
    """What the numbers depend on beside the inputs."""
    packages = ("numpy", "scipy", "scikit-image", "numba")
    return {"hazcam": __version__, "python": platform.python_version(),
            "platform": f"{platform.system()} {platform.machine()}", "opencv": cv2.__version__,
            **{name: version(name) for name in packages}}
