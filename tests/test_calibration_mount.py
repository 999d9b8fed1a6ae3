"""The attitude of a mount as angles: signs of the convention, and there and back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.assess import view_of
from hazcam.calibration import read_rig, write_rig
from hazcam.calibration.checks import check_mount_length
from hazcam.calibration.mount import MountAngles, mount_angles, mount_rotation, tilt_of
from hazcam.errors import RigError
from hazcam.frames import R_BODY_OPTICAL, rotation_y
from hazcam.settings import Settings
from tests.rigs import a_rig

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


def test_a_rig_without_a_mount_names_the_command_that_measures_it(tmp_path: Path) -> None:
    write_rig(a_rig(mount=None), tmp_path / "bare.yaml")
    with pytest.raises(RigError, match=r"remedy: measure it with `hazcam calibrate mount`, or give "
                                       r"`--mount FILE`"):
        read_rig(tmp_path / "bare.yaml")
    with pytest.raises(RigError, match="measure it with `hazcam calibrate mount`, or give --mount"):
        view_of(None, a_rig(mount=None), Settings())


@pytest.mark.parametrize(("length_m", "unit"), [
    (170.0, "millimetres: divide by 1000"), (-17.0, "centimetres: divide by 100")])
def test_a_length_about_the_rover_in_another_unit(length_m: float, unit: str) -> None:
    likely = f"{abs(length_m):g} is likely {unit}"
    with pytest.raises(RigError, match=f"metres, 3 at most(.|\n)*{likely}"):
        check_mount_length(length_m, "here", "found")
    check_mount_length(-3.0, "here", "found")
