"""The rig of a window or a binned picture."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.calibration.rig import StereoRig
from hazcam.calibration.sensor import crop_and_bin, rig_for
from hazcam.errors import HazcamError, PairError, RigError
from hazcam.imagery.pair import Window

K = np.array([[512.0, 0, 321.3], [0, 510.0, 238.1], [0, 0, 1]])


def a_rig() -> StereoRig:
    return StereoRig(
        name="mast", size=(640, 480), K1=K, D1=np.zeros(5), K2=K + np.diag([3.0, 2, 0]),
        D2=np.zeros(5), R=np.eye(3), T=np.array([-0.1, 0, 0]), mount=None, source="mast.yaml",
        covariance=np.diag(np.arange(1.0, 15.0)),
    )


def project(K: Any, point: Any) -> Any:
    return (K @ point / point[2])[:2]


windows = st.builds(
    Window, column=st.integers(0, 200), row=st.integers(0, 200),
    width=st.integers(64, 440), height=st.integers(64, 280),
)
points = st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(0.3, 5)).map(np.array)


@given(window=windows, binning=st.integers(1, 8), point=points)
def test_a_point_lands_on_the_pixel_that_holds_it(
    window: Window, binning: int, point: Any
) -> None:
    """Sensor position x is in the picture at (x - column + 1/2) / b - 1/2, for both cameras."""
    rig = a_rig()
    moved = crop_and_bin(rig, window, binning)
    corner = np.array([window.column, window.row])
    for whole, part in ((rig.K1, moved.K1), (rig.K2, moved.K2)):
        expected = (project(whole, point) - corner + 0.5) / binning - 0.5
        np.testing.assert_allclose(project(part, point), expected, atol=1e-9)


def test_binned_pixels_by_averaging() -> None:
    """The centroid of a bright spot, found in a picture binned by averaging, fits the moved K."""
    rows, cols = np.mgrid[:480, :640]
    u, v = project(K, np.array([0.11, -0.07, 1.0]))
    sensor = np.exp(-((cols - u) ** 2 + (rows - v) ** 2) / (2 * 9.0**2))
    window = Window(column=103, row=51, width=480, height=360)
    part = sensor[51 : 51 + 360, 103 : 103 + 480].reshape(120, 3, 160, 3).mean(axis=(1, 3))
    y, x = np.mgrid[:120, :160]
    centroid = [(part * x).sum() / part.sum(), (part * y).sum() / part.sum()]
    expected = project(crop_and_bin(a_rig(), window, 3).K1, np.array([0.11, -0.07, 1.0]))
    np.testing.assert_allclose(centroid, expected, atol=1e-3)


def test_the_rest_of_the_rig() -> None:
    rig = a_rig()
    moved = crop_and_bin(rig, None, 2)
    assert moved.size == (320, 240)
    assert moved.digest
    assert moved.digest != crop_and_bin(rig, None, 4).digest
    np.testing.assert_array_equal(moved.T, rig.T)
    assert moved.covariance is not None
    # Variances of the eight pixel numbers fall by 2², rotation and T stay.
    np.testing.assert_allclose(
        np.diag(moved.covariance), [*(np.arange(1, 9) / 4), *range(9, 15)]
    )


def test_the_whole_picture_keeps_the_rig() -> None:
    rig = a_rig()
    assert rig_for((640, 480), None, 1, rig) is rig


def test_a_window_and_binning_that_fit() -> None:
    window = Window(column=0, row=80, width=640, height=400)
    assert rig_for((320, 200), window, 2, a_rig()).size == (320, 200)
    assert rig_for((213, 160), None, 3, a_rig()).size == (213, 160)  # one column is left over


def test_another_size_names_both_and_the_remedy() -> None:
    with pytest.raises(RigError, match=r"640 x 480(.|\n)*320 x 240(.|\n)*`window` or `binning`"):
        rig_for((320, 240), None, 1, a_rig())


def test_a_window_that_does_not_give_the_picture() -> None:
    window = Window(column=0, row=80, width=640, height=400)
    with pytest.raises(PairError, match=r"640 x 400(.|\n)*320 x 240"):
        rig_for((320, 240), window, 1, a_rig())


@pytest.mark.parametrize(
    ("size", "window", "binning", "key"),
    [
        ((320, 240), None, 1, ""),
        ((320, 240), Window(column=0, row=80, width=640, height=400), 1, ": window, binning"),
        ((320, 240), Window(column=0, row=80, width=660, height=400), 1, ": window"),
        ((320, 240), None, 500, ": binning"),
    ],
)
def test_errors_name_the_rig_file_and_the_pair(
    size: tuple[int, int], window: Window | None, binning: int, key: str
) -> None:
    with pytest.raises(HazcamError) as caught:
        rig_for(size, window, binning, a_rig(), where="beach_left.png")
    assert caught.value.where == f"beach_left.png, mast.yaml{key}"
    with pytest.raises(HazcamError) as caught:
        rig_for(size, window, binning, a_rig())
    assert caught.value.where == f"mast.yaml{key}"


def test_a_window_beyond_the_sensor() -> None:
    window = Window(column=200, row=0, width=480, height=400)
    with pytest.raises(PairError, match=r"columns 200 to 680(.|\n)*inside .* 640 x 480"):
        crop_and_bin(a_rig(), window)


@pytest.mark.parametrize("binning", [0, -2, 500])
def test_a_binning_that_leaves_nothing(binning: int) -> None:
    with pytest.raises(PairError, match="binning"):
        crop_and_bin(a_rig(), None, binning)
