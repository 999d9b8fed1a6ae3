"""Pictures and sight lines of the proving ground, by the renderer mitsuba (extra ``scene``).

Sun, sky and lamp are rendered one after the other and added: alone, each needs no random choice
between lights, so that the pictures are almost free of rendering noise. Each picture is drawn twice
as fine as it is to be. The renderer knows Lambert's law; regolith is brought in per pixel from
the normal there. The same seed gives the same pixels.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.errors import HazcamError
from hazcam.frames import Floats, Pose
from hazcam.scene.camera import (
    Camera,
    Image,
    Pinhole,
    covering_pinhole,
    pixel_grid,
    rays_of,
    through_lens,
)
from hazcam.scene.light import SUN_DIAMETER_DEG, Light, Reflectance, regolith_over_lambert
from hazcam.scene.meshes import Mesh

_SUN_FAR_M = 1000.0
# The sun's disc is far brighter than any ground; what is above this is saturated in any exposure.
_BRIGHTEST = 5.0


def load_mitsuba() -> Any:
    """Return mitsuba, set to the variant used here.

    Raises
    ------
    HazcamError
        If it is not installed, or a system library that it needs is not.
    """
    try:
        mitsuba: Any = importlib.import_module("mitsuba")
    except NameError as error:  # how it fails where libatomic is missing
        raise HazcamError(
            "hazcam.scene", f"the renderer mitsuba is installed but does not load ({error})",
            "the system library libatomic.so.1", "apt-get install libatomic1",
        ) from error
    except ImportError as error:
        raise HazcamError(
            "hazcam.scene", f"the renderer mitsuba cannot be imported ({error})",
            "the extra `scene`", 'pip install "hazcam[scene]"',
        ) from error
    mitsuba.set_variant("scalar_rgb")
    # its sampler warns whenever it rounds a number of samples up
    mitsuba.set_log_level(mitsuba.LogLevel.Error)
    return mitsuba


@dataclass(frozen=True, kw_only=True, eq=False)
class Props:
    """All that a stage is built from.

    Attributes
    ----------
    meshes : tuple of Mesh
        What stands there, level frame; rays meet it.
    shades : tuple of Mesh
        What throws a shadow in the sun and is otherwise not there: the rover itself.
    texture : ndarray of shape (N, N), float32, or None
        Albedo of the meshes that have texture coordinates.
    light : Light
        Sun, sky and lamp.
    reflectance : str
        ``regolith`` or ``lambert``.
    lamp : Pose or None
        Where the lamp is and where it shines, its z axis; to the level frame.
    """

    meshes: tuple[Mesh, ...]
    light: Light
    shades: tuple[Mesh, ...] = ()
    texture: NDArray[np.float32] | None = None
    reflectance: Reflectance = "lambert"
    lamp: Pose | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pass:
    """One light: its scene and integrator, and where it comes from (None: from all sides)."""

    scene: Any
    integrator: Any
    to_sun: Floats | None = None
    lamp_m: Floats | None = None

    @property
    def is_even(self) -> bool:
        """True for the sky."""
        return self.to_sun is None and self.lamp_m is None


class Stage:
    """A lit scene, ready to be looked at."""

    def __init__(self, props: Props) -> None:
        self._mi = load_mitsuba()
        self._props = props
        self._shapes = {f"shape{i}": self._shape(mesh, f"shape{i}")
                        for i, mesh in enumerate(props.meshes)}
        self._bare = self._mi.load_dict({"type": "scene", **self._shapes})
        self._passes = [make for make in (self._sun(), self._sky(), self._lamp())
                        if make is not None]

    def _shape(self, mesh: Mesh, name: str) -> Any:
        mi = self._mi
        properties = mi.Properties()
        properties["bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": self._paint(mesh)})
        shape = mi.Mesh(name, len(mesh.vertices_m), len(mesh.faces), has_vertex_normals=True,
                        has_vertex_texcoords=mesh.uv is not None, props=properties)
        if mesh.albedo is not None:
            shape.add_attribute("vertex_color", 3, np.repeat(mesh.albedo, 3).astype(np.float32))
        params = mi.traverse(shape)
        params["vertex_positions"] = mesh.vertices_m.ravel().astype(np.float32)
        params["vertex_normals"] = mesh.normals.ravel().astype(np.float32)
        params["faces"] = mesh.faces.ravel().astype(np.uint32)
        if mesh.uv is not None:
            params["vertex_texcoords"] = mesh.uv.ravel().astype(np.float32)
        params.update()
        return shape

    def _paint(self, mesh: Mesh) -> dict[str, Any]:
        if mesh.uv is None:
            return {"type": "mesh_attribute", "name": "vertex_color"}
        if self._props.texture is None:
            raise ValueError("a mesh with texture coordinates needs a texture")
        bitmap = self._mi.Bitmap(self._props.texture[..., None])
        return {"type": "bitmap", "bitmap": bitmap, "raw": True, "wrap_mode": "repeat",
                "filter_type": "bilinear"}

    # --- lights -----------------------------------------------------------------------------------

    def _sun(self) -> _Pass | None:
        light = self._props.light
        if light.sun == 0:
            return None
        half = np.radians(SUN_DIAMETER_DEG / 2)
        disc = {
            "type": "sphere", "radius": float(_SUN_FAR_M * np.sin(half)),
            "center": [float(v) for v in light.to_sun * _SUN_FAR_M],
            "emitter": {"type": "area", "radiance": {
                "type": "uniform", "value": float(light.sun / (np.pi * np.sin(half) ** 2))}},
        }
        shades = {f"shade{i}": self._shape(mesh, f"shade{i}")
                  for i, mesh in enumerate(self._props.shades)}
        return _Pass(scene=self._mi.load_dict({"type": "scene", "sun": disc, **self._shapes,
                                               **shades}),
                     integrator=self._direct(emitter_samples=1, bsdf_samples=0),
                     to_sun=light.to_sun)

    def _sky(self) -> _Pass | None:
        light = self._props.light
        if light.sky == 0:
            return None
        even = {"type": "constant",
                "radiance": {"type": "uniform", "value": float(light.sky / np.pi)}}
        # drawn by the surface's own cosine, an even sky has no noise but that of its cover
        return _Pass(scene=self._mi.load_dict({"type": "scene", "sky": even, **self._shapes}),
                     integrator=self._direct(emitter_samples=0, bsdf_samples=1))

    def _lamp(self) -> _Pass | None:
        light, place = self._props.light, self._props.lamp
        if light.lamp == 0:
            return None
        if place is None:
            raise ValueError("a lamp needs a place")
        lamp = {"type": "spot", "to_world": self._mi.ScalarTransform4f(_pose_matrix(place)),
                "intensity": {"type": "uniform", "value": light.lamp},
                "cutoff_angle": 65.0, "beam_width": 10.0}
        return _Pass(scene=self._mi.load_dict({"type": "scene", "lamp": lamp, **self._shapes}),
                     integrator=self._direct(emitter_samples=1, bsdf_samples=0), lamp_m=place.t)

    def _direct(self, **samples: int) -> Any:
        return self._mi.load_dict({"type": "direct", **samples})

    # --- pictures ---------------------------------------------------------------------------------

    def radiance(self, camera: Camera, *, samples: int, seed: int) -> Image:
        """What falls through the lens, before any effect of it, (H, W) float32.

        Parameters
        ----------
        camera : Camera
            Any lens.
        samples : int
            Rays per pixel, in four parts (16, 36, 64 fit the sampler); the sky beside a sun gets
            a quarter: it is faint and even.
        seed : int
            Of the sampling pattern.
        """
        wide = covering_pinhole(camera, oversample=2.0)
        surface = self._surface(wide) if self._props.reflectance == "regolith" else None
        total = np.zeros(wide.size[::-1], dtype=np.float32)
        for k, light in enumerate(self._passes):
            count = samples // 16 if light.is_even and len(self._passes) > 1 else samples // 4
            sensor = self._sensor(wide, {"type": "multijitter", "sample_count": max(count, 1)})
            image = self._mi.render(light.scene, sensor=sensor, integrator=light.integrator,
                                    seed=3 * seed + k)
            total += np.asarray(image, dtype=np.float32).reshape(total.shape) * _law(light, surface)
        return through_lens(np.minimum(total, _BRIGHTEST), wide, camera)

    def _surface(self, wide: Pinhole) -> _Surface:
        """Normal and place of the surface, one for each two by two fine pixels."""
        coarse = Pinhole(f_px=wide.f_px / 2, size=(wide.size[0] // 2, wide.size[1] // 2),
                         T_level_camera=wide.T_level_camera)
        integrator = self._mi.load_dict({"type": "aov", "aovs": "n:sh_normal,d:depth"})
        sensor = self._sensor(coarse, {"type": "stratified", "sample_count": 1, "jitter": False})
        found = np.asarray(self._mi.render(self._bare, sensor=sensor, integrator=integrator))
        pixels = pixel_grid(coarse.size) - np.array(coarse.centre_px)
        rays = np.concatenate([pixels / coarse.f_px, np.ones((*pixels.shape[:2], 1))], axis=-1)
        rays = (rays / np.linalg.norm(rays, axis=-1, keepdims=True)) @ wide.T_level_camera.R.T
        return _Surface(normal=found[..., :3], to_camera=-rays,
                        place_m=wide.T_level_camera.t + rays * found[..., 3:])

    def _sensor(self, pinhole: Pinhole, sampler: dict[str, Any]) -> Any:
        width, height = pinhole.size
        matrix = np.eye(4)
        # the renderer's camera has x left and y up where ours has x right and y down
        matrix[:3, :3] = pinhole.T_level_camera.R @ np.diag([-1.0, -1.0, 1.0])
        matrix[:3, 3] = pinhole.T_level_camera.t
        return self._mi.load_dict({
            "type": "perspective", "fov_axis": "x", "near_clip": 0.01, "far_clip": 2000.0,
            "fov": float(2 * np.degrees(np.arctan(width / 2 / pinhole.f_px))),
            "to_world": self._mi.ScalarTransform4f(matrix),
            "film": {"type": "hdrfilm", "width": width, "height": height,
                     "pixel_format": "luminance", "component_format": "float32",
                     "rfilter": {"type": "box"}},
            "sampler": sampler,
        })

    # --- sight lines ------------------------------------------------------------------------------

    def distances_m(self, origins_m: Floats, directions: Floats) -> Floats:
        """Distance to the first surface along rays of shape (N, 3); NaN where there is none. [m]"""
        scene, mi = self._bare, self._mi
        found = np.empty(len(directions))
        for i, (o, d) in enumerate(zip(origins_m.tolist(), directions.tolist(), strict=True)):
            found[i] = scene.ray_intersect_preliminary(mi.Ray3f(o, d)).t
        return np.where(np.isfinite(found), found, np.nan)

    def depth_m(self, camera: Camera) -> Floats:
        """True depth along the optical axis at each pixel centre, (H, W); NaN for sky. [m]"""
        pixels = pixel_grid(camera.size).reshape(-1, 2)
        rays = np.column_stack([rays_of(camera, pixels), np.ones(len(pixels))])
        length = np.linalg.norm(rays, axis=1)
        pose = camera.T_level_camera
        directions = (rays / length[:, None]) @ pose.R.T
        origins = np.broadcast_to(pose.t, directions.shape)
        depth = self.distances_m(origins, directions) / length
        return np.asarray(depth.reshape(camera.size[1], camera.size[0]))


def _pose_matrix(lamp: Pose) -> Floats:
    """The renderer's lamps shine along their z axis, as ours."""
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = lamp.R, lamp.t
    return matrix


