"""Rocks, craters, photometry and shadows of the proving ground against published laws.

Rock law: M. Golombek and D. Rapp, "Size-frequency distributions of rocks on Mars and Earth analog
sites," J. Geophys. Res. 102(E2):4117-4129, 1997, F(D) = k exp(-q D), q = 1.79 + 0.152 / k, D in
metres; fitted to Mars, used here by analogy. Values below: the law, worked out by hand.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import special, stats

from hazcam.frames import Floats, Pose
from hazcam.scene.camera import Camera
from hazcam.scene.features import Crater
from hazcam.scene.light import SUN_DIAMETER_DEG, Light, Reflectance, lommel_seeliger
from hazcam.scene.meshes import Mesh, box
from hazcam.scene.rock_sizes import count_per_m2, cover, draw_diameters_m, fineness_per_m
from tests.scene.props import lit, looking_down, plane

# --- rocks ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("k", "q"), [(0.05, 4.83), (0.10, 3.31), (0.01, 16.99)])
def test_fineness(k: float, q: float) -> None:
    assert fineness_per_m(k) == pytest.approx(q, abs=1e-9)


@pytest.mark.parametrize(("k", "diameter_m", "share"), [
    (0.05, 0.05, 0.039272), (0.05, 0.1, 0.030846), (0.05, 0.2, 0.019030), (0.05, 0.5, 0.004468),
    (0.10, 0.05, 0.084747), (0.10, 0.1, 0.071821), (0.10, 0.2, 0.051582), (0.10, 0.5, 0.019109),
    (0.01, 0.1, 0.001829),
])
def test_share_of_the_ground_under_rocks(k: float, diameter_m: float, share: float) -> None:
    assert cover(k, diameter_m) == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize(("k", "count"), [(0.05, 1.0342), (0.10, 1.8635)])
def test_rocks_of_10_cm_on_a_square_metre(k: float, count: float) -> None:
    assert count_per_m2(k, 0.1) == pytest.approx(count, abs=1e-4)


def count_above(k: float, diameter_m: Floats | float) -> Floats:
    """Closed form of the integral of k q exp(-q D) 4 / (pi D^2) from D on, by an E2 integral."""
    q = 1.79 + 0.152 / k
    return np.asarray(4 * k * q / np.pi * special.expn(2, q * np.asarray(diameter_m)) / diameter_m)


def drawn_fit(law_k: float) -> tuple[int, float, float]:
    """Rocks of 5 to 50 cm drawn on 60 m2 at k 0.05: how many, expected, and the KS p-value."""
    found = draw_diameters_m(np.random.default_rng(7), 0.05, 60.0, 0.05, 0.50)
    low, high = count_above(law_k, 0.05), count_above(law_k, 0.50)

    share_below = (low - count_above(law_k, found)) / (low - high)
    # what follows a law has even shares below it
    return len(found), float(60 * (low - high)), float(stats.kstest(share_below, "uniform").pvalue)


def test_drawn_rocks_follow_the_law() -> None:
    count, expected, p = drawn_fit(0.05)
    assert abs(count - expected) < 3 * np.sqrt(expected)
    assert p > 0.05
    count, expected, p = drawn_fit(0.01)
    assert abs(count - expected) > 10 * np.sqrt(expected)
    assert p < 0.01, "the test tells another law from it"


def test_drawn_rocks_stay_in_their_range_and_come_largest_first() -> None:
    found = draw_diameters_m(np.random.default_rng(1), 0.10, 20.0, 0.03, 0.35)
    assert found.min() >= 0.03
    assert found.max() <= 0.35
    assert np.all(np.diff(found) <= 0)


# --- craters --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ratio", "slope_deg"), [(0.05, 11.310), (0.10, 21.801), (0.15, 30.964),
                                                  (0.20, 38.660)])
def test_slope_inside_the_rim(ratio: float, slope_deg: float) -> None:
    """A parabolic bowl of depth d and diameter D has the slope atan(4 d / D) at its rim."""
    crater = Crater(x_m=0.0, y_m=0.0, diameter_m=0.8, depth_ratio=ratio)
    r = np.array([0.4 - 2e-5, 0.4 - 1e-5])
    fall = np.diff(crater.offset_m(r, np.zeros(2)))[0] / 1e-5
    assert np.degrees(np.arctan(fall)) == pytest.approx(slope_deg, abs=0.005)


def test_depth_of_a_crater_is_from_crest_to_floor() -> None:
    crater = Crater(x_m=0.0, y_m=0.0, diameter_m=0.8, depth_ratio=0.2)
    floor, crest, outside = crater.offset_m(np.array([0.0, 0.4, 4.0]), np.zeros(3))
    assert crest - floor == pytest.approx(0.16)
    assert abs(outside) < 1e-3


# --- photometry -----------------------------------------------------------------------------------

# (incidence, emission, mu0 / (mu0 + mu), cos incidence): Lommel-Seeliger and Lambert (B. Hapke,
# Theory of Reflectance and Emittance Spectroscopy, 2nd ed. 2012, ch. 8), worked out by hand.
TABLE = [(0, 0, 0.5, 1.0), (60, 0, 1 / 3, 0.5), (80, 0, 0.147956, 0.173648), (60, 60, 0.5, 0.5),
         (85, 0, 0.080169, 0.087156), (88.5, 60, 0.049749, 0.026177)]


@pytest.mark.parametrize(("incidence", "emission", "brightness", "lambert"), TABLE)
def test_lommel_seeliger(
    incidence: float, emission: float, brightness: float, lambert: float
) -> None:
    mu0, mu = (np.cos(np.radians(np.array(a))) for a in (incidence, emission))
    assert float(mu0) == pytest.approx(lambert, abs=1e-6)
    assert float(lommel_seeliger(mu0, mu)) == pytest.approx(brightness, abs=1e-6)


@cache
def rendered(
    incidence: float, emission: float, azimuth_deg: float, reflectance: Reflectance
) -> float:
    """Light from the plane that is looked at from behind (azimuth 180) at an angle."""
    e = np.radians(emission)
    forward = np.array([np.sin(e), 0.0, -np.cos(e)])
    down = np.array([-np.cos(e), 0.0, -np.sin(e)])
    R = np.column_stack([np.cross(down, forward), down, forward])
    camera = Camera(K=np.array([[900.0, 0, 4.5], [0, 900, 3.5], [0, 0, 1]]), D=np.zeros(5),
                    size=(10, 8), T_level_camera=Pose(R=R, t=-forward))
    light = Light(sun_elevation_deg=90.0 - incidence, sun_azimuth_deg=azimuth_deg)
    stage = lit(light, plane(), reflectance=reflectance)
    return float(stage.radiance(camera, samples=16, seed=1).mean())


@pytest.mark.parametrize(("incidence", "emission", "azimuth_deg"), [
    (0, 0, 180), (60, 0, 180), (80, 0, 90), (85, 0, 180), (60, 60, 180), (60, 60, 150),
    (60, 60, 0), (30, 60, 90),
])
def test_rendered_plane_follows_the_law(
    incidence: float, emission: float, azimuth_deg: float
) -> None:
    """Times the opposition surge 1 + B0 / (1 + tan(g/2) / h), Hapke 1986, Icarus 67:264."""
    i, e, a = (np.radians(v) for v in (incidence, emission, 180 - azimuth_deg))
    phase = np.arccos(np.clip(np.cos(i) * np.cos(e) + np.sin(i) * np.sin(e) * np.cos(a), -1, 1))
    surge = 1 + 0.8 / (1 + np.tan(phase / 2) / 0.07)
    law = surge * np.cos(i) / (np.cos(i) + np.cos(e))
    ratio = (rendered(incidence, emission, azimuth_deg, "regolith")
             / rendered(incidence, emission, azimuth_deg, "lambert"))
    # at phase 0 the surge has a peak, off which the rays of the small picture lie
    assert ratio == pytest.approx(law / np.cos(i), rel=0.03 if phase < 0.01 else 0.005)


def test_lambert_plane_is_as_bright_from_everywhere() -> None:
    expected = 0.1 / np.pi * 0.5  # albedo / pi * cos 60
    assert rendered(60, 0, 180, "lambert") == pytest.approx(expected, rel=0.005)
    assert rendered(60, 60, 0, "lambert") == pytest.approx(expected, rel=0.005)


def test_regolith_is_brighter_the_lower_the_phase() -> None:
    seen = [rendered(60, 60, azimuth, "regolith") for azimuth in (180, 170, 150, 90, 0)]
    assert np.all(np.diff(seen) < 0)
    assert seen[0] > 1.5 * seen[-1]


# --- shadows --------------------------------------------------------------------------------------


def tip_m(elevation_deg: float, length_m: float) -> float:
    """Tip of the shadow of a box 5 cm high whose far edge is at x = 0, seen from above."""
    block = box(np.array([-0.05, 0, 0.025]), np.array([0.1, 0.3, 0.05]), 0.1)
    light = Light(sun_elevation_deg=elevation_deg, sun_azimuth_deg=180)
    camera = looking_down(1.0, 150 / length_m, (400, 9))
    row = lit(light, plane(), block).radiance(camera, samples=64, seed=0).mean(axis=0)
    x = (np.arange(400) - camera.K[0, 2]) / camera.K[0, 0]
    ahead = x > 0.1 * length_m
    half = row[-5:].mean() / 2
    return float(np.interp(half, np.maximum.accumulate(row[ahead]), x[ahead]))


@pytest.mark.parametrize(("elevation_deg", "length_m", "share"), [
    (1.5, 1.909, 0.02), (5.0, 0.5716, 0.008), (10.0, 0.2836, 0.005), (30.0, 0.0866, 0.005)])
def test_shadow_of_an_edge_5_cm_high(elevation_deg: float, length_m: float, share: float) -> None:
    """Its length is h / tan(elevation).

    The upper half of a low sun's disc gives more than half of the light: where half of the light
    arrives is a little short of where half of the disc is seen, by 1 % at 1.5 degrees.
    """
    assert tip_m(elevation_deg, length_m) == pytest.approx(length_m, rel=share)


def penumbra_sd_m(height_m: float) -> float:
    """Spread of the rise of light behind an edge so high above the plane, under a sun overhead."""
    edge = box(np.array([-0.5, 0, height_m + 0.005]), np.array([1.0, 2.0, 0.01]), 0.1)
    camera = looking_down(0.5, 1000.0, (81, 25))  # below the edge; 0.5 mm
    row = lit(Light(sun_elevation_deg=90), plane(), edge).radiance(
        camera, samples=64, seed=0).mean(axis=0)
    x = np.arange(80) * 0.5e-3
    rise = np.diff(row)
    mean = np.sum(x * rise) / np.sum(rise)
    return float(np.sqrt(np.sum((x - mean) ** 2 * rise) / np.sum(rise)))


@pytest.mark.parametrize("height_m", [1.0, 2.0])
def test_penumbra_is_as_wide_as_the_suns_disc(height_m: float) -> None:
    """The light rises as a semicircle's density, of which the spread is half of the radius."""
    assert SUN_DIAMETER_DEG == 0.5
    radius = height_m * np.tan(np.radians(0.25))
    assert penumbra_sd_m(height_m) == pytest.approx(radius / 2, rel=0.06)


def test_sharp_edge_where_it_touches_the_ground() -> None:
    """Without a distance there is no penumbra: the measure above is not that of the pixels."""
    block: Mesh = box(np.array([-0.5, 0, 0.005]), np.array([1.0, 2.0, 0.01]), 0.9)
    row = lit(Light(sun_elevation_deg=90), plane(), block).radiance(
        looking_down(0.5, 1000.0, (81, 25)), samples=16, seed=0).mean(axis=0)
    assert np.count_nonzero(np.abs(np.diff(row)) > 0.05 * np.ptp(row)) <= 3
