"""hazcam: may the rover walk on, in which direction, how far, and if not, why not?

>>> from hazcam import assess_pair, read_pair, read_rig, read_rover
"""

from importlib.metadata import version

from hazcam.assess import Assessment, assess_pair
from hazcam.calibration import StereoRig, read_rig
from hazcam.errors import HazcamError
from hazcam.imagery import StereoPair, pair_from_arrays, read_pair
from hazcam.rover import RoverProfile, read_rover
from hazcam.settings import Settings

__version__ = version("hazcam")

__all__ = ["Assessment", "HazcamError", "RoverProfile", "Settings", "StereoPair", "StereoRig",
           "assess_pair", "pair_from_arrays", "read_pair", "read_rig", "read_rover"]