@dataclass(frozen=True, kw_only=True, eq=False)
class _Surface:
    """Per pixel: unit normal, unit vector to the camera, place, each (H, W, 3)."""

    normal: Floats
    to_camera: Floats
    place_m: Floats


def _law(light: _Pass, surface: _Surface | None) -> NDArray[np.float32] | float:
    """What makes regolith of Lambert's law for one light; an even sky stays as it is."""
    if surface is None or light.is_even:
        return 1.0
    if light.lamp_m is None:
        to_light = np.broadcast_to(np.asarray(light.to_sun), surface.normal.shape)
    else:
        to_light = light.lamp_m - surface.place_m
        to_light = to_light / np.maximum(np.linalg.norm(to_light, axis=-1, keepdims=True), 1e-9)
    factor = regolith_over_lambert(surface.normal, to_light, surface.to_camera)
    mended = _from_lit_side(factor.astype(np.float32), surface.normal, to_light)
    return mended.repeat(2, axis=0).repeat(2, axis=1)


def _from_lit_side(
    factor: NDArray[np.float32], normal: Floats, to_light: Floats
) -> NDArray[np.float32]:
    """Replace the factor where the middle of a pixel is sky or faces away from the light.

    What light there is in such a pixel comes from its neighbour: the smallest factor beside it.
    """
    lit = np.sum(normal * to_light, axis=-1) > 0.01
    beside = cv2.erode(np.where(lit, factor, np.float32(1e6)), np.ones((3, 3), np.uint8))
    return np.where(lit, factor, np.where(beside < 1e6, beside, 1.0)).astype(np.float32)
