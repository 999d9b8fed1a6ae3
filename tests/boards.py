"""Pictures of calibration targets through known cameras, for tests and benchmarks.

Shares nothing with what finds the targets: rays from the exact inverse of the lens, met with the
plane of the target, where the pattern is known in closed form. Pixels at an edge are the mean of
sub-pixels, each of them smoothed over its own footprint on the target; the rays of the sub-pixels
are linear within a pixel (``test_rays_within_a_pixel`` bounds what that is off by).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numba
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import LensModel, StereoRig
from hazcam.calibration.geometry import normalised, project_points
from hazcam.calibration.target import Target, marker_bits
from hazcam.frames import Floats, Pose, rotation_x, rotation_y

WHITE_GREY, BLACK_GREY, BEHIND_GREY = 215.0, 30.0, 110.0


@dataclass(frozen=True, kw_only=True, eq=False)
class BoardCamera:
    """A camera, and the rays of its pixels, worked out once."""

    K: Floats
    D: Floats
    model: LensModel
    size: tuple[int, int]  # width, height [px]

    @cached_property
    def rays(self) -> Floats:
        """Directions (x, y) at z = 1 of pixels, with a rim of one pixel: (H + 2, W + 2, 2)."""
        width, height = self.size
        column, row = np.meshgrid(np.arange(-1.0, width + 1), np.arange(-1.0, height + 1))
        pixels = np.column_stack([column.ravel(), row.ravel()])
        return normalised(self.K, self.D, self.model, pixels).reshape(height + 2, width + 2, 2)

    def pixels_of(self, points_m: Floats, pose: Pose) -> Floats:
        """Pixels of points of a target that stands at ``pose`` (``T_camera_target``)."""
        return project_points(self.K, self.D, self.model, pose.apply(points_m))


def cameras_of(rig: StereoRig) -> tuple[BoardCamera, BoardCamera]:
    """Left and right camera of a rig; make them once, their rays are kept."""
    return (BoardCamera(K=rig.K1, D=rig.D1, model=rig.model, size=rig.size),
            BoardCamera(K=rig.K2, D=rig.D2, model=rig.model, size=rig.size))


def outline_m(target: Target) -> Floats:
    """Corners (left, upper), (right, lower) of the target with its white rim, shape (2, 2). [m]

    The rim is as wide as a square, or about the distance of two circles.
    """
    points = target.points_m[:, :2]
    rim = 1.5 if target.kind == "circles" else 2.0
    return np.stack([points.min(axis=0), points.max(axis=0)]) + np.array([[-rim], [rim]]) \
        * target.pitch_m


def render_board(
    target: Target, camera: BoardCamera, pose: Pose, *,
    noise_grey: float, blur_px: float, seed: int, supersample: int = 3,
) -> NDArray[np.uint8]:
    """Picture of a target.

    Parameters
    ----------
    target : Target
    camera : BoardCamera
    pose : Pose
        ``T_camera_target``; its printed side must be towards the camera.
    noise_grey, blur_px : float
        One standard deviation of the noise and of the Gaussian blur; 0 for none.
    seed : int
        Of the noise.
    supersample : int
        Sub-pixels along each side of a pixel that an edge crosses; 3 leaves an rms of half a grey
        level where edges are densest (``test_the_renderer_has_converged``).
    """
    height, width = camera.size[1], camera.size[0]
    share = np.full((height, width), np.nan)
    rows, columns = _box(target, camera, pose)
    # From directions to places on the target: the inverse of (r1 r2 t).
    H = np.linalg.inv(np.column_stack([pose.R[:, 0], pose.R[:, 1], pose.t]))
    if target.has_squares:
        cells, steps = _cells(target)
        _draw_squares(camera.rays, H, rows, columns, supersample, target.pitch_m, cells, steps,
                      outline_m(target), share)
    else:
        _draw_circles(camera.rays, H, rows, columns, supersample, target.pitch_m,
                      target.circle_diameter_m / 2, target.kind == "circles-asymmetric",
                      target.columns, target.rows, outline_m(target), share)
    grey = BLACK_GREY + (WHITE_GREY - BLACK_GREY) * share
    grey = np.where(np.isnan(share), BEHIND_GREY, grey).astype(np.float32)
    if blur_px > 0:
        grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), blur_px), np.float32)
    if noise_grey > 0:
        rng = np.random.default_rng(seed)
        grey += np.float32(noise_grey) * rng.standard_normal(grey.shape, dtype=np.float32)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def render_pair(
    target: Target, cameras: tuple[BoardCamera, BoardCamera], rig: StereoRig, pose: Pose, *,
    noise_grey: float, blur_px: float, seed: int,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Both pictures of a target at ``pose`` in the left camera frame; the noise differs."""
    T_right_left = Pose(R=rig.R, t=rig.T)
    return (render_board(target, cameras[0], pose, noise_grey=noise_grey, blur_px=blur_px,
                         seed=2 * seed),
            render_board(target, cameras[1], T_right_left @ pose, noise_grey=noise_grey,
                         blur_px=blur_px, seed=2 * seed + 1))


