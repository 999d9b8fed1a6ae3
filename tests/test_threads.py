"""The number of threads changes nothing but the time."""

from __future__ import annotations

import cv2
import numba
import numpy as np
import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.cli.threads import limited_threads
from hazcam.disparity import CensusMatcher
from hazcam.rover import read_rover
from hazcam.settings import Settings
from tests.folders import SCENE
from tests.synthetic import ideal_rig, render


@pytest.mark.skipif(numba.config.NUMBA_NUM_THREADS < 2, reason="one core has no second thread")
def test_disparities_are_the_same_with_one_thread_and_with_two() -> None:
    found: list[Assessment] = []
    for count in (1, 2):
        with limited_threads(count):
            found.append(assess_pair(render(SCENE), ideal_rig(), read_rover("dunlin-em"),
                                     Settings(headings_deg=(0.0,), matcher=CensusMatcher())))
    one, two = (a.disparity for a in found)
    assert one is not None
    assert two is not None
    for name in ("disparity_px", "sigma_px", "blank"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name), err_msg=name)
    assert np.mean(np.isfinite(one.disparity_px)) > 0.3


def test_without_a_number_threads_stay_as_they_are() -> None:
    before = numba.get_num_threads(), cv2.getNumThreads()
    with limited_threads(None):
        assert (numba.get_num_threads(), cv2.getNumThreads()) == before
