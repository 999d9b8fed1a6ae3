"""The Middlebury 2014 "Motorcycle" pair, from the numbers of its calibration to a verdict.

D. Scharstein, H. Hirschmueller, Y. Kitajima, G. Krathwohl, N. Nesic, X. Wang and P. Westling,
"High-resolution stereo datasets with subpixel-accurate ground truth," GCPR 2014. Full size from
its calib.txt; a quarter of it, with ground truth, ships in the scikit-image wheel
(``skimage.data.stereo_motorcycle``, which names focal length, principal point, offset and
baseline). The rule Z = B f / (d + doffs) is the benchmark's own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from skimage.data import stereo_motorcycle

from hazcam.assess import Assessment, assess_pair
from hazcam.calibration import StereoRig
from hazcam.depth import depth_sigma_m, triangulate
from hazcam.disparity import DisparityMap, MatchSettings, SgbmMatcher, flat_band
from hazcam.frames import Attitude, Floats, Pose, view_from
from hazcam.imagery import StereoPair, check_pictures, pair_from_arrays
from hazcam.rectification import RectifiedCamera, RectifiedPair, rectify
from hazcam.rover import read_rover
from hazcam.settings import Settings
from hazcam.terrain import GridSpec, TerrainSettings
from tests.published.warp import warp_difference

# calib.txt of "Motorcycle-perfect"; baseline 193.001 mm.
FULL = RectifiedCamera(focal_px=3979.911, cx=1244.772, cy=1019.507, offset_px=1369.115 - 1244.772,
                       baseline_m=0.193001, width=2964, height=2000)
# The copy in scikit-image, from its docstring.
QUARTER = RectifiedCamera(focal_px=994.978, cx=311.193, cy=254.877, offset_px=31.086,
                          baseline_m=0.193001, width=741, height=500)
# Worked by hand from the rule and the truth's own disparities, to 0.01 mm: (row, col), d [px],
# (X, Y, Z) [mm].
SAMPLES = [
    ((250, 370), 48.999874, (141.7205, -11.7532, 2397.8230)),
    ((100, 600), 22.379158, (1042.5489, -559.0822, 3591.7176)),
    ((60, 60), 9.421874, (-1196.8167, -928.4974, 4740.6030)),
]
NO_MOTION = Pose(R=np.eye(3), t=np.zeros(3))


@dataclass(frozen=True, eq=False)
class Motorcycle:
    """Pictures, the truth [px, NaN: unknown], the pair, rectified, and its match."""

    left: Floats
    right: Floats
    raw_truth_px: Floats
    truth_px: Floats
    pair: StereoPair
    rig: StereoRig
    rectified: RectifiedPair
    disparity: DisparityMap


def rig_of_the_quarter() -> StereoRig:
    K1 = np.array([[994.978, 0, 311.193], [0, 994.978, 254.877], [0, 0, 1]])
    K2 = K1.copy()
    K2[0, 2] = 342.279
    return StereoRig(name="motorcycle", size=(741, 500), K1=K1, D1=np.zeros(5), K2=K2,
                     D2=np.zeros(5), R=np.eye(3), T=np.array([-0.193001, 0, 0]), mount=None)


@pytest.fixture(scope="module")
def motorcycle() -> Motorcycle:
    left, right, raw = stereo_motorcycle()
    attitude = Attitude(roll_deg=0.0, pitch_deg=0.0, roll_sigma_deg=0.5, pitch_sigma_deg=0.5)
    pair = pair_from_arrays(left, right, id="motorcycle", attitude=attitude)
    rig, intake = rig_of_the_quarter(), check_pictures(pair)
    rectified = rectify(pair, rig, intake)
    disparity = SgbmMatcher().match(rectified, flat_band(QUARTER, 0, 64), intake.noise)
    assert pair.left is not None
    assert pair.right is not None
    return Motorcycle(
        left=pair.left.astype(np.float64), right=pair.right.astype(np.float64),
        raw_truth_px=raw, truth_px=np.where(np.isfinite(raw), raw, np.nan), pair=pair, rig=rig,
        rectified=rectified, disparity=disparity,
    )


def q_matrix(camera: RectifiedCamera) -> Floats:
    """[X Y Z W] = Q [u v d 1], in the form that OpenCV's documentation of stereoRectify gives."""
    return np.array([[1, 0, 0, -camera.cx], [0, 1, 0, -camera.cy], [0, 0, 0, camera.focal_px],
                     [0, 0, 1 / camera.baseline_m, camera.offset_px / camera.baseline_m]])


