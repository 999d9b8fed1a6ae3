"""Disparity: matching two rectified pictures, with a sigma and a reason for every blank."""

from hazcam.disparity.band import MatchSettings, SearchBand, flat_band, ground_band
from hazcam.disparity.census import CensusMatcher
from hazcam.disparity.matcher import Matcher
from hazcam.disparity.record import BLANK_WORDS, Blank, DisparityMap
from hazcam.disparity.sgbm import SgbmMatcher

__all__ = ["BLANK_WORDS", "Blank", "CensusMatcher", "DisparityMap", "MatchSettings", "Matcher",
           "SearchBand", "SgbmMatcher", "flat_band", "ground_band"]