def random_views(
    target: Target, rig: StereoRig, count: int, seed: int, *, most_tilt_deg: float = 45.0,
    wide: tuple[float, float] | None = None,
) -> list[Pose]:
    """Poses of a target in the left camera frame, as a user would take them.

    Seen wholly by both cameras, with its rim; spread over the picture, a share ``wide`` of its
    width (None: 0.25 to 0.8, a ChArUco board, whose markers must be read, 0.5 to 0.9), tilted by 0
    to ``most_tilt_deg`` about any axis in the plane, turned in it by up to 20 degrees.
    """
    wide = wide or ((0.5, 0.9) if target.kind == "charuco" else (0.25, 0.8))
    rng = np.random.default_rng(seed)
    cameras = cameras_of(rig)
    poses: list[Pose] = []
    for _ in range(400 * count):
        pose = _random_pose(target, cameras[0], rng, most_tilt_deg, wide)
        if _is_whole(target, cameras[0], pose) and _is_whole(
                target, cameras[1], Pose(R=rig.R, t=rig.T) @ pose):
            poses.append(pose)
        if len(poses) == count:
            return poses
    raise ValueError(f"no {count} views of {target.text} that both cameras see wholly")


def facing(target: Target, distance_m: float, *, turn_deg: float = 0.0, tilt_deg: float = 0.0,
           lean_deg: float = 0.0, right_m: float = 0.0, down_m: float = 0.0) -> Pose:
    """A target whose middle is at (right, down, distance) of the camera.

    Turned in its plane clockwise, then tilted about the camera's y and leant about its x axis.
    """
    R = rotation_x(lean_deg) @ rotation_y(tilt_deg) @ _rotation_z(turn_deg)
    middle = np.append(outline_m(target).mean(axis=0), 0.0)
    return Pose(R=R, t=np.array([right_m, down_m, distance_m]) - R @ middle)


def _rotation_z(angle_deg: float) -> Floats:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _random_pose(
    target: Target, camera: BoardCamera, rng: np.random.Generator, most_tilt_deg: float,
    wide: tuple[float, float],
) -> Pose:
    width, height = camera.size
    wide_m = float(np.ptp(outline_m(target)[:, 0]))
    distance = camera.K[0, 0] * wide_m / (width * rng.uniform(*wide))
    aim = rng.uniform(0.1, 0.9, 2) * (width, height)
    x, y = normalised(camera.K, camera.D, camera.model, aim[None])[0]
    axis = rng.uniform(0, 2 * np.pi)
    tilt = np.radians(rng.uniform(0, most_tilt_deg))
    vector = tilt * np.array([np.cos(axis), np.sin(axis), 0.0])
    R = np.asarray(cv2.Rodrigues(vector)[0]) @ _rotation_z(rng.uniform(-20, 20))
    middle = np.append(outline_m(target).mean(axis=0), 0.0)
    return Pose(R=R, t=np.array([x, y, 1.0]) * distance - R @ middle)


def _rim_points(target: Target) -> Floats:
    (left, upper), (right, lower) = outline_m(target)
    share = np.linspace(0, 1, 9)
    x, y = left + share * (right - left), upper + share * (lower - upper)
    rim = [np.column_stack([x, np.full(9, v)]) for v in (upper, lower)]
    rim += [np.column_stack([np.full(9, v), y]) for v in (left, right)]
    points = np.concatenate(rim)
    return np.column_stack([points, np.zeros(len(points))])


def _is_whole(target: Target, camera: BoardCamera, pose: Pose) -> bool:
    points = pose.apply(_rim_points(target))
    if points[:, 2].min() < 0.02:
        return False
    pixels = camera.pixels_of(_rim_points(target), pose)
    # A lens polynomial may fold far points back into the picture: the rays must come back too.
    rays = normalised(camera.K, camera.D, camera.model, pixels)
    if np.abs(rays - points[:, :2] / points[:, 2:]).max() > 1e-3:
        return False
    return bool((pixels >= 2).all() and (pixels <= np.array(camera.size) - 3).all())