# The rule


@pytest.mark.parametrize(("disparity_px", "depth_mm"),
                         [(100.0, 3423.8947), (23.0, 5213.1883), (245.0, 2079.7113)])
def test_depth_at_full_size(disparity_px: float, depth_mm: float) -> None:
    """The range of calib.txt, 23 to 245 px, and 100; by hand, to the 0.1 µm quoted."""
    assert FULL.depth_m(disparity_px) * 1000 == pytest.approx(depth_mm, abs=1e-4)


def test_the_quarter_is_a_quarter() -> None:
    """The published numbers of both sizes agree to the 0.0005 px that the copy is rounded to."""
    for name in ("focal_px", "cx", "cy", "offset_px"):
        assert getattr(QUARTER, name) == pytest.approx(getattr(FULL, name) / 4, abs=5.5e-4)


@pytest.mark.parametrize(("pixel", "disparity_px", "point_mm"), SAMPLES)
def test_points_of_the_truth(
    motorcycle: Motorcycle, pixel: tuple[int, int], disparity_px: float,
    point_mm: tuple[float, float, float],
) -> None:
    """By hand from the rule; the table rounds to 1e-4 mm and d to 1e-6 px: 0.01 mm."""
    row, column = pixel
    assert motorcycle.truth_px[pixel] == pytest.approx(disparity_px, abs=1e-6)
    point = QUARTER.rays(column, row) * QUARTER.depth_m(motorcycle.truth_px[pixel])
    np.testing.assert_allclose(point * 1000, point_mm, atol=0.01)


def test_opencv_gives_the_same_points(motorcycle: Motorcycle) -> None:
    """Another library: cv2.reprojectImageTo3D computes in float32, 24 bits of up to 5 m: 5 µm."""
    points = cv2.reprojectImageTo3D(motorcycle.raw_truth_px.astype(np.float32), q_matrix(QUARTER))
    known = np.isfinite(motorcycle.truth_px)
    rows, columns = np.nonzero(known)
    ours = QUARTER.rays(columns, rows) * QUARTER.depth_m(motorcycle.truth_px[known])[:, None]
    np.testing.assert_allclose(ours, points[known], atol=5e-6)


def test_forgetting_the_offset_would_be_seen() -> None:
    """Negative test: without doffs the first sample lies at 3919.0 mm, 63 % too far."""
    forgotten = replace(QUARTER, offset_px=0.0)
    depth = float(forgotten.depth_m(SAMPLES[0][1]))
    assert depth * 1000 == pytest.approx(3919.0, abs=0.05)
    assert depth / 2.3978230 == pytest.approx(1.63, abs=0.005)


def test_unknown_truth_has_no_depth(motorcycle: Motorcycle) -> None:
    """27 226 unknown pixels are stored as +inf: B f / inf is 0, and 0 m is not an answer."""
    depth = QUARTER.depth_m(motorcycle.raw_truth_px)
    unknown = np.isinf(motorcycle.raw_truth_px)
    assert unknown.sum() == 27226
    assert unknown[400, 200]
    assert np.isnan(depth[unknown]).all()
    assert not (depth <= 0).any()


def test_depth_range_of_the_truth(motorcycle: Motorcycle) -> None:
    """Of the 343 274 known pixels, computed once from the data and the rule, to 0.01 mm."""
    depth_mm = QUARTER.depth_m(motorcycle.truth_px) * 1000
    assert np.isfinite(depth_mm).sum() == 343274
    summary = [np.nanmin(depth_mm), np.nanmax(depth_mm), np.nanmedian(depth_mm)]
    np.testing.assert_allclose(summary, [2110.36, 5016.85, 2750.41], atol=0.01)


def test_truth_is_in_the_left_frame(motorcycle: Motorcycle) -> None:
    """L(x) = R(x - d), as hazcam takes it, not R(x) = L(x + d): mean difference about half."""
    ours = warp_difference(motorcycle.left, motorcycle.right, -motorcycle.truth_px)
    other = warp_difference(motorcycle.right, motorcycle.left, motorcycle.truth_px)
    assert ours[0] < 0.8 * other[0]
    assert ours[1] < 0.6 * other[1]


# The chain


def test_a_rectified_pair_is_taken_as_it_is(motorcycle: Motorcycle) -> None:
    assert not motorcycle.rectified.resampled
    assert motorcycle.rectified.camera == replace(QUARTER, offset_px=342.279 - 311.193)
    np.testing.assert_array_equal(motorcycle.rectified.left, motorcycle.left.astype(np.float32))


