"""Roughness: the root mean square about a fitted plane, of waves in closed form.

Of the measures of roughness in print (the terrain ruggedness index of Riley et al. 1999, vector
measures, ranges in a 3 x 3 window) the package has none; Horn's gradient and the step that looks a
slope are in ``test_slope``.
"""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.terrain import GridSpec
from hazcam.terrain.ground import ground_planes, local_ground, window_planes

CELLS = 61


@pytest.mark.parametrize("amplitude_m", [0.002, 0.010])
@pytest.mark.parametrize("waves", [1, 3, 10])
def test_rms_of_a_wave(amplitude_m: float, waves: int) -> None:
    """A / sqrt(2) over whole waves with a crest in the middle: 10 mm give 7.071 mm.

    Exact for samples, too. With a zero in the middle the wave has a slope, which the plane takes:
    the variance is less by a share of 6 / (pi n)² for n waves; of N cells within (n / N)² x 10.
    """
    cell_m = 0.005
    window_m, size = CELLS * cell_m, 3 * CELLS
    phase = 2 * np.pi * waves * (np.arange(size) - size // 2) / CELLS
    crest, zero = (
        window_planes(np.tile(z[:, None], (1, size)), np.ones((size, size)), cell_m, window_m)
        for z in (amplitude_m * np.cos(phase), amplitude_m * np.sin(phase)))
    middle = (size // 2, size // 2)
    assert crest.rms_m[middle] == pytest.approx(amplitude_m / np.sqrt(2), rel=1e-6)
    if amplitude_m == 0.010:
        assert crest.rms_m[middle] == pytest.approx(0.007071, abs=5e-7)
    left = 1 - 6 / (np.pi * waves) ** 2
    assert zero.rms_m[middle] ** 2 == pytest.approx(amplitude_m**2 / 2 * left,
                                                    rel=10 * (waves / CELLS) ** 2)
    assert crest.slope_x[middle] == pytest.approx(0.0, abs=1e-9)
    assert crest.height_m[middle] == pytest.approx(0.0, abs=1e-9)


def test_rms_does_not_change_with_the_slope_under_it() -> None:
    """The plane takes the slope; what remains is the wave along the other axis."""
    size = 3 * CELLS
    x, y = np.indices((size, size)) * 0.005
    wave = 0.010 * np.cos(2 * np.pi * 3 * (np.arange(size) - size // 2) / CELLS)
    planes = window_planes(0.3 * x - 0.2 * y + wave, np.ones(x.shape), 0.005, CELLS * 0.005)
    middle = (size // 2, size // 2)
    assert planes.rms_m[middle] == pytest.approx(0.010 / np.sqrt(2), rel=1e-6)
    assert planes.slope_x[middle] == pytest.approx(0.3, abs=1e-9)
    assert planes.slope_y[middle] == pytest.approx(-0.2, abs=1e-9)


@pytest.mark.parametrize("amplitude_m", [0.0005, 0.001])
def test_roughness_of_the_local_ground(amplitude_m: float) -> None:
    """Waves of 7 cm, six in the window of 42 cm: A / sqrt(2) of what blocks of 2 x 2 cells leave.

    The mean of two neighbours lowers a wave of wave number k by cos(k cell / 2). The slope that the
    plane takes is 0.9 % of the rms at the most, and cells that stand off by z count less by
    (z / 8 mm)², below 1 % of it for waves of a millimetre.
    """
    spec = GridSpec(cell_m=0.01, ahead_m=1.4, side_m=0.7)
    k = 2 * np.pi / 0.07
    z = np.broadcast_to(amplitude_m * np.cos(k * spec.x_m)[:, None], spec.shape).copy()
    planes = ground_planes(spec, z, np.random.default_rng(0))
    found = local_ground(spec, z, np.full(spec.shape, 1e-6), planes)
    expected = amplitude_m / np.sqrt(2) * np.cos(k * spec.cell_m / 2)
    inner = (slice(30, -30), slice(30, -30))
    np.testing.assert_allclose(found.roughness_m[inner], expected, rtol=0.02)
    assert np.mean(found.roughness_m[inner]) == pytest.approx(expected, rel=0.01)


def test_what_stands_off_the_ground_is_not_its_roughness() -> None:
    """A box of h = 6 cm on level ground: neither its height nor its scatter is the ground's.

    Closed form: the rms of all cells of the window, a share p of them on the box, is
    h sqrt(p (1 - p)), 14 mm at 6 %. Less than a tenth of it may be left.
    """
    spec = GridSpec(cell_m=0.01, ahead_m=1.4, side_m=0.7)
    z = np.zeros(spec.shape)
    z[65:75, 65:75] = 0.06
    planes = ground_planes(spec, z, np.random.default_rng(0))
    found = local_ground(spec, z, np.full(spec.shape, 1e-6), planes)
    share = 100 / 42**2
    assert 0.06 * np.sqrt(share * (1 - share)) == pytest.approx(0.0139, abs=1e-4)
    assert found.roughness_m[70, 70] < 0.001
    assert found.ground_m[70, 70] == pytest.approx(0.0, abs=0.001)
