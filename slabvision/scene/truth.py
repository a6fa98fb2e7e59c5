"""Truth of a photo: outlines, instances, zones, rings, worked out from the solid."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene.camera import Camera
from slabvision.scene.condition import Region, Slab
from slabvision.scene.fill import Array, dense, inside, rings_of
from slabvision.scene.patches import Defect, defects_of, draw_labels, ring_tangent_deg
from slabvision.scene.picture import lifted, on_surface
from slabvision.scene.reference import ReferenceMark
from slabvision.scene.wood import Canvas

__all__ = ["EdgeTruth", "EndTruth", "FaceTruth", "end_truth", "face_truth"]


@dataclass(frozen=True, eq=False)
class FaceTruth:
    """Truth of a face photo. Areas are mm² on the face's own plane, exact.

    Attributes
    ----------
    arris_mm : shapely Polygon
        Where the sawn face ends (wood, bark left out), in (u, v).
    bark_mm : shapely Polygon
        The same with the bark that is still on.
    widest_mm : shapely Polygon
        Silhouette of the whole slab, bark and all, seen square on.
    arris, bark, widest : ndarray, shape (N, 2)
        The same as (row, col). ``widest`` lies at other depths than the face, so it is the
        picture of the widest curve, not of ``widest_mm`` laid on the face.
    table : tuple of Defect
    marks : tuple of ReferenceMark
        What to click on the references, and the truth of it.
    """

    slab: Slab
    role: str
    camera: Camera
    arris_mm: Any
    bark_mm: Any
    widest_mm: Any
    arris: Array
    bark: Array
    widest: Array
    table: tuple[Defect, ...]
    marks: tuple[ReferenceMark, ...]
    hidden: Array
    texture_zones: Array
    canvas: Canvas

    @property
    def arris_area_mm2(self) -> float:
        """Area of the sawn face."""
        return float(self.arris_mm.area)

    @property
    def widest_area_mm2(self) -> float:
        """Area of the silhouette."""
        return float(self.widest_mm.area)

    @property
    def defect_area_mm2(self) -> float:
        """Area of all defects; regions do not overlap and lie inside the arris."""
        return float(sum(d.area_mm2 for d in self.table))

    @property
    def clear_area_mm2(self) -> float:
        """Area of the sawn face less all defects (nothing kept out round them)."""
        return self.arris_area_mm2 - self.defect_area_mm2

    def _project(self, uv: Array) -> Array:
        world = np.column_stack([uv, np.zeros(len(uv))])
        return self.camera.project(lifted(world, self.slab.lift(self.role)))

    @cached_property
    def wood(self) -> Array:
        """Pixels whose centre lies inside the arris, (H, W) bool (hidden ones too)."""
        mask = np.zeros(self.camera.shape, bool)
        part, where = inside([self.arris], self.camera.shape)
        mask[where] = part
        return mask

    @cached_property
    def labels(self) -> Array:
        """Instance image, (H, W) uint16: the defects of the wood, also where something hides it."""
        return draw_labels(self._regions(), self._project, self.camera.shape)

    def _regions(self) -> tuple[Region, ...]:
        return self.slab.regions(self.role)

    @cached_property
    def zones(self) -> Array:
        """Zones, (H, W) uint8: what hides the wood where something does, else what lies under.

        Where wood runs out of the frame, its last row or column of pixels says so.
        """
        flat = self.camera.plane_maps(2, 0.0)
        u, v = on_surface(self.camera, flat[0], flat[1], 0.0, self.slab.lift(self.role))
        under = cv2.remap(
            self.texture_zones, (u - np.float32(self.canvas.u0)) / np.float32(self.canvas.mm),
            (v - np.float32(self.canvas.v0)) / np.float32(self.canvas.mm), cv2.INTER_NEAREST,
        )  # fmt: skip
        under[~self.wood] = 0
        zones = np.where(self.hidden > 0, self.hidden, under)
        border = np.ones(zones.shape, bool)
        border[1:-1, 1:-1] = False
        zones[border & self.wood] = ZONES["frame"].value
        return zones

    @property
    def cut_off(self) -> bool:
        """The frame cuts the sawn face off: its gross area cannot be had from this photo."""
        return not bool(
            ((self.arris > -0.5) & (self.arris < np.array(self.camera.shape) - 0.5)).all()
        )


@dataclass(frozen=True, eq=False)
class EndTruth:
    """Truth of a photo of an end.

    Attributes
    ----------
    outline_mm : shapely Polygon
        The end, bark left out, in its own (u, v).
    thickness_mm : float
    pith_mm : (float, float)
        The pith in (u, v), mostly off the slab.
    table : tuple of Defect
        Empty without a photo.
    """

    slab: Slab
    role: str
    camera: Camera | None
    outline_mm: Any
    thickness_mm: float
    pith_mm: tuple[float, float]
    table: tuple[Defect, ...]
    texture_zones: Array
    canvas: Canvas

    def _camera(self) -> Camera:
        if self.camera is None:
            raise ValueError(f"no photo of {self.role} was taken")
        return self.camera

    def _project(self, uv: Array) -> Array:
        return self._camera().project(np.column_stack([uv, np.zeros(len(uv))]))

    @property
    def pith(self) -> tuple[float, float]:
        """(row, col) of the pith, mostly outside the picture."""
        at = self._project(np.array([self.pith_mm]))[0]
        return float(at[0]), float(at[1])

    @property
    def outline(self) -> Array:
        """Outline of the end, (row, col)."""
        return self._project(dense(rings_of(self.outline_mm)[0]))

    @property
    def face_line(self) -> Array:
        """Points (row, col) along the edge between this end and face A."""
        u0, _, u1, _ = self.outline_mm.bounds
        return self._project(np.column_stack([np.linspace(u0, u1, 21), np.zeros(21)]))

    @cached_property
    def mask(self) -> Array:
        """Pixels whose centre lies on the end, (H, W) bool."""
        camera = self._camera()
        mask = np.zeros(camera.shape, bool)
        part, where = inside([self.outline], camera.shape)
        mask[where] = part
        return mask

    @cached_property
    def labels(self) -> Array:
        """Instance image, (H, W) uint16."""
        return draw_labels(self.slab.regions(self.role), self._project, self._camera().shape)

    @cached_property
    def zones(self) -> Array:
        """Zones, (H, W) uint8: sapwood, weathering, wax."""
        u, v = self._camera().plane_maps(2, 0.0)
        under = cv2.remap(
            self.texture_zones, (u - np.float32(self.canvas.u0)) / np.float32(self.canvas.mm),
            (v - np.float32(self.canvas.v0)) / np.float32(self.canvas.mm), cv2.INTER_NEAREST,
        )  # fmt: skip
        under[~self.mask] = 0
        return np.asarray(under)

    def ring_angle_at_mm(self, points: Array) -> Array:
        """Return the acute angle between ring and face at (u, v) mm points, degrees."""
        tangent = ring_tangent_deg(self.slab, self.canvas, self.canvas.to_pixels(points))
        return np.asarray(np.minimum(tangent, 180.0 - tangent))

    def ring_angle_deg(self, points: Array) -> Array:
        """Return the acute angle between ring and face at (row, col) points, on the real end."""
        return self.ring_angle_at_mm(self._camera().to_plane(points))

    def ring_tangent_deg(self, points: Array) -> Array:
        """Return the ring's direction in the picture at (row, col), from +col towards +row."""
        camera = self._camera()
        uv = camera.to_plane(points)
        angle = np.radians(ring_tangent_deg(self.slab, self.canvas, self.canvas.to_pixels(uv)))
        step = 0.05 * np.column_stack([np.cos(angle), np.sin(angle)])
        d = self._project(uv + step) - self._project(uv - step)
        return np.asarray(np.degrees(np.arctan2(d[:, 0], d[:, 1])) % 180.0)


