import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.frames import (
    R_BODY_OPTICAL,
    Attitude,
    Pose,
    heading_text,
    level_from_rover,
    rotation_x,
    rotation_y,
    view_from,
)

angles = st.floats(-60, 60)


def test_optical_axes_turn_to_body_axes() -> None:
    """REP 103: optical (0.1, 0.2, 2.0) is body (2.0, -0.1, -0.2). Hand-worked from the rule."""
    turned = R_BODY_OPTICAL @ [0.1, 0.2, 2.0]
    assert turned == pytest.approx([2.0, -0.1, -0.2])


def test_positive_pitch_is_nose_down_and_positive_roll_left_up() -> None:
    nose, left = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    assert (level_from_rover(0, 5) @ nose)[2] == pytest.approx(-np.sin(np.radians(5)))
    assert (level_from_rover(5, 0) @ left)[2] == pytest.approx(np.sin(np.radians(5)))


def test_roll_is_applied_before_pitch() -> None:
    assert level_from_rover(20, 30) == pytest.approx(rotation_y(30) @ rotation_x(20))


@given(angles, angles, st.tuples(*[st.floats(-5, 5)] * 3))
def test_a_pose_and_its_inverse_cancel(
    roll: float, pitch: float, t: tuple[float, ...]
) -> None:
    pose = Pose(R=level_from_rover(roll, pitch), t=np.array(t))
    point = np.array([0.3, -0.2, 1.1])
    assert pose.inverse().apply(pose.apply(point)) == pytest.approx(point)
    assert (pose @ pose.inverse()).t == pytest.approx(np.zeros(3), abs=1e-12)


def test_a_pose_refuses_a_reflection() -> None:
    with pytest.raises(ValueError, match="orthonormal"):
        Pose(R=np.diag([1.0, 1.0, -1.0]), t=np.zeros(3))


def test_a_pose_refuses_the_wrong_shape() -> None:
    with pytest.raises(ValueError, match=r"\(3, 3\) and t \(3,\)"):
        Pose(R=np.eye(2), t=np.zeros(3))


def test_an_attitude_refuses_nan_and_a_negative_sigma() -> None:
    with pytest.raises(ValueError, match="finite"):
        Attitude(roll_deg=np.nan, pitch_deg=0, roll_sigma_deg=0.5, pitch_sigma_deg=0.5)
    with pytest.raises(ValueError, match="negative"):
        Attitude(roll_deg=0, pitch_deg=0, roll_sigma_deg=-0.5, pitch_sigma_deg=0.5)


def test_an_unknown_attitude_keeps_its_bound_and_a_known_one_has_none() -> None:
    mount = Pose(R=np.eye(3), t=np.zeros(3))
    known = Attitude(roll_deg=1, pitch_deg=2, roll_sigma_deg=0.1, pitch_sigma_deg=0.4)
    assert view_from(mount, None, unknown_tilt_deg=10, scale_sigma=0.01).tilt_bound_deg == 10
    view = view_from(mount, known, unknown_tilt_deg=10, scale_sigma=0.01)
    assert (view.tilt_bound_deg, view.tilt_sigma_deg) == (0.0, 0.4)


def test_headings_are_said_in_words() -> None:
    assert heading_text(-5.0) == "5° right"