def matched(motorcycle: Motorcycle) -> tuple[Floats, Floats, float]:
    """Error and sigma where truth and match are known [px], and the share matched of the truth."""
    truth = np.isfinite(motorcycle.truth_px)
    both = truth & np.isfinite(motorcycle.disparity.disparity_px)
    error = (motorcycle.disparity.disparity_px - motorcycle.truth_px)[both]
    return error, motorcycle.disparity.sigma_px[both].astype(np.float64), both.sum() / truth.sum()


def test_matching_against_the_truth(motorcycle: Motorcycle) -> None:
    """Loose bounds, not golden values: plain OpenCV SGBM has cover 0.85 and 6.0 % beyond 2 px."""
    error, _, cover = matched(motorcycle)
    assert 0.75 < cover < 0.97  # the wall's shadow and the occlusions cannot be matched
    assert np.mean(np.abs(error) > 2) < 0.10
    assert abs(np.median(error)) < 0.2


def test_sigma_against_the_truth(motorcycle: Motorcycle) -> None:
    """One sigma holds 66 %, as it should (68 %); two hold 86 %, not 95 %.

    The tails are gross errors at depth edges and spokes, which no sigma of a pixel tells. The
    bounds say so on both sides: were two sigma to hold 95 %, sigma would be padded elsewhere.
    """
    error, sigma, _ = matched(motorcycle)
    assert 0.60 < np.mean(np.abs(error) < sigma) < 0.76
    assert 0.80 < np.mean(np.abs(error) < 2 * sigma) < 0.955


def test_sigma_away_from_depth_edges(motorcycle: Motorcycle) -> None:
    """Where the truth varies by less than 2 px over 11 x 11 px, two sigma hold 95 % as they should.

    So the tails above are edges. One sigma holds 77 % there, more than its 68: bounded on both
    sides by ten points and three points.
    """
    flat = np.where(np.isfinite(motorcycle.truth_px), motorcycle.truth_px, 0).astype(np.float32)
    window = np.ones((11, 11), np.uint8)
    smooth = cv2.dilate(flat, window) - cv2.erode(flat, window) < 2
    both = smooth & np.isfinite(motorcycle.truth_px + motorcycle.disparity.disparity_px)
    error = np.abs(motorcycle.disparity.disparity_px - motorcycle.truth_px)[both]
    sigma = motorcycle.disparity.sigma_px[both]
    assert error.size > 100_000
    assert np.mean(error < sigma) == pytest.approx(0.68, abs=0.10)
    assert np.mean(error < 2 * sigma) == pytest.approx(0.954, abs=0.03)


def test_depth_against_the_truth(motorcycle: Motorcycle) -> None:
    """|dZ| < 2 sigma_Z at sigma_d = 0.25 px holds for 86.6 % with plain OpenCV SGBM.

    By the first-order rule sigma_Z = Z² sigma_d / (f B). Within 5 points of that share, and the
    typical error well below sigma_Z.
    """
    view = view_from(NO_MOTION, None, unknown_tilt_deg=0.0, scale_sigma=0.0)
    points = triangulate(motorcycle.disparity, motorcycle.rectified, view)
    truth_m = QUARTER.depth_m(motorcycle.truth_px)
    error = np.abs(points.depth_m - truth_m)
    bound = depth_sigma_m(QUARTER, truth_m, 0.25)
    both = np.isfinite(error)
    assert np.mean(error[both] < 2 * bound[both]) == pytest.approx(0.866, abs=0.05)
    assert np.median(error[both] / bound[both]) < 0.8


# To the verdict


def floor_of(points_m: Floats) -> tuple[Floats, float]:
    """Unit normal, upward, and height of the camera above the plane of most points.

    Random sample consensus at 1 cm, then the normal of least scatter of its inliers.
    """
    rng = np.random.default_rng(1)
    best = np.zeros(len(points_m), dtype=bool)
    for _ in range(200):
        a, b, c = points_m[rng.integers(0, len(points_m), 3)]
        normal = np.cross(b - a, c - a)
        length = np.linalg.norm(normal)
        if length > 1e-6:
            inliers = np.abs((points_m - a) @ normal / length) < 0.01
            best = inliers if inliers.sum() > best.sum() else best
    centre = points_m[best].mean(axis=0)
    normal = np.linalg.svd(points_m[best] - centre, full_matrices=False)[2][2]
    normal = -normal if normal[1] > 0 else normal  # camera y is down
    return normal, float(-normal @ centre)