@dataclass(frozen=True, eq=False)
class EdgeTruth:
    """Truth of a photo of a live edge: bodies of the solid, cut by the curved edge.

    Attributes
    ----------
    mask : ndarray of bool, shape (H, W)
        Pixels of the edge, bark or wood.
    labels : ndarray of uint16, shape (H, W)
        Instances on the wood's surface, also where bark hides them. Checks are not among them.
    bark : ndarray of bool, shape (H, W)
        Where bark is still on.
    table : tuple of Defect
        Areas and outlines as seen square on, bark or not.
    """

    camera: Camera
    mask: Array
    labels: Array
    bark: Array
    table: tuple[Defect, ...]


def _widest(slab: Slab, role: str) -> tuple[Any, Array]:
    """Return the silhouette's polygon (u, v) and the world points of the widest curve."""
    from shapely import Polygon

    cut, frame = slab.cut, slab.cut.frame(role)
    top = cut.z_a if role == "face A" else cut.z_b
    sides = []
    for side in (1, -1):
        rails = np.stack([cut.rail(float(z), side, bark=True) for z in cut.levels(13)])
        best = np.argmax(side * rails[:, :, 1], axis=0)
        n = np.arange(rails.shape[1])
        z = cut.levels(13)[best]
        sides.append(np.column_stack([rails[best, n], z]))
    points = np.vstack([sides[0], sides[1][::-1]])
    uv = frame.from_log(points)
    world = np.column_stack([uv, np.abs(points[:, 2] - top)])
    shape = Polygon(uv)
    return (shape if shape.is_valid else shape.buffer(0)), world


