"""One integer seed in, photos of a slab and their truth out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from slabvision.estimate import named_rng
from slabvision.scene.camera import LENSES, Camera, fit_distance
from slabvision.scene.condition import Lift, Slab
from slabvision.scene.drying import season
from slabvision.scene.edge_photo import edge_depth_mm, paint_edge
from slabvision.scene.face_photo import LIGHTS, Setting, paint_face
from slabvision.scene.fill import Array
from slabvision.scene.log import grow_log
from slabvision.scene.looks import look as look_named
from slabvision.scene.photograph import Film, develop, encode
from slabvision.scene.picture import lifted
from slabvision.scene.reference import REFERENCES, Placed, place_reference
from slabvision.scene.sawing import saw
from slabvision.scene.side_photo import paint_end
from slabvision.scene.surface import Surface
from slabvision.scene.truth import EdgeTruth, EndTruth, FaceTruth, end_truth, face_truth
from slabvision.scene.yard import YARDS

__all__ = ["ROLES", "TILT_BANDS", "ScenePhoto", "SlabScene", "render_slab"]

ROLES = ("face A", "face B", "end A", "end B", "edge")
TILT_BANDS: Mapping[str, tuple[float, float]] = {"ladder": (0.0, 15.0), "eye height": (30.0, 60.0)}
"""Angle between the lens axis and the face's normal, degrees."""


