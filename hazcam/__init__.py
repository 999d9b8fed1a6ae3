"""hazcam: may the rover walk on, in which direction, how far, and if not, why not?

>>> from hazcam import assess_pair, read_pair, read_rig, read_rover

The names are loaded when they are first asked for, so that the command line can say what is
missing where OpenCV's system libraries are.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hazcam.assess import Assessment, assess_pair
    from hazcam.calibration import StereoRig, read_rig
    from hazcam.campaign import Run, open_run
    from hazcam.errors import HazcamError
    from hazcam.frames import Attitude
    from hazcam.imagery import StereoPair, Window, pair_from_arrays, read_pair
    from hazcam.rover import RoverProfile, read_rover
    from hazcam.settings import Settings

__version__ = version("hazcam")

__all__ = ["Assessment", "Attitude", "HazcamError", "RoverProfile", "Run", "Settings",
           "StereoPair", "StereoRig", "Window", "assess_pair", "open_run", "pair_from_arrays",
           "read_pair", "read_rig", "read_rover"]

_HOMES = {
    "Assessment": "hazcam.assess", "assess_pair": "hazcam.assess",
    "StereoRig": "hazcam.calibration", "read_rig": "hazcam.calibration",
    "Run": "hazcam.campaign", "open_run": "hazcam.campaign",
    "HazcamError": "hazcam.errors",
    "Attitude": "hazcam.frames",
    "StereoPair": "hazcam.imagery", "Window": "hazcam.imagery",
    "pair_from_arrays": "hazcam.imagery", "read_pair": "hazcam.imagery",
    "RoverProfile": "hazcam.rover", "read_rover": "hazcam.rover",
    "Settings": "hazcam.settings",
}


# Hidden from the type checker, which would else take any name for granted.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        """Load a public name from its module (PEP 562)."""
        if name not in _HOMES:
            raise AttributeError(f"module 'hazcam' has no attribute {name!r}")
        return getattr(import_module(_HOMES[name]), name)

    def __dir__() -> list[str]:
        return sorted({*globals(), *__all__})