def _box(
    target: Target, camera: BoardCamera, pose: Pose
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Rows and columns that the target may cover; all where it reaches out of the picture."""
    width, height = camera.size
    if not _is_whole(target, camera, pose):
        return (0, height), (0, width)
    pixels = camera.pixels_of(_rim_points(target), pose)
    low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(pixels.max(axis=0)).astype(int) + 3, [width, height])
    return (int(low[1]), int(high[1])), (int(low[0]), int(high[0]))


def _cells(target: Target) -> tuple[NDArray[np.float64], Floats]:
    """White (1) or black (0) cells of each square, and the edges of the cells in a square.

    Squares count from the rim: cells[row, column, i, j]; edges are shares of the square.
    """
    across, down = target.squares
    if target.marker_m is None:
        cells = np.ones((down + 2, across + 2, 1, 1))
        steps = np.array([0.0, 1.0])
    else:
        bits = marker_bits(target)
        side = next(iter(bits.values())).shape[0]
        start = (1 - target.marker_m / target.pitch_m) / 2
        steps = np.concatenate([[0.0], np.linspace(start, 1 - start, side + 1), [1.0]])
        cells = np.ones((down + 2, across + 2, side + 2, side + 2))
        for (x, y), marker in bits.items():
            cells[y + 1, x + 1, 1:-1, 1:-1] = marker
    row, column = np.mgrid[0:down, 0:across]
    cells[1:-1, 1:-1][(row + column) % 2 == 0] = 0.0
    return cells, steps


# --- compiled -------------------------------------------------------------------------------------


@numba.njit(cache=True)
def _place(H, x, y):  # type: ignore[no-untyped-def]
    w = H[2, 0] * x + H[2, 1] * y + H[2, 2]
    return (H[0, 0] * x + H[0, 1] * y + H[0, 2]) / w, (H[1, 0] * x + H[1, 1] * y + H[1, 2]) / w, w


@numba.njit(cache=True)
def _nearest_edge(share, steps):  # type: ignore[no-untyped-def]
    """Cell that a place in a square is in, and the signed distance to its nearer edge."""
    i, last = 0, len(steps) - 2  # cells between the first and the last one are equally wide
    if last > 0 and share >= steps[1]:
        i = min(1 + int((share - steps[1]) / (steps[2] - steps[1])), last)
    below, above = share - steps[i], steps[i + 1] - share
    return (i, -below) if below < above else (i, above)


@numba.njit(cache=True)
def _neighbour(square, i, edge, count):  # type: ignore[no-untyped-def]
    """Square and cell on the other side of the nearer edge."""
    if edge <= 0:
        return (square, i - 1) if i > 0 else (square - 1, count - 1)
    return (square, i + 1) if i < count - 1 else (square + 1, 0)


@numba.njit(cache=True)
def _cell(cells, row, column, i, j):  # type: ignore[no-untyped-def]
    inside = 0 <= row < cells.shape[0] and 0 <= column < cells.shape[1]
    return cells[row, column, i, j] if inside else 1.0


@numba.njit(cache=True)
def _square_value(u, v, wide_u, wide_v, pitch, cells, steps):  # type: ignore[no-untyped-def]
    """Mean over a footprint (wide_u, wide_v) around (u, v): by the nearest edges each way."""
    column, row = int(np.floor(u / pitch)), int(np.floor(v / pitch))
    j, edge_u = _nearest_edge(u / pitch - column, steps)
    i, edge_v = _nearest_edge(v / pitch - row, steps)
    own_u = min(0.5 + abs(edge_u) * pitch / wide_u, 1.0)
    own_v = min(0.5 + abs(edge_v) * pitch / wide_v, 1.0)
    value = _cell(cells, row, column, i, j)
    if own_u == 1.0 and own_v == 1.0:
        return value
    count = len(steps) - 1
    column2, j2 = _neighbour(column, j, edge_u, count)
    row2, i2 = _neighbour(row, i, edge_v, count)
    return (own_v * (own_u * value + (1 - own_u) * _cell(cells, row, column2, i, j2))
            + (1 - own_v) * (own_u * _cell(cells, row2, column, i2, j)
                             + (1 - own_u) * _cell(cells, row2, column2, i2, j2)))


@numba.njit(cache=True)
def _edge_near(u, v, wide_u, wide_v, pitch, steps):  # type: ignore[no-untyped-def]
    _, edge_u = _nearest_edge(u / pitch - np.floor(u / pitch), steps)
    _, edge_v = _nearest_edge(v / pitch - np.floor(v / pitch), steps)
    return abs(edge_u) * pitch < wide_u or abs(edge_v) * pitch < wide_v


@numba.njit(cache=True)
def _draw_squares(rays, H, rows, columns, n, pitch, cells, steps, outline,  # type: ignore[no-untyped-def]
                  share):
    # Squares count from the rim: its upper left corner is the origin.
    for r in range(rows[0], rows[1]):
        for c in range(columns[0], columns[1]):
            x, y = rays[r + 1, c + 1, 0], rays[r + 1, c + 1, 1]
            u, v, w = _place(H, x, y)
            if w <= 0 or not (outline[0, 0] < u < outline[1, 0]
                              and outline[0, 1] < v < outline[1, 1]):
                continue
            # By how much the ray turns from pixel to pixel along a row (a) and a column (b).
            xa, ya = (rays[r + 1, c + 2, 0] - rays[r + 1, c, 0]) / 2, (
                rays[r + 1, c + 2, 1] - rays[r + 1, c, 1]) / 2
            xb, yb = (rays[r + 2, c + 1, 0] - rays[r, c + 1, 0]) / 2, (
                rays[r + 2, c + 1, 1] - rays[r, c + 1, 1]) / 2
            ux, vx, _ = _place(H, x + xa, y + ya)
            uy, vy, _ = _place(H, x + xb, y + yb)
            wide_u, wide_v = abs(ux - u) + abs(uy - u), abs(vx - v) + abs(vy - v)
            left, upper = outline[0, 0], outline[0, 1]
            if not _edge_near(u - left, v - upper, wide_u, wide_v, pitch, steps):
                share[r, c] = _square_value(u - left, v - upper, wide_u, wide_v, pitch, cells,
                                            steps)
                continue
            total = 0.0
            for k in range(n * n):
                a, b = (k % n + 0.5) / n - 0.5, (k // n + 0.5) / n - 0.5
                su, sv, _ = _place(H, x + a * xa + b * xb, y + a * ya + b * yb)
                total += _square_value(su - left, sv - upper, wide_u / n, wide_v / n, pitch,
                                       cells, steps)
            share[r, c] = total / (n * n)


@numba.njit(cache=True)
def _circle_distance(u, v, pitch, radius, staggered, columns, rows):  # type: ignore[no-untyped-def]
    """Distance to the rim of the nearest circle, above 0 outside."""
    nearest = np.inf
    first = int(np.floor(v / pitch))
    for row in (first, first + 1):
        row = min(max(row, 0), rows - 1)
        step = 2 * pitch if staggered else pitch
        shift = pitch if staggered and row % 2 else 0.0
        column = min(max(np.rint((u - shift) / step), 0), columns - 1)
        nearest = min(nearest, np.hypot(u - shift - column * step, v - row * pitch))
    return nearest - radius


@numba.njit(cache=True)
def _draw_circles(rays, H, rows, columns, n, pitch, radius, staggered,  # type: ignore[no-untyped-def]
                  across, down, outline, share):
    for r in range(rows[0], rows[1]):
        for c in range(columns[0], columns[1]):
            x, y = rays[r + 1, c + 1, 0], rays[r + 1, c + 1, 1]
            u, v, w = _place(H, x, y)
            if w <= 0 or not (outline[0, 0] < u < outline[1, 0]
                              and outline[0, 1] < v < outline[1, 1]):
                continue
            # By how much the ray turns from pixel to pixel along a row (a) and a column (b).
            xa, ya = (rays[r + 1, c + 2, 0] - rays[r + 1, c, 0]) / 2, (
                rays[r + 1, c + 2, 1] - rays[r + 1, c, 1]) / 2
            xb, yb = (rays[r + 2, c + 1, 0] - rays[r, c + 1, 0]) / 2, (
                rays[r + 2, c + 1, 1] - rays[r, c + 1, 1]) / 2
            ux, vx, _ = _place(H, x + xa, y + ya)
            uy, vy, _ = _place(H, x + xb, y + yb)
            wide = max(np.hypot(ux - u, vx - v), np.hypot(uy - u, vy - v))
            distance = _circle_distance(u, v, pitch, radius, staggered, across, down)
            if abs(distance) > 1.5 * wide:
                share[r, c] = 1.0 if distance > 0 else 0.0
                continue
            total = 0.0
            for k in range(n * n):
                a, b = (k % n + 0.5) / n - 0.5, (k // n + 0.5) / n - 0.5
                su, sv, _ = _place(H, x + a * xa + b * xb, y + a * ya + b * yb)
                distance = _circle_distance(su, sv, pitch, radius, staggered, across, down)
                total += min(max(0.5 + distance * n / wide, 0.0), 1.0)
            share[r, c] = total / (n * n)