@dataclass(frozen=True, eq=False)
class ScenePhoto:
    """One photo and its truth.

    Attributes
    ----------
    role : str
        One of :data:`ROLES`.
    jpeg : bytes
        The file as the phone (or a messenger) wrote it.
    camera : Camera
        Truth of the lens and of where it stood.
    plane_mm : float
        Depth of the plane that ``to_mm`` maps to (0 but for the edge: its mean depth).
    lift : callable or None
        Depth of a warped face below that plane, over (u, v).
    truth : FaceTruth, EndTruth or EdgeTruth
        What the photo shows.
    tilt_deg, distance_mm : float
        How it was taken.
    lens, reference, yard, light : str
    messenger : bool
        Shrunk and stripped of its metadata.
    """

    role: str
    jpeg: bytes
    camera: Camera
    plane_mm: float
    truth: FaceTruth | EndTruth | EdgeTruth
    tilt_deg: float
    distance_mm: float
    lens: str
    reference: str
    yard: str
    light: str
    messenger: bool
    lift: Lift | None = None

    @cached_property
    def pixels(self) -> Array:
        """The decoded picture, upright, (H, W, 3) uint8."""
        import io

        from PIL import Image, ImageOps

        with Image.open(io.BytesIO(self.jpeg)) as image:
            return np.asarray(ImageOps.exif_transpose(image).convert("RGB"))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the upright picture."""
        return self.camera.shape

    def to_mm(self, points: Array) -> Array:
        """Return (u, v) mm on the photographed face, end or edge of (row, col) points, exactly."""
        at = self.camera.to_plane(points, self.plane_mm)
        for _ in range(6 if self.lift is not None else 0):
            assert self.lift is not None
            at = self.camera.to_plane(points, self.plane_mm + self.lift(at[:, 0], at[:, 1]))
        return at

    def to_pixels(self, points: Array) -> Array:
        """Return (row, col) of (u, v) mm points of the photographed face, end or edge, exactly."""
        points = np.atleast_2d(np.asarray(points, np.float64))
        world = np.column_stack([points, np.full(len(points), self.plane_mm)])
        return self.camera.project(lifted(world, self.lift))


@dataclass(frozen=True, eq=False)
class SlabScene:
    """Photos of one slab.

    Attributes
    ----------
    seed : int
    look : str
    photos : tuple of ScenePhoto
    slab : Slab
        The solid.
    """

    seed: int
    look: str
    photos: tuple[ScenePhoto, ...]
    slab: Slab

    def photo(self, role: str) -> ScenePhoto:
        """Return the photo of a role."""
        for each in self.photos:
            if each.role == role:
                return each
        raise KeyError(f"no photo of {role}; there are {', '.join(p.role for p in self.photos)}")

    @property
    def thickness_mm(self) -> float:
        """Thickness of the slab, everywhere the same: a warp moves both faces."""
        return self.slab.cut.thickness_mm

    @cached_property
    def length_mm(self) -> float:
        """Length from end to end along the middle."""
        return self.slab.cut.x1 - self.slab.cut.x0

    @cached_property
    def volume_mm3(self) -> float:
        """Volume of wood, bark left out, checks not taken off."""
        return self.slab.cut.volume_mm3()

    def ring_angle_profile(self, role: str = "end A", count: int = 41) -> Array:
        """Return (v across mm, ring angle to the face in degrees) along the middle of an end."""
        truth = end_truth_of(self, role)
        u0, _, u1, _ = truth.outline_mm.bounds
        u = np.linspace(u0, u1, count)
        mm = np.column_stack([u, np.full(count, self.thickness_mm / 2)])
        return np.column_stack([u, truth.ring_angle_at_mm(mm)])


def end_truth_of(scene: SlabScene, role: str) -> EndTruth:
    """Return the truth of an end even where no photo of it was taken."""
    for photo in scene.photos:
        if photo.role == role and isinstance(photo.truth, EndTruth):
            return photo.truth
    return end_truth(scene.slab, role, None, (1, 1))


def _pick(rng: np.random.Generator, given: Any, options: Sequence[Any], name: str) -> Any:
    value = rng.choice(np.array(options, dtype=object))
    if given is None:
        return value
    if given not in options:
        raise ValueError(f"{name} {given!r} is not known; one of {', '.join(map(str, options))}")
    return given


def _number(value: float | None, low: float, high: float, name: str) -> None:
    if value is not None and not low <= value <= high:
        raise ValueError(f"{name} is {value:g}; {low:g} to {high:g} can be rendered")


def render_slab(
    seed: int,
    *,
    look: str = "walnut",
    views: Sequence[str] = ("face A",),
    reference: str | None = "tape on face",
    tilt_band: str = "ladder",
    tilt_deg: float | None = None,
    lens: str = "main",
    distance_mm: float | None = None,
    megapixels: float = 12.0,
    yard: str | None = "gravel",
    light: str | None = None,
    messenger: bool = False,
    cut_off: bool = False,
    fork: bool | None = None,
    cut: str | None = None,
    length_mm: float | None = None,
    thickness_mm: float | None = None,
    on_ground: bool | None = None,
    sticks: int | None = None,
    boots: bool | None = None,
    surface: Surface | None = None,
    amounts: Mapping[str, float] | None = None,
    warp_mm: tuple[float, float, float] | None = None,
    orientation: int | None = None,
    max_bytes: int = 4_000_000,
) -> SlabScene:
    """Render photos of one slab.

    Parameters
    ----------
    seed : int
        Everything not given is drawn from it; the same call gives the same bytes.
    look : str
        Species look, see :func:`slabvision.scene.looks`.
    views : sequence of str
        Which photos, of :data:`ROLES`.
    reference : str or None
        One of :data:`slabvision.scene.reference.REFERENCES`; None draws one. On face photos only.
    tilt_band : {"ladder", "eye height"}
        Tilt of face photos, 0 to 15 or 30 to 60 degrees; ``tilt_deg`` (0 to 70) says it exactly.
    lens : {"main", "ultra-wide"}
    distance_mm : float, optional
        From the lens to the middle of the slab, 300 to 12 000; drawn so that the slab fills the
        picture if not given (a given one may cut it off).
    megapixels : float
        Size of the picture, 0.1 to 24, in 4:3.
    yard, light : str or None
        See :data:`slabvision.scene.yard.YARDS` and :data:`slabvision.scene.face_photo.LIGHTS`.
    messenger : bool
        The file went through a messenger: at most 1600 px, low quality, no metadata.
    cut_off : bool
        The frame cuts the slab off.
    fork : bool, optional
        The slab is sawn through a fork: bark between the stems, figured grain. One in twelve is.
    cut, length_mm, thickness_mm
        Of the slab, see :func:`slabvision.scene.sawing.saw`.
    on_ground : bool, optional
        The slab lies on the ground itself (always for a tape on the ground) or on bearers.
    sticks : int, optional
        Stickers across the face.
    boots : bool, optional
        Somebody's boots at the near edge.
    surface : Surface, optional
        State of the faces.
    amounts : mapping, optional
        Mean numbers of defects, see :data:`slabvision.scene.drying.AMOUNTS`.
    warp_mm : (float, float, float), optional
        Bow, cup and twist of the faces; (0, 0, 0) is flat.
    orientation : int, optional
        Exif orientation: 1, 3, 6 or 8.
    max_bytes : int
        JPEG quality is lowered until a file is no larger.
    """
    for role in views:
        if role not in ROLES:
            raise ValueError(f"view {role!r} is not known; one of {', '.join(ROLES)}")
    if tilt_band not in TILT_BANDS:
        raise ValueError(f"tilt_band {tilt_band!r} is not known; one of {', '.join(TILT_BANDS)}")
    if lens not in LENSES:
        raise ValueError(f"lens {lens!r} is not known; one of {', '.join(LENSES)}")
    _number(megapixels, 0.1, 24.0, "megapixels")
    _number(tilt_deg, 0.0, 70.0, "tilt_deg")
    _number(distance_mm, 300.0, 12_000.0, "distance_mm")
    forked = bool(named_rng("scene forked", seed).uniform() < 1 / 12) if fork is None else fork
    log = grow_log(seed, look_named(look), fork=forked)
    sawn = saw(seed, log, cut=cut, length_mm=length_mm, thickness_mm=thickness_mm)
    slab = season(seed, sawn, amounts=amounts, warp_mm=warp_mm)
    rng = named_rng("scene render", seed)
    asked = str(_pick(rng, reference, REFERENCES, "reference"))
    setting = _setting(rng, asked, yard, light, on_ground, sticks, boots)
    state = surface if surface is not None else _state(rng, slab)
    photos = []
    for role in views:
        shot = _Shot(named_rng(f"scene shot {role}", seed), seed, slab, role, lens, megapixels,
                     messenger, orientation, max_bytes)  # fmt: skip
        if role.startswith("face"):
            tilt = tilt_deg if tilt_deg is not None else float(
                shot.rng.uniform(*TILT_BANDS[tilt_band]))  # fmt: skip
            photos.append(_face(shot, asked, setting, state, tilt, distance_mm, cut_off))
        elif role.startswith("end"):
            photos.append(_end(shot, setting, distance_mm))
        else:
            photos.append(_edge(shot, setting, distance_mm))
    return SlabScene(seed, look, tuple(photos), slab)


def _setting(rng: np.random.Generator, reference: str, yard: str | None, light: str | None,
             on_ground: bool | None, sticks: int | None, boots: bool | None
             ) -> Setting:  # fmt: skip
    where = str(_pick(rng, yard, YARDS, "yard"))
    if where == "rack" and reference == "tape on ground":
        if yard is not None:
            raise ValueError("a slab in a rack stands on edge: no tape can lie on the ground by it")
        where = "gravel"
    sun = str(_pick(rng, light, LIGHTS, "light"))
    lies = bool(rng.uniform() < 0.5) if on_ground is None else on_ground
    gap = 0.0 if lies or reference == "tape on ground" else float(rng.uniform(40.0, 100.0))
    count = int(rng.choice([0, 0, 0, 2, 3])) if where == "stack" else 0
    stands = bool(rng.uniform() < 0.12)
    return Setting(
        where, sun, gap, count if sticks is None else sticks, stands if boots is None else boots
    )


def _state(rng: np.random.Generator, slab: Slab) -> Surface:
    patch = None
    if rng.uniform() < 0.35:
        box = slab.outline("face A").bounds
        u = float(rng.uniform(box[0] + 200, box[2] - 400))
        v = float(rng.uniform(box[1] + 120, max(box[3] - 260, box[1] + 121)))
        long, wide = float(rng.uniform(120, 260)), float(rng.uniform(60, 120))
        patch = ((u, v), (u + long, v + 6), (u + long - 8, v + wide), (u - 5, v + wide - 4))
    letters = "".join(rng.choice(list("ABCEHKNRSTW"), 1))
    return Surface(
        saw=str(rng.choice(["band", "band", "chain", "circular"])),
        depth=float(rng.uniform(0.5, 1.4)), weathered=float(rng.uniform(0.0, 0.7)),
        wet=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.1, 0.5)])),
        dust=float(rng.uniform(0.0, 0.5)),
        chalk=f"{int(rng.integers(2, 48))} {letters}" if rng.uniform() < 0.4 else "",
        lichen=float(rng.choice([0.0, 0.0, 0.0, 0.3])), planed_patch=patch,
    )  # fmt: skip


@dataclass(frozen=True)
class _Shot:
    """What all photos of one call share."""

    rng: np.random.Generator
    seed: int
    slab: Slab
    role: str
    lens: str
    megapixels: float
    messenger: bool
    orientation: int | None
    max_bytes: int

    def camera(self, *, upright: bool) -> Camera:
        """Draw the phone's lens; it still has to be placed."""
        size = min(self.megapixels, 1.92) if self.messenger else self.megapixels
        short = 4 * round(np.sqrt(size * 1e6 * 0.75) / 4)
        long = 4 * round(short / 3)
        shape = (long, short) if upright else (short, long)
        rng, lens = self.rng, LENSES[self.lens]
        focal = lens.focal35_mm / float(np.hypot(36.0, 24.0)) * float(np.hypot(*shape))
        focal *= 1.0 + float(np.clip(rng.normal(0.0, 0.02), -0.05, 0.05))
        centre = np.array(shape) / 2 - 0.5 + rng.normal(0.0, 0.004, 2) * long
        return Camera(
            shape, focal, (float(centre[0]), float(centre[1])),
            float(np.clip(rng.normal(0, lens.k1_spread), -0.06, 0.06)),
            float(np.clip(rng.normal(0, lens.k2_spread), -0.02, 0.02)),
            np.eye(3), np.zeros(3),
        )  # fmt: skip

    def focus(self, camera: Camera, distance_mm: float) -> Array:
        """Return how blurred the face is: phones focus on it, or on something nearer."""
        rng = named_rng(f"scene focus {self.role}", self.seed)
        near = float(rng.uniform(0.5, 0.85)) if rng.uniform() < 0.2 else 1.0
        at = distance_mm * near * float(np.exp(rng.normal(0.0, 0.06)))
        return camera.defocus(LENSES[self.lens].opening_mm, at)

    def expose(self, light: Array, setting: Setting, defocus: Array | None = None) -> bytes:
        """Develop and write the file."""
        rng = self.rng
        tint = np.array([1.0, 1.0, 1.0]) + rng.normal(0.0, 0.025, 3)
        if setting.light == "tarp":
            casts = [[0.86, 0.97, 1.1], [0.93, 1.05, 0.9], [1.08, 0.99, 0.86]]
            tint = tint * casts[int(rng.integers(3))]
        mean = float(np.mean(light[::16, ::16]))
        target = float(rng.uniform(112.0, 136.0))
        bright = float(np.percentile(light[::16, ::16], 97.0))
        exposure = float(np.clip(min(target / max(mean, 1.0), 212.0 / max(bright, 1.0)), 0.55, 1.5))
        film = Film(
            exposure, (float(tint[0]), float(tint[1]), float(tint[2])),
            float(rng.uniform(0.04, 0.2)), float(rng.uniform(0.55, 0.95)),
            float(rng.uniform(1.2, 3.6)), float(rng.uniform(0.15, 0.5)),
            72 if self.messenger else int(rng.integers(82, 93)),
        )  # fmt: skip
        pixels = develop(rng, light, film)
        lens = None if self.messenger else LENSES[self.lens]
        turn = self.orientation
        if turn is None:
            turn = int(rng.choice([1, 1, 1, 3] if pixels.shape[1] > pixels.shape[0] else [6, 6, 8]))
        day, hour = int(rng.integers(1, 28)), int(rng.integers(8, 17))
        taken = f"2024:{int(rng.integers(4, 11)):02d}:{day:02d} {hour:02d}:{hour * 3 % 60:02d}:00"
        quality = film.quality
        while True:
            jpeg = encode(pixels, lens=lens, orientation=turn, quality=quality, taken=taken,
                          device="Phone one")  # fmt: skip
            if len(jpeg) <= self.max_bytes or quality <= 30:
                return jpeg
            quality -= max(3, int(12 * (len(jpeg) / self.max_bytes - 1)))

    def finish(self, jpeg: bytes, camera: Camera, truth: FaceTruth | EndTruth | EdgeTruth,
               tilt: float, distance: float, setting: Setting, *, reference: str = "none",
               plane_mm: float = 0.0) -> ScenePhoto:  # fmt: skip
        """Bind a photo and its truth."""
        return ScenePhoto(
            self.role, jpeg, camera, plane_mm, truth, tilt, distance, self.lens, reference,
            setting.yard, setting.light, self.messenger, self.slab.lift(self.role),
        )  # fmt: skip


