"""Plane fits: the number of random samples, least squares by hand, NIST's reference data."""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.frames import Floats
from hazcam.terrain import fit_plane
from hazcam.terrain.ground import ransac_trials
from hazcam.terrain.record import GroundPlane

# R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed. 2004, table 4.3: number of samples
# for p = 0.99, by sample size (rows 2 to 8) and share of outliers. Published, whole numbers.
OUTLIERS = (0.05, 0.10, 0.20, 0.25, 0.30, 0.40, 0.50)
TRIALS = {
    2: (2, 3, 5, 6, 7, 11, 17),
    3: (3, 4, 7, 9, 11, 19, 35),
    4: (3, 5, 9, 13, 17, 34, 72),
    5: (4, 6, 12, 17, 26, 57, 146),
    6: (4, 7, 16, 24, 37, 97, 293),
    7: (4, 8, 20, 33, 54, 163, 588),
    8: (5, 9, 26, 44, 78, 272, 1177),
}


@pytest.mark.parametrize("sample", sorted(TRIALS))
def test_number_of_samples(sample: int) -> None:
    assert tuple(ransac_trials(0.99, e, sample) for e in OUTLIERS) == TRIALS[sample]


def test_number_of_samples_for_a_plane() -> None:
    """By hand from the same formula: p = 0.999, half outliers, 51.73 samples of three."""
    assert ransac_trials(0.999, 0.5, 3) == 52


# Six points worked by hand (normal equations), to the 8 digits quoted.
SIX_POINTS = np.array([[0, 0, 1.0], [1, 0, 1.6], [0, 1, 0.8], [1, 1, 1.2], [2, 1, 1.7],
                       [1, 2, 1.1]])


def test_vertical_least_squares() -> None:
    """The plane of least vertical residuals, 27.583951 degrees steep.

    Orthogonal least squares would give 27.768965: 0.185 degrees apart, so the two cannot be mixed
    up. Squared residuals sum to 0.0209090909.
    """
    c, a, b = fit_plane(SIX_POINTS)
    np.testing.assert_allclose([a, b, c], [0.46818182, -0.23181818, 1.03636364], atol=1e-8)
    plane = GroundPlane(offset_m=c, slope_x=a, slope_y=b, rms_m=0.0, share=1.0,
                        covariance=((0.0,) * 3,) * 3)
    assert plane.slope_deg == pytest.approx(27.583951, abs=1e-6)
    residual = SIX_POINTS[:, 2] - plane.elevation_m(SIX_POINTS[:, 0], SIX_POINTS[:, 1])
    assert residual @ residual == pytest.approx(0.0209090909, abs=1e-10)


def test_orthogonal_least_squares_differs() -> None:
    """The figure for the other definition, by singular values, as the note above quotes it."""
    normal = np.linalg.svd(SIX_POINTS - SIX_POINTS.mean(axis=0))[2][2]
    slope_deg = np.degrees(np.arccos(abs(normal[2])))
    assert slope_deg == pytest.approx(27.768965, abs=1e-6)


def test_exact_plane() -> None:
    """Closed form: z = 0.1 x + 0.2 y has the normal (-0.1, -0.2, 1) and slopes 12.604383°."""
    x, y = np.meshgrid(np.arange(4.0), np.arange(3.0))
    points = np.column_stack([x.ravel(), y.ravel(), (0.1 * x + 0.2 * y).ravel()])
    c, a, b = fit_plane(points)
    np.testing.assert_allclose([c, a, b], [0, 0.1, 0.2], atol=1e-14)
    plane = GroundPlane(offset_m=c, slope_x=a, slope_y=b, rms_m=0.0, share=1.0,
                        covariance=((0.0,) * 3,) * 3)
    assert plane.slope_deg == pytest.approx(12.604383, abs=5e-7)
    normal = np.array([-a, -b, 1]) / np.linalg.norm([-a, -b, 1])
    np.testing.assert_allclose(normal, [-0.09759001, -0.19518001, 0.97590007], atol=5e-9)


# National Institute of Standards and Technology, Statistical Reference Datasets, linear regression,
# "Norris" (lower difficulty, 36 observations; public domain): x, y, and the certified values.
NORRIS_X = (
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
)
NORRIS_Y = (
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
)
NORRIS_INTERCEPT, NORRIS_SLOPE = -0.262323073774029, 1.00211681802045
NORRIS_SQUARES = 26.6173985294224  # residual sum of squares
NORRIS_R_SQUARED = 0.999993745883712


def norris_plane(weight: Floats | None = None) -> tuple[Floats, Floats]:
    """Coefficients of the plane through the data repeated at y = -1 and +1, and its points."""
    x, z = np.tile(NORRIS_X, 2), np.tile(NORRIS_Y, 2)
    points = np.column_stack([x, np.repeat([-1.0, 1.0], len(NORRIS_X)), z])
    return fit_plane(points, weight), points


def test_norris_as_a_plane() -> None:
    """Repeated across, the certified line is the plane of least squares; 13 digits are certified.

    A condition number of 1e3 costs 3 of double precision's 16 digits, near 0 of an intercept of
    order 0.1 among values of 1000 some more: 1e-11 relative.
    """
    (c, a, b), points = norris_plane()
    assert a == pytest.approx(NORRIS_SLOPE, rel=1e-11)
    assert c == pytest.approx(NORRIS_INTERCEPT, rel=1e-11)
    assert b == pytest.approx(0.0, abs=1e-11)
    residual = points[:, 2] - (c + a * points[:, 0] + b * points[:, 1])
    assert residual @ residual / 2 == pytest.approx(NORRIS_SQUARES, rel=1e-11)
    total = (points[:, 2] - points[:, 2].mean()) @ (points[:, 2] - points[:, 2].mean())
    assert 1 - residual @ residual / total == pytest.approx(NORRIS_R_SQUARED, abs=1e-14)


def test_norris_does_not_change_with_the_scale_of_the_weights() -> None:
    """Equal weights of any size are no weights; nor do those change a thing that mute one side."""
    one_side = np.repeat([1.0, 1e-6], len(NORRIS_X))
    for weight in (np.full(2 * len(NORRIS_X), 400.0), one_side):
        (c, a, _), _ = norris_plane(weight)
        assert a == pytest.approx(NORRIS_SLOPE, rel=1e-9)
        assert c == pytest.approx(NORRIS_INTERCEPT, abs=1e-6)
