"""One log, many cuts: faces, ends and edge of a slab agree because one solid is behind them."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene import Surface, render_slab
from slabvision.scene.drying import AMOUNTS, season
from slabvision.scene.log import grow_log
from slabvision.scene.looks import look
from slabvision.scene.patches import paint_plane
from slabvision.scene.sawing import saw
from slabvision.scene.truth import EdgeTruth, FaceTruth
from slabvision.scene.wood import Canvas


def test_a_through_check_is_one_defect_on_both_faces_and_the_end() -> None:
    made = render_slab(1, look="elm", views=("face A",), megapixels=0.2)
    slab = made.slab
    tables = {role: {r.number: r for r in slab.regions(role)}
              for role in ("face A", "face B", "end A", "end B")}  # fmt: skip
    through = [n for n, r in tables["face A"].items() if r.kind == "through_check"]
    assert through
    for number in through:
        assert tables["face B"][number].kind == "through_check"
        ends = [tables[e][number] for e in ("end A", "end B") if number in tables[e]]
        assert ends, "an end check shows on its end"
        # Where it leaves the face at the end it enters the end's upper edge.
        region = tables["face A"][number]
        tip = region.tips
        outline = slab.outline("face A")
        at_end = min(abs(tip[:, 0] - outline.bounds[0]).min(),
                     abs(tip[:, 0] - outline.bounds[2]).min())  # fmt: skip
        assert at_end < 40.0


def test_rings_go_on_from_face_to_end() -> None:
    made = render_slab(6, look="oak", megapixels=0.2)
    cut = made.slab.cut
    log = cut.log
    face_frame, end_frame = cut.frame("face A"), cut.frame("end A")
    u0, _, u1, _ = made.slab.outline("end A").bounds
    s = np.linspace(u0 + 5, u1 - 5, 60)
    x, y, z = end_frame.to_log(s, np.zeros_like(s))  # the edge between end and face
    uv = face_frame.from_log(np.column_stack([x, y, z]))
    there = log.age_radius(*face_frame.to_log(uv[:, 0], uv[:, 1]))
    assert np.abs(there - log.age_radius(x, y, z)).max() < 1e-9


def test_what_comes_out_of_the_live_edge_is_what_the_faces_cut() -> None:
    made = render_slab(2, look="pine", views=("edge",), megapixels=1.5, yard="concrete",
                       light="overcast",
                       amounts={"bark inclusions": 4, "rot": 5, "grub holes": 5})  # fmt: skip
    photo = made.photos[0]
    truth = photo.truth
    assert isinstance(truth, EdgeTruth)
    grubs = [d for d in truth.table if d.kind == "grub_holes"]
    assert grubs
    blobs = {blob.number: blob.kind for blob in made.slab.blobs}
    on_faces = {r.number for role in ("face A", "face B") for r in made.slab.regions(role)}
    grey = photo.pixels.mean(axis=2)
    for defect in grubs:
        assert blobs[defect.number] == "grub_holes"
        assert defect.number in on_faces
        spot = truth.labels == defect.number
        bare = spot & ~truth.bark
        if bare.any():
            near = cv2.dilate(spot.astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
            wood = near & truth.mask & ~truth.bark & (truth.labels == 0)
            assert grey[bare].mean() < 0.75 * grey[wood].mean()
        # Square on, mm of the edge's mean plane; foreshortened only by a few degrees of tilt.
        r, c = np.nonzero(spot)
        corner = photo.to_mm(np.array([[r[0], c[0]], [r[0] + 1, c[0]], [r[0], c[0] + 1.0]]))
        pixel = abs(np.linalg.det(corner[1:] - corner[0]))
        near_enough = pytest.approx(defect.area_mm2, rel=0.35, abs=2.5 * pixel)
        assert pixel * spot.sum() == near_enough  # a grub's hole is but a few pixels
    assert not (truth.labels[~truth.mask] > 0).any()
    assert truth.bark.any() == any(side == -1 for side, *_ in made.slab.cut.bark)


def test_rings_painted_on_the_face_meet_those_painted_on_the_end() -> None:
    made = []
    for seed in (3, 4, 8):
        log = grow_log(seed, look("pine"))
        slab = season(seed, saw(seed, log, cut="quarter"), amounts=dict.fromkeys(AMOUNTS, 0.0))
        u0, _, u1, _ = slab.outline("end A").bounds
        mm, clean = 0.4, Surface(saw="planed", weathered=0, dust=0)
        end_canvas = Canvas(
            slab.cut.frame("end A"), u0, 0.0, mm, (6, int((u1 - u0) / mm)), end=True
        )
        # The row of the face just inside the end, and the row of the end just under the face.
        face_frame = slab.cut.frame("face A")
        edge = face_frame.from_log(np.column_stack(end_canvas.frame.to_log(
            np.array([u0, u1]), np.zeros(2))))  # fmt: skip
        low, high = edge.min(axis=0), edge.max(axis=0)
        shape = (int((high[1] - low[1]) / mm) + 2, int((high[0] - low[0]) / mm) + 30)
        face_canvas = Canvas(face_frame, low[0], low[1], mm, shape, end=False)
        end_pixels, _ = paint_plane(slab, end_canvas, (), clean, seed)
        face_pixels, _ = paint_plane(slab, face_canvas, (), clean, seed)
        at = end_canvas.u0 + mm * np.arange(end_canvas.shape[1])
        uv = face_frame.from_log(np.column_stack(end_canvas.frame.to_log(at, np.zeros_like(at))))
        row = np.clip(np.round((uv[:, 1] - low[1]) / mm).astype(int), 0, shape[0] - 1)
        col = np.round((uv[:, 0] - low[0]) / mm).astype(int)
        across_face = np.mean([face_pixels[row, col + k].mean(axis=1) for k in range(20)], axis=0)
        across_end = end_pixels.mean(axis=(0, 2))
        inner = slice(int(60 / mm), -int(60 / mm))
        a, b = (p - np.convolve(p, np.ones(81) / 81, "same") for p in (across_face, across_end))
        made.append((np.corrcoef(a[inner], b[inner])[0, 1],
                     np.corrcoef(a[inner], np.roll(b, 12)[inner])[0, 1]))  # fmt: skip
    for here, shifted in made:  # over 1,500 places or so, so chance stays below 0.1
        assert here > 0.3
        assert here > abs(shifted) + 0.2


def test_a_fork_shuts_bark_in_between_two_stems() -> None:
    made = render_slab(1, megapixels=0.2, fork=True, reference="none")
    log, truth = made.slab.cut.log, made.photo("face A").truth
    assert isinstance(truth, FaceTruth)
    fork = log.fork
    assert fork is not None
    # Worked out by hand: the second pith lies on a straight line from the first.
    t = np.array([200.0, 500.0])
    x = fork.x + t * np.cos(fork.angle)
    y = fork.root[0] + t * np.sin(fork.angle) * np.cos(fork.azimuth)
    z = fork.root[1] + t * np.sin(fork.angle) * np.sin(fork.azimuth)
    assert fork.age(x, y, z) == pytest.approx(fork.born_mm + 0.02 * t)
    assert (log.age_radius(x, y, z) <= fork.age(x, y, z) + 1e-9).all()
    # A body of bark lies where both stems' rings are equally old, and figure beside it.
    bark = [d for d in truth.table if d.kind == "bark_inclusion" and d.area_mm2 > 1000]
    assert bark
    inside = np.array([d.polygon_mm.representative_point().coords[0] for d in bark])
    at = made.slab.cut.frame("face A").to_log(inside[:, 0], inside[:, 1])
    gap = np.abs(log.first_stem(*at) - fork.age(*at))
    assert gap.min() < 3.0 * fork.bark_mm * (1 + 1 / fork.share)
    assert (truth.zones == ZONES["figure"].value).any()
    assert render_slab(1, megapixels=0.1, fork=False).slab.cut.log.fork is None


@pytest.mark.slow
def test_no_two_slabs_are_alike() -> None:
    shapes = []
    for seed in range(40, 46):
        log = grow_log(seed, look("walnut"))
        slab = season(seed, saw(seed, log, length_mm=2000.0))
        ring = np.asarray(slab.outline("face A").exterior.coords)
        # Width over the length, its mean taken off: the shape of the live edges.
        u = np.linspace(20.0, 1980.0, 99)
        width = [np.ptp(ring[np.abs(ring[:, 0] - at) < 3.0, 1]) for at in u]
        checks = sorted(round(r.length_mm, 2) for r in slab.regions("face A"))
        shapes.append((np.array(width) - np.mean(width), checks))
    for i, (width, checks) in enumerate(shapes):
        for other, those in shapes[:i]:
            assert np.sqrt(np.mean((width - other) ** 2)) > 3.0
            assert checks != those


def test_a_worm_hole_nearly_along_the_face_is_looked_at_where_the_face_is() -> None:
    """Its box is 35 by 25 m at this seed: a grid over all of it took 13 GB."""
    slab = season(50_003, saw(50_003, grow_log(50_003, look("walnut"))))
    boxes = [blob.box for blob in slab.blobs if blob.kind == "worm_holes"]
    assert max(x1 - x0 for x0, x1, *_ in boxes) > 10_000
    outline = slab.outline("face A")
    found = [each for each in slab.regions("face A") if each.kind == "worm_holes"]
    for each in found:
        assert each.polygon.difference(outline.buffer(1e-6)).area < 1e-3
