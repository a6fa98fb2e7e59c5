"""Rendered yard photos: what the picture shows and what the truth says must agree."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely import box

from slabvision.defects import ZONES
from slabvision.opencv import cv2
from slabvision.scene import SlabScene, render_slab, write_scene
from slabvision.scene.fill import coverage
from slabvision.scene.picture import Picture
from slabvision.scene.things import neighbour
from slabvision.scene.truth import EndTruth, FaceTruth


@pytest.fixture(scope="module")
def scene() -> SlabScene:
    """One slab, all five photos, small."""
    return render_slab(
        3, look="oak", views=("face A", "face B", "end A", "end B", "edge"),
        reference="two tapes", megapixels=0.8, amounts={"rot": 2, "end checks": 4},
        light="overcast", boots=False,
    )  # fmt: skip


def face(scene: SlabScene, role: str = "face A") -> FaceTruth:
    truth = scene.photo(role).truth
    assert isinstance(truth, FaceTruth)
    return truth


def end(scene: SlabScene, role: str = "end A") -> EndTruth:
    truth = scene.photo(role).truth
    assert isinstance(truth, EndTruth)
    return truth


def test_the_same_call_gives_the_same_bytes_another_seed_others(scene: SlabScene) -> None:
    again = render_slab(
        3, look="oak", views=("face A",), reference="two tapes", megapixels=0.8,
        amounts={"rot": 2, "end checks": 4}, light="overcast", boots=False,
    )  # fmt: skip
    assert again.photos[0].jpeg == scene.photo("face A").jpeg
    other = render_slab(4, look="oak", megapixels=0.3)
    assert other.photos[0].jpeg != again.photos[0].jpeg
    assert other.thickness_mm != scene.thickness_mm


def test_clear_area_is_outline_less_defects(scene: SlabScene) -> None:
    from shapely import union_all

    for role in ("face A", "face B"):
        truth = face(scene, role)
        bad = union_all([d.polygon_mm for d in truth.table])
        # Independent of the sum in the table: one union, cut by the arris.
        rest = truth.arris_mm.difference(bad).area
        assert truth.clear_area_mm2 == pytest.approx(rest, rel=1e-6)
        assert 0 < truth.defect_area_mm2 < 0.5 * truth.arris_area_mm2


def test_masks_in_the_picture_are_the_polygons_seen_through_the_lens(scene: SlabScene) -> None:
    photo, truth = scene.photo("face A"), face(scene)
    # Area of a mask on the plane: every pixel weighs what it covers there.
    share, where = coverage([truth.arris], photo.shape, lines=16)
    r, c = np.mgrid[where]
    r, c, share = r.ravel(), c.ravel(), share.ravel()
    corners = [photo.to_mm(np.column_stack([r + a, c + b]) - 0.5) for a, b in
               ((0, 0), (0, 1), (1, 1), (1, 0))]  # fmt: skip
    p, q = corners[2] - corners[0], corners[3] - corners[1]
    cell = np.abs(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]) / 2
    assert float((cell * share).sum()) == pytest.approx(truth.arris_area_mm2, rel=2e-5)
    assert float(cell[truth.wood[r, c]].sum()) == pytest.approx(truth.arris_area_mm2, rel=2e-3)
    label = truth.labels[r, c]
    for defect in truth.table:
        if defect.area_mm2 > 2000:
            assert float(cell[label == defect.number].sum()) == pytest.approx(
                defect.area_mm2, rel=0.03
            )
    assert set(np.unique(truth.labels)) <= {0} | {d.number for d in truth.table}


def test_mm_and_pixels_undo_one_another(scene: SlabScene) -> None:
    for photo in scene.photos:
        rows, cols = photo.shape
        points = np.array([[0.0, 0.0], [rows / 2, cols / 2], [rows - 1.0, cols - 1.0]])
        mm = photo.to_mm(points)
        good = np.isfinite(mm).all(axis=1)
        assert good.any()
        assert np.abs(photo.to_pixels(mm[good]) - points[good]).max() < 1e-6


def test_tape_readings_lie_where_the_tape_says(scene: SlabScene) -> None:
    photo, truth = scene.photo("face A"), face(scene)
    assert [m.kind for m in truth.marks] == ["tape", "tape"]
    for mark in truth.marks:
        gaps = np.linalg.norm(np.diff(mark.world[:, :2], axis=0), axis=1)
        assert gaps == pytest.approx(np.diff(mark.mm), abs=1e-6)
        # It follows the warped face, and is seen where it lies.
        assert np.ptp(mark.world[:, 2]) > 0.1
        seen = photo.to_mm(mark.points)
        assert np.abs(seen - mark.world[:, :2]).max() < 2.0 * mark.offset_mm + 1e-6
        r, c = np.round(mark.points[len(mark.points) // 2]).astype(int)
        near = truth.zones[r - 3 : r + 4, c - 3 : c + 4]
        assert (near == ZONES["tape"].value).any()


@pytest.mark.parametrize(
    ("reference", "kind", "count"),
    [("plywood", "rectangle", 4), ("square", "square", 3), ("board", "board", 20),
     ("folding rule", "tape", None), ("tape on ground", "tape", None)],
)  # fmt: skip
def test_each_reference_has_true_sizes(reference: str, kind: str, count: int | None) -> None:
    made = render_slab(8, look="pine", reference=reference, megapixels=0.3, yard="concrete",
                       warp_mm=(0, 0, 0))  # fmt: skip
    photo, truth = made.photos[0], face(made)
    mark = truth.marks[0]
    assert mark.kind == kind
    if count:
        assert len(mark.points) == count
    level = mark.offset_mm if mark.place == "ground" else -mark.offset_mm
    mm = photo.camera.to_plane(mark.points, level)
    assert np.abs(mm - mark.world[:, :2]).max() < 1e-6
    if kind == "rectangle":
        sides = np.linalg.norm(np.roll(mm, -1, axis=0) - mm, axis=1)
        assert sides == pytest.approx([*mark.mm, *mark.mm], abs=1e-6)
    elif kind == "square":
        legs = mm[1:] - mm[0]
        assert np.linalg.norm(legs, axis=1) == pytest.approx(mark.mm, abs=1e-6)
        assert float(legs[0] @ legs[1]) == pytest.approx(0.0, abs=1e-4)
    elif kind == "tape":
        span = np.linalg.norm(mm[-1] - mm[0])
        assert span == pytest.approx(mark.mm[-1] - mark.mm[0], abs=1e-6)
    if reference == "tape on ground":
        assert mark.place == "ground"
        assert mark.offset_mm == pytest.approx(made.thickness_mm)


def test_a_hooked_tape_reads_longer_than_the_face_below_it() -> None:
    made = render_slab(5, look="ash", reference="hooked tape", megapixels=0.3)
    mark = face(made).marks[0]
    along = np.linalg.norm(mark.world[-1, :2] - mark.world[0, :2])
    assert mark.mm[-1] - mark.mm[0] > along + 0.3
    assert mark.world[:, 2].min() < -10.0


def test_the_board_is_found_where_it_is() -> None:
    from slabvision.board import find_board

    made = render_slab(12, look="walnut", reference="board", megapixels=4, yard="concrete")
    mark = face(made).marks[0]
    sighting = find_board(made.photos[0].pixels)
    assert sighting is not None
    true = {tuple(np.round(mm, 3)): at for mm, at in zip(mark.mm, mark.points, strict=True)}
    gaps = [p - true[tuple(np.round(mm, 3))]
            for p, mm in zip(sighting.points, sighting.mm, strict=True)]  # fmt: skip
    assert len(gaps) >= 18
    assert np.sqrt(np.mean(np.square(gaps))) < 0.15


def test_ring_direction_in_the_picture(scene: SlabScene) -> None:
    photo, truth = scene.photo("end A"), end(scene)
    r, c = np.nonzero(truth.mask)
    pick = np.random.default_rng(0).integers(0, r.size, 60)
    points = np.column_stack([r[pick], c[pick]]).astype(float)
    tangent = np.radians(truth.ring_tangent_deg(points))

    # Independent: a step along the ring, taken in the picture, hardly changes the ring's age.
    def age(at: np.ndarray) -> np.ndarray:
        uv = photo.to_mm(at)
        return scene.slab.cut.log.age_radius(*truth.canvas.frame.to_log(uv[:, 0], uv[:, 1]))

    step = 0.3
    along = np.column_stack([np.sin(tangent), np.cos(tangent)]) * step
    across = along[:, ::-1] * [1, -1]
    moved = np.abs(age(points + along) - age(points - along))
    steep = np.abs(age(points + across) - age(points - across))
    assert np.median(moved / steep) < 0.01
    assert np.quantile(moved / steep, 0.9) < 0.05


def test_pith_is_where_rings_meet(scene: SlabScene) -> None:
    truth = end(scene)
    assert truth.pith == pytest.approx(
        tuple(scene.photo("end A").to_pixels(np.array([truth.pith_mm]))[0])
    )
    x, y, z = truth.canvas.frame.to_log(np.array([truth.pith_mm[0]]), np.array([truth.pith_mm[1]]))
    r, _ = scene.slab.cut.log.polar(x, y, z)
    assert float(r[0]) < 0.5


def test_ring_angle_profile_follows_height_over_distance() -> None:
    # grain_and_sawing: angle to the face = atan(x / h) for round rings; ours wander. This stem
    # stood upright (lean 0.05): a leaning one's rings are not round about the pith.
    made = render_slab(7, look="maple", megapixels=0.2, cut="flat")
    profile = made.ring_angle_profile("end A")
    truth_u, truth_v = _pith_mm(made)
    expected = np.degrees(np.arctan2(np.abs(profile[:, 0] - truth_u),
                                     abs(made.thickness_mm / 2 - truth_v)))  # fmt: skip
    assert np.median(np.abs(profile[:, 1] - expected)) < 8.0


def _pith_mm(made: SlabScene) -> tuple[float, float]:
    from slabvision.scene.render import end_truth_of

    return end_truth_of(made, "end A").pith_mm


def test_volume_lies_between_the_faces_prisms(scene: SlabScene) -> None:
    a, b = face(scene, "face A"), face(scene, "face B")
    areas = sorted([a.arris_area_mm2, b.arris_area_mm2])
    assert areas[0] * scene.thickness_mm * 0.98 < scene.volume_mm3
    assert scene.volume_mm3 < a.widest_area_mm2 * scene.thickness_mm
    assert a.widest_area_mm2 >= a.bark_mm.area >= a.arris_area_mm2 - 1e-6


def test_file_is_a_phones_and_turned_the_way_it_says() -> None:
    for orientation in (1, 3, 6, 8):
        made = render_slab(2, megapixels=0.3, orientation=orientation, light="overcast")
        photo = made.photos[0]
        image = Image.open(io.BytesIO(photo.jpeg))
        exif = image.getexif()
        assert exif[0x0112] == orientation
        assert exif.get_ifd(0x8769)[0xA405] == 26
        turned = orientation in (6, 8)
        assert image.size == (photo.shape[0], photo.shape[1]) if turned else photo.shape[::-1]
        assert photo.pixels.shape[:2] == photo.shape
        # Upright whatever the tag: the tape lies where the truth says.
        mark = face(made).marks[0]
        r, c = np.round(mark.points[len(mark.points) // 2]).astype(int)
        patch = photo.pixels[r - 2 : r + 3, c - 4 : c + 5].reshape(-1, 3).astype(float)
        assert patch.mean() > 60


def test_a_messenger_shrinks_and_strips() -> None:
    photo = render_slab(2, megapixels=12, messenger=True).photos[0]
    image = Image.open(io.BytesIO(photo.jpeg))
    assert max(image.size) <= 1600
    assert len(image.getexif()) == 0


def test_a_warped_face_lies_where_its_bow_cup_and_twist_say() -> None:
    made = render_slab(9, look="oak", views=("face A", "face B"), megapixels=0.2,
                       warp_mm=(12.0, -5.0, 8.0))  # fmt: skip
    for role, up in (("face A", -1.0), ("face B", 1.0)):  # face B is looked at from below
        photo, truth = made.photo(role), face(made, role)
        assert photo.lift is not None
        u0, v0, u1, v1 = made.slab.outline(role).bounds
        u, v = np.meshgrid([u0, (u0 + u1) / 2, u1], [v0, (v0 + v1) / 2, v1])
        depth = photo.lift(u, v)
        # A straight edge along the middle, then across, as a sawyer measures it.
        assert depth[1, 1] - (depth[1, 0] + depth[1, 2]) / 2 == pytest.approx(up * 12.0, abs=0.3)
        across = depth[1, 1] - (depth[0, 1] + depth[2, 1]) / 2
        assert -5.0 * up == pytest.approx(across, rel=0.3)
        # The fourth corner off the plane of three.
        corner = depth[2, 2] - (depth[2, 0] + depth[0, 2] - depth[0, 0])
        assert abs(corner) == pytest.approx(8.0, rel=0.3)
        ring = np.asarray(truth.arris_mm.exterior.coords)[:-1:40]
        world = np.column_stack([ring, photo.lift(ring[:, 0], ring[:, 1])])
        gap = photo.camera.project(world)[:, None] - truth.arris[None]
        assert np.linalg.norm(gap, axis=2).min(axis=1).max() < 1e-6
        assert np.abs(photo.to_mm(photo.to_pixels(ring)) - ring).max() < 1e-5


def test_a_deep_shadow_and_the_frame_are_zones_of_wood_not_seen() -> None:
    found = set()
    for seed in range(5, 9):
        made = render_slab(seed, megapixels=0.1, cut_off=True, light="sun edge", yard="concrete")
        truth = face(made)
        assert truth.cut_off
        border = np.ones(truth.zones.shape, bool)
        border[1:-1, 1:-1] = False
        framed = truth.zones == ZONES["frame"].value
        assert framed.any()
        assert np.array_equal(framed, border & truth.wood)
        dark = truth.zones == ZONES["shadow"].value
        if dark.any():
            found.add(seed)
            grey = made.photos[0].pixels.mean(axis=2)
            lit = truth.wood & (truth.zones < 100)
            assert grey[dark].mean() < 0.4 * grey[lit].mean()
    assert 0 < len(found) < 4
    assert not face(render_slab(5, megapixels=0.1, yard="concrete")).cut_off


def test_hidden_wood_is_marked() -> None:
    made = render_slab(4, look="elm", yard="stack", sticks=3, boots=True, megapixels=0.4,
                       reference="tape on face")  # fmt: skip
    zones = face(made).zones
    for key in ("tape", "sticker", "boot"):
        assert (zones == ZONES[key].value).any(), key


def test_frame_can_cut_the_slab_off() -> None:
    whole = face(render_slab(5, megapixels=0.2)).arris
    part = face(render_slab(5, megapixels=0.2, cut_off=True))
    rows, cols = part.camera.shape
    assert ((whole >= 0) & (whole < [rows, cols])).all()
    assert not ((part.arris >= 0) & (part.arris < [rows, cols])).all()


def test_written_truth_lies_apart_and_can_be_read(scene: SlabScene, tmp_path: Path) -> None:
    files = write_scene(scene, tmp_path / "slab")
    assert len(files) == 5
    assert {p.name for p in (tmp_path / "slab").iterdir()} == {f.name for f in files} | {"truth"}
    said = json.loads((tmp_path / "slab" / "truth" / "truth.json").read_text())
    photo = said["photos"][0]
    assert photo["clear_area_mm2"] == pytest.approx(face(scene).clear_area_mm2)
    # Shoelace by hand on the written polygon.
    ring = np.array(photo["arris_mm"][0])
    u, v = ring.T
    area = abs(np.dot(u, np.roll(v, -1)) - np.dot(v, np.roll(u, -1))) / 2
    assert area == pytest.approx(photo["arris_area_mm2"], rel=1e-5)
    labels = cv2.imread(str(tmp_path / "slab" / "truth" / "oak_3_faceA_labels.png"), -1)
    assert labels.dtype == np.uint16
    assert np.array_equal(labels, face(scene).labels)


def test_wrong_words_are_named() -> None:
    with pytest.raises(ValueError, match="reference 'shoe'"):
        render_slab(1, reference="shoe", megapixels=0.1)
    with pytest.raises(ValueError, match="view 'top'"):
        render_slab(1, views=("top",))
    with pytest.raises(ValueError, match="megapixels is 99"):
        render_slab(1, megapixels=99)
    with pytest.raises(ValueError, match="thickness_mm is 5"):
        render_slab(1, thickness_mm=5)


def test_a_rack_hides_part_of_a_slab_that_stands_on_its_floor() -> None:
    made = render_slab(31, megapixels=0.3, yard="rack", light="overcast", reference="none")
    truth, photo = face(made), made.photos[0]
    other = (truth.zones == ZONES["boot"].value) & truth.wood
    assert 0.02 < other.sum() / truth.wood.sum() < 0.5
    # One looks at it from above the floor it stands on, upright: +v runs down the picture.
    _, _, _, low = made.slab.outline("face A").bounds
    assert photo.camera.position[1] < low
    top, bottom = photo.to_pixels(np.array([[1000.0, 0.0], [1000.0, 400.0]]))
    assert bottom[0] > top[0]
    with pytest.raises(ValueError, match="stands on edge"):
        render_slab(31, megapixels=0.1, yard="rack", reference="tape on ground")


def test_all_of_a_slab_that_leans_over_another_hides_it_its_bark_too() -> None:
    """Painted over black: what is light afterwards is the other slab, every pixel of it."""
    lens = render_slab(31, megapixels=0.3, yard="rack", reference="none").photos[0].camera
    u, v = lens.plane_maps(2, 0.0)
    picture = Picture(lens, np.zeros((*lens.shape, 3), np.float32), u, v)
    neighbour(np.random.default_rng(2), picture, box(0, 0, 2400, 800), np.full(3, 150.0))
    painted = picture.light.min(axis=2) > 60  # not the soft edge
    assert painted.mean() > 0.05
    assert (picture.zones[painted] == ZONES["boot"].value).mean() > 0.999


@pytest.mark.slow
def test_one_seed_writes_the_same_bytes_of_truth_twice(tmp_path: Path) -> None:
    for name in ("once", "again"):
        made = render_slab(11, look="elm", views=("face A", "end B", "edge"), megapixels=0.1,
                           reference="two tapes")  # fmt: skip
        write_scene(made, tmp_path / name)
    once, again = (sorted(p for p in (tmp_path / n).rglob("*") if p.is_file())
                   for n in ("once", "again"))  # fmt: skip
    assert len(once) == 3 + 1 + 6
    assert [p.name for p in once] == [p.name for p in again]
    for a, b in zip(once, again, strict=True):
        assert a.read_bytes() == b.read_bytes(), a.name


def test_the_part_of_a_check_too_thin_to_see_is_in_the_written_truth(
    scene: SlabScene, tmp_path: Path
) -> None:
    write_scene(scene, tmp_path)
    said = json.loads((tmp_path / "truth" / "truth.json").read_text())
    checks = [d for photo in said["photos"] for d in photo["defects"] if "check" in d["kind"]]
    hidden = [d for d in checks if min(d["widths_mm"]) < 0.3 < max(d["widths_mm"])]
    assert hidden
    for check in hidden:
        assert check["length_mm"] > check["seen_length_mm"] + 1.0
