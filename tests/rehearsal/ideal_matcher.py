"""A matcher that looks up the truth: lets a whole assessment run as the ideal sensor."""

from __future__ import annotations

from dataclasses import dataclass

from hazcam.calibration.rig import StereoRig
from hazcam.disparity import DisparityMap, SearchBand
from hazcam.imagery import NoiseModel
from hazcam.rectification import RectifiedPair
from hazcam.scene.rehearsal.ideal import ideal_disparity
from hazcam.scene.truth import SceneTruth, TrueDepth


@dataclass(frozen=True, kw_only=True, eq=False)
class IdealMatcher:
    depth: TrueDepth
    truth: SceneTruth
    rig: StereoRig

    @property
    def name(self) -> str:
        return "ideal"

    def match(self, rectified: RectifiedPair, band: SearchBand, noise: NoiseModel) -> DisparityMap:
        return ideal_disparity(self.depth, self.truth, rectified, self.rig)
