"""StereoRig: reading, checking and writing a calibration; the rig of a window or binned picture."""

from hazcam.calibration.checks import check_rig, monotonic_radius, rig_digest
from hazcam.calibration.io import read_mount, read_rig, rig_of_text, write_rig
from hazcam.calibration.noise import noise_of
from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.calibration.sensor import crop_and_bin, rig_for

__all__ = [
    "LensModel",
    "StereoRig",
    "check_rig",
    "crop_and_bin",
    "monotonic_radius",
    "noise_of",
    "read_mount",
    "read_rig",
    "rig_digest",
    "rig_for",
    "rig_of_text",
    "write_rig",
]