def _place(camera: Camera, points: Array, pose: tuple[float, float, float], *, margin: float,
           steady: bool, distance_mm: float | None) -> tuple[Camera, float]:  # fmt: skip
    placed, distance = fit_distance(camera, points, pose, margin=margin, steady=steady)
    if distance_mm is None:
        return placed, distance
    back = placed.rotation[2] * (distance - distance_mm)
    return replace(placed, position=placed.position + back), distance_mm


def _face(shot: _Shot, reference: str, setting: Setting, state: Surface, tilt: float,
          distance_mm: float | None, cut_off: bool) -> ScenePhoto:  # fmt: skip
    rng, slab, role = shot.rng, shot.slab, shot.role
    outline = slab.outline(role)
    depth = slab.cut.thickness_mm + setting.gap_mm
    placed: tuple[Placed, ...] = place_reference(rng, reference, outline, depth)
    ring = np.asarray(outline.exterior.coords)[::12]
    points = [np.column_stack([ring, np.zeros(len(ring))])]
    points += [each.outline for each in placed]
    steady = tilt < 20.0
    side = float(rng.choice([90.0, -90.0], p=[0.8, 0.2])) + float(rng.normal(0.0, 16.0))
    if steady:
        side = float(rng.uniform(0.0, 360.0))
    elif abs(side + 90.0) < 60.0:
        side += 180.0  # from the near side, so that the picture is upright
    if setting.yard == "rack":  # it stands on edge: one looks from above the floor, or along it
        steady = True
        up = float(rng.uniform(0.0, 180.0) if tilt < 20.0 else abs(rng.normal(0.0, 9.0)))
        side = -up if rng.uniform() < 0.5 else up - 180.0
    pose = (tilt, side, float(rng.normal(0.0, 3.0)))
    margin = float(rng.uniform(0.025, 0.07))
    camera, distance = _place(
        shot.camera(upright=False), np.vstack(points), pose, margin=margin, steady=steady,
        distance_mm=distance_mm,
    )  # fmt: skip
    if cut_off:
        ahead = camera.rotation[0] * float(rng.choice([-1.0, 1.0])) * 0.3 * distance
        camera = replace(camera, position=camera.position + ahead)
    face = state if role == "face A" else replace(state, planed_patch=None, chalk="")
    picture, zones, canvas = paint_face(slab, role, camera, setting, face, placed, shot.seed)
    jpeg = shot.expose(picture.light, setting, shot.focus(camera, distance))
    truth = face_truth(slab, role, camera, picture.zones, zones, canvas,
                       tuple(each.mark(picture) for each in placed))  # fmt: skip
    return shot.finish(jpeg, camera, truth, tilt, distance, setting, reference=reference)


