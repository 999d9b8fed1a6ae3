"""The noise that is counted with: what the pictures show, and what the rig's file says."""

from __future__ import annotations

from hazcam.calibration.rig import StereoRig
from hazcam.imagery.intake import Intake
from hazcam.imagery.noise import NoiseModel, larger_noise


def noise_of(intake: Intake, rig: StereoRig) -> NoiseModel:
    """The larger of the pictures' noise and the rig's, at every signal.

    Each of the two may be too small: compression takes noise out of the pictures, and a file
    knows nothing of dust, heat or a picture in the wrong exposure. Noise that is held too large
    costs pixels; noise that is held too small invents ground. What the rig leaves out counts as 0.
    The default matcher takes less where two matched pictures differ by less than half of it: they
    cannot differ by less than their noise.

    Parameters
    ----------
    intake : Intake
        Of the pair.
    rig : StereoRig
        Moved and scaled to the pair.
    """
    stated = NoiseModel(read_grey=rig.read_noise or 0.0, gain_grey=rig.noise_gain or 0.0)
    return larger_noise(intake.noise, stated)
