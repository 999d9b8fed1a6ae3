"""Pictures and sight lines of the proving ground, by the renderer mitsuba (extra ``scene``).

Sun and sky are rendered one after the other and added: alone, each needs no random choice between
lights, so that the pictures are almost free of rendering noise. The same seed gives the same
pixels.
"""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.scene.camera import (
    Camera,
    Image,
    Pinhole,
    covering_pinhole,
    pixel_grid,
    rays_of,
    through_lens,
)
from hazcam.scene.light import Light
from hazcam.scene.meshes import Mesh


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


class Stage:
    """A lit scene, ready to be looked at.

    Parameters
    ----------
    meshes : list of Mesh
        What stands there, level frame.
    light : Light
        Sun and sky.
    texture : ndarray of shape (N, N), float32, optional
        Albedo of the meshes that have texture coordinates.
    """

    def __init__(
        self, meshes: list[Mesh], light: Light, texture: NDArray[np.float32] | None = None
    ) -> None:
        self._mi = load_mitsuba()
        shapes = {f"shape{i}": self._shape(m, texture, f"shape{i}") for i, m in enumerate(meshes)}
        sun = {"type": "directional", "direction": [float(v) for v in -light.to_sun],
               "irradiance": {"type": "uniform", "value": light.sun}}
        sky = {"type": "constant", "radiance": {"type": "uniform", "value": light.sky_radiance}}
        by_sun = {"type": "direct", "emitter_samples": 1, "bsdf_samples": 0}
        # drawn by the surface's own cosine, an even sky has no noise but that of its cover
        by_sky = {"type": "direct", "emitter_samples": 0, "bsdf_samples": 1}
        self._passes = [
            (self._mi.load_dict({"type": "scene", "light": lamp, **shapes}),
             self._mi.load_dict(integrator), share)
            for lamp, integrator, share in ((sun, by_sun, 1.0), (sky, by_sky, 0.5625))
        ]

    def _shape(self, mesh: Mesh, texture: NDArray[np.float32] | None, name: str) -> Any:
        mi = self._mi
        properties = mi.Properties()
        properties["bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": self._paint(
            mesh, texture)})
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

    def _paint(self, mesh: Mesh, texture: NDArray[np.float32] | None) -> dict[str, Any]:
        if mesh.uv is None:
            return {"type": "mesh_attribute", "name": "vertex_color"}
        if texture is None:
            raise ValueError("a mesh with texture coordinates needs a texture")
        return {"type": "bitmap", "bitmap": self._mi.Bitmap(texture[..., None]), "raw": True,
                "wrap_mode": "repeat", "filter_type": "bilinear"}

    def radiance(self, camera: Camera, *, samples: int, seed: int) -> Image:
        """What the camera sees, before exposure, (H, W) float32.

        Parameters
        ----------
        camera : Camera
            Any lens; one that is not a plain pinhole is drawn wider and resampled.
        samples : int
            Sun samples per pixel of the camera (64, 16 or 4 fit the sampler); the sky gets 9/16.
        seed : int
            Of the sampling pattern.
        """
        if camera.is_plain_pinhole:
            plain = Pinhole(f_px=float(camera.K[0, 0]), size=camera.size,
                            T_level_camera=camera.T_level_camera)
            return self._draw(plain, samples, seed)
        wide = covering_pinhole(camera, oversample=2.0)
        return through_lens(self._draw(wide, max(samples // 4, 1), seed), wide, camera)

    def _draw(self, pinhole: Pinhole, samples: int, seed: int) -> Image:
        total = np.zeros(pinhole.size[::-1], dtype=np.float32)
        for k, (scene, integrator, share) in enumerate(self._passes):
            sensor = self._sensor(pinhole, max(int(samples * share), 1))
            image = self._mi.render(scene, sensor=sensor, integrator=integrator, seed=2 * seed + k)
            total += np.asarray(image, dtype=np.float32).reshape(total.shape)
        return total

    def _sensor(self, pinhole: Pinhole, samples: int) -> Any:
        width, height = pinhole.size
        matrix = np.eye(4)
        # the renderer's camera has x left and y up where ours has x right and y down
        matrix[:3, :3] = pinhole.T_level_camera.R @ np.diag([-1.0, -1.0, 1.0])
        matrix[:3, 3] = pinhole.T_level_camera.t
        return self._mi.load_dict({
            "type": "perspective", "fov_axis": "x", "near_clip": 0.01, "far_clip": 1000.0,
            "fov": float(2 * np.degrees(np.arctan(width / 2 / pinhole.f_px))),
            "to_world": self._mi.ScalarTransform4f(matrix),
            "film": {"type": "hdrfilm", "width": width, "height": height,
                     "pixel_format": "luminance", "component_format": "float32",
                     "rfilter": {"type": "gaussian"}},
            "sampler": {"type": "multijitter", "sample_count": samples},
        })

    def distances_m(self, origins_m: Floats, directions: Floats) -> Floats:
        """Distance to the first surface along rays of shape (N, 3); NaN where there is none. [m]"""
        scene, mi = self._passes[0][0], self._mi
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