def mount_above(normal: Floats, height_m: float) -> Pose:
    """Camera to a rover frame below it: z along the normal, x along the optical axis."""
    x = np.array([0, 0, 1.0]) - normal[2] * normal
    x /= np.linalg.norm(x)
    return Pose(R=np.stack([x, np.cross(normal, x), normal]), t=np.array([0, 0, height_m]))


@pytest.fixture(scope="module")
def truth_rover_m(motorcycle: Motorcycle) -> tuple[Floats, Pose]:
    """Points of the truth in a rover frame whose floor is the truth's floor; and the mount."""
    rows, columns = np.indices(motorcycle.truth_px.shape)
    points = QUARTER.rays(columns, rows) * QUARTER.depth_m(motorcycle.truth_px)[..., None]
    lower = (rows > 350) & np.isfinite(points[..., 2])
    mount = mount_above(*floor_of(points[lower]))
    return mount.apply(points), mount


@pytest.fixture(scope="module")
def assessed(motorcycle: Motorcycle, truth_rover_m: tuple[Floats, Pose]) -> Assessment:
    """By geometry alone: the search band follows from the mount and what may stand there."""
    settings = Settings(
        look_ahead_m=3.0, headings_deg=(-5.0, 0.0, 5.0),
        terrain=TerrainSettings(grid=GridSpec(cell_m=0.02, ahead_m=6.0, side_m=2.0)),
        matching=MatchSettings(tallest_m=0.8, deepest_m=0.1),
    )
    rig = replace(motorcycle.rig, mount=truth_rover_m[1])
    return assess_pair(motorcycle.pair, rig, read_rover("dunlin-em"), settings)


def test_rig_check_passes(assessed: Assessment) -> None:
    """The benchmark rectifies to subpixel accuracy; its own figure is not published per scene."""
    assert assessed.epipolar is not None
    assert assessed.epipolar.checked
    assert assessed.epipolar.matches_calibration
    assert abs(assessed.epipolar.median_px) < 0.2


def test_floor_is_found_as_a_plane(assessed: Assessment) -> None:
    """The mount comes from the truth's floor, the plane from the matched one: z = 0 within 2 cm.

    One pixel of the floor's middle (3.5 m off, camera 1.08 m up) is known to 16 mm along its ray,
    5 mm in height, at 0.25 px: 2 cm is four times that. 2 degrees is 10 cm over 3 m.
    """
    assert assessed.terrain is not None
    floor = assessed.terrain.planes[0]
    assert floor.share > 0.25
    assert floor.slope_deg < 2.0
    assert abs(floor.offset_m) < 0.02
    assert abs(floor.elevation_m(3.0, 0.0)) < 0.02


def test_motorcycle_is_found_as_an_obstacle(
    assessed: Assessment, truth_rover_m: tuple[Floats, Pose]
) -> None:
    """The nearest large thing taller than 0.3 m, at the distance of the truth's nearest tall point.

    A search of 0.8 m of height, three quarters of the camera's own, lets a few patches of
    mismatched pixels through: they stand nearer, but on less than 1 % of as many cells.
    """
    points = truth_rover_m[0]
    with np.errstate(invalid="ignore"):
        tall = points[points[..., 2] > 0.1]
    nearest_m = float(np.hypot(tall[:, 0], tall[:, 1]).min())
    assert assessed.terrain is not None
    found = next(o for o in assessed.terrain.obstacles if o.height_m > 0.3 and o.cells > 100)
    assert found.distance_m == pytest.approx(nearest_m, rel=0.05)
    assert found.height_m < 1.3  # the highest point of the truth is 1.06 m above the floor
    nearer = sum(o.cells for o in assessed.terrain.obstacles
                 if o.distance_m < 0.95 * nearest_m)
    assert nearer < 0.01 * found.cells


def test_the_way_is_barred(assessed: Assessment, truth_rover_m: tuple[Floats, Pose]) -> None:
    """Straight ahead: ask, for a step at the distance of the truth in the swath."""
    points = truth_rover_m[0]
    with np.errstate(invalid="ignore"):
        in_swath = (points[..., 2] > 0.1) & (np.abs(points[..., 1]) < assessed.rover.swath_m / 2)
    ahead_m = float(points[in_swath][:, 0].min()) - assessed.rover.body.nose_m
    verdict = next(v for v in assessed.verdicts if v.heading_deg == 0)
    assert verdict.verdict == "ask-ground"
    assert verdict.clear_m < ahead_m
    step = next(c for c in verdict.causes if c.kind == "step")
    assert step.at_m == pytest.approx(ahead_m, rel=0.05)
