"""StereoPair: reading a pair and its sidecar; intake checks of the pictures."""

from hazcam.imagery.arrays import pair_digest, pair_from_arrays, to_grey
from hazcam.imagery.intake import Intake, PixelState, check_pictures, full_scale
from hazcam.imagery.io import (
    find_sidecars,
    pair_of_sidecar,
    read_pair,
    read_picture,
    read_sidecar,
)
from hazcam.imagery.noise import NoiseModel
from hazcam.imagery.pair import Picture, StereoPair, Window
from hazcam.imagery.previous import NamedPrevious, PlanarMove, previous_of
from hazcam.imagery.sidecar import ATTITUDE_SIGMA_DEG, Sidecar

__all__ = [
    "ATTITUDE_SIGMA_DEG",
    "Intake",
    "NamedPrevious",
    "NoiseModel",
    "Picture",
    "PixelState",
    "PlanarMove",
    "Sidecar",
    "StereoPair",
    "Window",
    "check_pictures",
    "find_sidecars",
    "full_scale",
    "pair_digest",
    "pair_from_arrays",
    "pair_of_sidecar",
    "previous_of",
    "read_pair",
    "read_picture",
    "read_sidecar",
    "to_grey",
]