def _end(shot: _Shot, setting: Setting, distance_mm: float | None) -> ScenePhoto:
    rng, slab, role = shot.rng, shot.slab, shot.role
    ring = np.asarray(slab.outline(role).exterior.coords)
    tilt = float(rng.uniform(4.0, 24.0))  # held a little above the end, as people do
    pose = (tilt, float(np.clip(rng.normal(-90.0, 22.0), -150, -30)), float(rng.normal(0.0, 1.5)))
    camera, distance = _place(
        shot.camera(upright=False), np.column_stack([ring, np.zeros(len(ring))]), pose,
        margin=float(rng.uniform(0.02, 0.06)), steady=True, distance_mm=distance_mm,
    )  # fmt: skip
    state = Surface(
        saw="planed", weathered=float(rng.uniform(0.0, 0.6)), dust=float(rng.uniform(0.0, 0.3)),
        wax=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.3, 0.7)])),
    )  # fmt: skip
    rough = float(rng.uniform(0.1, 0.8))
    picture, zones, canvas = paint_end(slab, role, camera, setting, state, rough, shot.seed)
    jpeg = shot.expose(picture.light, setting)
    truth = end_truth(slab, role, camera, camera.shape, zones=zones, canvas=canvas)
    return shot.finish(jpeg, camera, truth, tilt, distance, setting)


def _edge(shot: _Shot, setting: Setting, distance_mm: float | None) -> ScenePhoto:
    rng, slab = shot.rng, shot.slab
    length, thick = slab.cut.x1 - slab.cut.x0, slab.cut.thickness_mm
    ring = np.array([[0.0, 0, 0], [length, 0, 0], [length, thick, 0], [0, thick, 0]])
    tilt = float(rng.uniform(4.0, 16.0))
    pose = (tilt, -90.0 + float(rng.normal(0.0, 12.0)), float(rng.normal(0.0, 1.0)))
    camera, distance = _place(
        shot.camera(upright=False), ring, pose, margin=0.03, steady=True, distance_mm=distance_mm
    )
    picture, truth = paint_edge(slab, camera, setting, shot.seed)
    jpeg = shot.expose(picture.light, setting)
    return shot.finish(jpeg, camera, truth, tilt, distance, setting, plane_mm=edge_depth_mm(slab))
