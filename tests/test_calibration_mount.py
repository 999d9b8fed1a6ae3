"""The attitude of a mount as angles: signs of the convention, and there and back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.calibration.mount import MountAngles, mount_angles, mount_rotation, tilt_of
from hazcam.frames import R_BODY_OPTICAL, rotation_y

AXIS, RIGHT = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])


def rotation(roll_deg: float = 0.0, pitch_deg: float = 0.0, yaw_deg: float = 0.0) -> np.ndarray:
    return mount_rotation(MountAngles(roll_deg=roll_deg, pitch_deg=pitch_deg, yaw_deg=yaw_deg))


@given(st.floats(-170, 170), st.floats(-89, 89), st.floats(-170, 170))
def test_there_and_back(roll_deg: float, pitch_deg: float, yaw_deg: float) -> None:
    found = mount_angles(rotation(roll_deg, pitch_deg, yaw_deg))
    assert (found.roll_deg, found.pitch_deg, found.yaw_deg) == pytest.approx(
        (roll_deg, pitch_deg, yaw_deg), abs=1e-6)
    assert tilt_of(rotation(roll_deg, pitch_deg, yaw_deg)[2]) == pytest.approx(
        (roll_deg, pitch_deg), abs=1e-6)


def test_signs() -> None:
    """In the rover frame: x ahead, y to the left, z up."""
    np.testing.assert_allclose(rotation(), R_BODY_OPTICAL, atol=1e-15)
    np.testing.assert_allclose(rotation(pitch_deg=18.0), rotation_y(18.0) @ R_BODY_OPTICAL)
    assert (rotation(pitch_deg=10.0) @ AXIS)[2] < 0  # below the horizon
    assert (rotation(yaw_deg=10.0) @ AXIS)[1] > 0  # to the left
    assert (rotation(roll_deg=10.0) @ RIGHT)[2] < 0  # left side up: the right one down
