"""Public pictures that the tests of this folder read; none is fetched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_DEBIAN_FOLDER = "/usr/share/doc/opencv-doc/examples/data"
_REMEDY = "`apt-get install opencv-doc`, or set OPENCV_DOC to the folder that holds aloeL.jpg"


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