def face_truth(
    slab: Slab, role: str, camera: Camera, hidden: Array, texture_zones: Array, canvas: Canvas,
    marks: tuple[ReferenceMark, ...],
) -> FaceTruth:  # fmt: skip
    """Gather the truth of a face photo."""
    arris, bark = slab.outline(role), slab.cut.outline(role, bark=True)
    widest, world = _widest(slab, role)
    lift = slab.lift(role)

    def project(uv: Array) -> Array:
        return camera.project(lifted(np.column_stack([uv, np.zeros(len(uv))]), lift))

    def ring(shape: Any) -> Array:
        return dense(rings_of(shape)[0])

    return FaceTruth(
        slab, role, camera, arris, bark, widest, project(ring(arris)), project(ring(bark)),
        camera.project(lifted(world, lift)), defects_of(slab.regions(role), project), marks, hidden,
        texture_zones, canvas,
    )  # fmt: skip


def end_truth(
    slab: Slab, role: str, camera: Camera | None, shape: tuple[int, int], *,
    zones: Array | None = None, canvas: Canvas | None = None,
) -> EndTruth:  # fmt: skip
    """Gather the truth of an end, with or without a photo of it."""
    cut, frame = slab.cut, slab.cut.frame(role)
    end = 0 if role == "end A" else 1
    y, z = (float(c) for c in cut.log.pith((cut.x0, cut.x1)[end]))
    pith = frame.from_log(np.array([[float(cut.end_x(end, np.array(y))), y, z]]))[0]
    if canvas is None:
        canvas = Canvas(frame, 0.0, 0.0, 1.0, (1, 1), end=True)
    table: tuple[Defect, ...] = ()
    if camera is not None:
        lens = camera

        def project(uv: Array) -> Array:
            return lens.project(np.column_stack([uv, np.zeros(len(uv))]))

        table = defects_of(slab.regions(role), project)
    return EndTruth(
        slab, role, camera, slab.outline(role), cut.thickness_mm, (float(pith[0]), float(pith[1])),
        table, zones if zones is not None else np.zeros(shape, np.uint8), canvas,
    )  # fmt: skip
