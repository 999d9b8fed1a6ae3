"""The noise that is counted with: what the pictures show, and what the rig's file says."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hazcam.calibration.rig import StereoRig
from hazcam.imagery.intake import Intake, saturation_level
from hazcam.imagery.noise import NoiseModel, estimate_noise_model, larger_noise
from hazcam.imagery.pair import Picture


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


def typical_noise(pictures: Sequence[Picture]) -> NoiseModel:
    """Noise of a pixel as most of several pictures of one camera type show it.

    Parameters
    ----------
    pictures : sequence of ndarray of shape (H, W), uint8 or uint16
        As the cameras gave them: compression with loss hides noise.
    """
    models = [_noise_in(picture) for picture in pictures]
    return NoiseModel(read_grey=float(np.median([m.read_grey for m in models])),
                      gain_grey=float(np.median([m.gain_grey for m in models])))


def _noise_in(picture: Picture) -> NoiseModel:
    scale = int(np.iinfo(picture.dtype).max)
    grey = picture.astype(np.float64) * (255 / scale)
    return estimate_noise_model(grey, picture >= saturation_level(picture, scale),
                                rounding_grey=255 / scale / np.sqrt(12))
