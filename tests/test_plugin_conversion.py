"""Record to layers and back, without a window."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("napari")

from napari_slabvision._defect_table import defects_of, features_of, traces_of
from napari_slabvision._live import PixelSizes, Tally, count_pixels, per_kind
from napari_slabvision._marks import (
    mark_lines,
    mark_points,
    mark_texts,
    marks_to_points,
    with_points,
)
from napari_slabvision._missing import look_at, retake, still_missing
from napari_slabvision._outline_shape import (
    crossing_words,
    few_corners,
    filled,
    mask_of,
    on_frame,
    outline_of_mask,
)
from napari_slabvision._photo_layers import outline_layer, outlines_from, spots_layer
from napari_slabvision._step_reference import parse_readings, place_fields, place_of

from slabvision.defects import KINDS
from slabvision.record import (
    BoardMark,
    Defect,
    Landmark,
    LengthMark,
    MoistureReading,
    Notebook,
    Outline,
    PhotoEntry,
    RectangleMark,
    SlabRecord,
    SquareMark,
    TapeMark,
    ThicknessReading,
)
from slabvision.units import BadLengthError

MARKS = [
    LengthMark(name="rule", p=(10, 20), q=(10, 120), mm=609.6),
    TapeMark(name="tape", points=[(0, 0), (0, 10), (0, 20.5)], mm=[0, 304.8, 609.6]),
    RectangleMark(
        name="sheet", corners=[(0, 0), (0, 9), (5, 9), (5, 0)], width_mm=1220, height_mm=610
    ),
    SquareMark(name="square", heel=(5, 5), end_a=(5, 15), end_b=(0, 5), a_mm=610, b_mm=406),
    BoardMark(
        name="board",
        points=[(1, 1), (1, 2), (2, 2), (2, 1), (3, 3)],
        mm=[(0, 0), (30, 0), (30, 30), (0, 30), (60, 60)],
    ),
]


def entry(**more: Any) -> PhotoEntry:
    known: dict[str, Any] = {"file": "a.jpg", "sha256": "0" * 64, "shape": (300, 400)}
    return PhotoEntry(**(known | more))


# Marks -----------------------------------------------------------------------------------------


def test_every_mark_survives_the_way_through_the_points_layer() -> None:
    points, table = marks_to_points(MARKS)
    assert points.shape == (2 + 3 + 4 + 3 + 5, 2)
    assert with_points(MARKS, points, table) == MARKS


def test_a_dragged_point_moves_its_mark_only() -> None:
    points, table = marks_to_points(MARKS)
    row = next(
        i
        for i, (m, p) in enumerate(zip(table["mark"], table["point"], strict=True))
        if (m, p) == ("square", 1)
    )
    points[row] = (50.5, 60.25)
    moved = with_points(MARKS, points, table)
    assert moved[3].heel == (50.5, 60.25)
    assert [m for i, m in enumerate(moved) if i != 3] == [m for i, m in enumerate(MARKS) if i != 3]


@given(st.permutations(range(17)))
@settings(max_examples=20, deadline=None)
def test_the_order_of_points_in_the_layer_does_not_matter(order: list[int]) -> None:
    points, table = marks_to_points(MARKS)
    shuffled = {key: [column[i] for i in order] for key, column in table.items()}
    assert with_points(MARKS, points[order], shuffled) == MARKS


def test_a_tape_may_lose_a_point_and_a_length_may_not() -> None:
    points, table = marks_to_points(MARKS)
    lost = [0, 3, 16]  # one end of the rule, the tape's middle, a corner of the board
    keep = [i for i in range(len(points)) if i not in lost]
    fewer = {key: [column[i] for i in keep] for key, column in table.items()}
    kept = {m.name: m for m in with_points(MARKS, points[keep], fewer)}
    assert set(kept) == {"tape", "sheet", "square", "board"}
    assert kept["tape"].mm == [0, 609.6]
    assert len(kept["board"].points) == len(kept["board"].mm) == 4


def test_a_point_added_by_napari_itself_changes_nothing() -> None:
    points, table = marks_to_points(MARKS)
    more = {key: [*column, column[-1]] for key, column in table.items()}
    assert with_points(MARKS, np.vstack([points, [99, 99]]), more) == MARKS


def test_readings_stand_beside_their_points_in_the_chosen_unit() -> None:
    assert mark_texts(MARKS[1], "in") == ["tape: 0 in", "12", "24"]
    assert mark_texts(MARKS[1], "mm") == ["tape: 0 mm", "305", "610"]
    assert mark_texts(MARKS[3], "mm") == ["610 mm", "square", "406 mm"]
    assert [len(mark_texts(m)) for m in MARKS] == [len(mark_points(m)) for m in MARKS]


def test_lines_join_what_belongs_together() -> None:
    lines = mark_lines(MARKS)
    assert len(lines) == 4, "a board has no lines"
    assert np.array_equal(lines[2][0], lines[2][-1]), "a sheet is closed"


@pytest.mark.parametrize(
    ("text", "count", "unit", "expected"),
    [
        ("0, 12, 24 in", 3, "mm", [0.0, 304.8, 609.6]),
        ("every 12 in", 4, "mm", [0.0, 304.8, 609.6, 914.4]),
        ("every 300 mm from 100 mm", 3, "in", [100.0, 400.0, 700.0]),
        ("0; 1' 6\"; 3 ft", 3, "mm", [0.0, 457.2, 914.4]),
        ("0 in, 10 1/2 in", 2, "mm", [0.0, 266.7]),
        ("6, 18", 2, "in", [152.4, 457.2]),
        ("100 mm, 200 mm, 20 in", 3, "in", [100.0, 200.0, 508.0]),
    ],
)
def test_readings_of_a_tape(text: str, count: int, unit: str, expected: list[float]) -> None:
    assert parse_readings(text, count, unit) == pytest.approx(expected)


def test_too_few_readings_are_said() -> None:
    with pytest.raises(BadLengthError, match="2 readings for 3 clicked points"):
        parse_readings("0, 12 in", 3, "in")


@pytest.mark.parametrize("place", ["unsaid", "face", "hooked", "ground"])
def test_a_choice_of_place_survives_the_record(place: str) -> None:
    mark = LengthMark(name="rule", p=(0, 0), q=(0, 9), mm=100, **place_fields(place))
    assert place_of(LengthMark.model_validate(mark.model_dump())) == place


# Outline ---------------------------------------------------------------------------------------


def test_outlines_survive_the_shapes_layer_with_what_was_said_of_them() -> None:
    arris = Outline(points=[(0, 0), (0, 50.5), (60, 50)], bark="out", open=True, tool="brush")
    widest = Outline(points=[(0, 0), (0, 70), (80, 70)], bark="in")
    drawn = entry(arris=arris, widest=widest, pith_line=[(5, 5), (5, 40)])
    data, arguments, kind = outline_layer(drawn)
    assert kind == "shapes"
    changes = outlines_from(drawn, data, list(arguments["features"]["outline"]))
    assert changes == {"arris": arris, "widest": widest, "pith_line": [(5, 5), (5, 40)]}


def test_a_moved_corner_is_by_hand_and_keeps_bark_and_frame() -> None:
    drawn = entry(
        arris=Outline(points=[(0, 0), (0, 50), (60, 50)], bark="out", open=True, tool="proposed")
    )
    moved = outlines_from(drawn, [np.array([(0, 0), (0, 55), (60, 50)])], ["arris"])["arris"]
    assert (moved.points[1], moved.bark, moved.open, moved.tool) == ((0, 55), "out", True, "hand")


def test_a_removed_shape_removes_the_outline() -> None:
    drawn = entry(arris=Outline(points=[(0, 0), (0, 50), (60, 50)]))
    assert outlines_from(drawn, [], []) == {"arris": None, "widest": None, "pith_line": []}


def test_an_outline_that_crosses_itself_is_said_with_its_place() -> None:
    bow_tie = Outline(points=[(0, 0), (10, 10), (0, 10), (10, 0)])
    assert "row 5, column 5" in crossing_words(bow_tie)
    assert crossing_words(Outline(points=[(0, 0), (0, 10), (10, 10)])) == ""


def test_a_brushed_mask_becomes_the_outline_of_its_largest_piece() -> None:
    mask = np.zeros((100, 200), bool)
    mask[20:60, 30:150] = True
    mask[30:35, 60:70] = False  # a hole is a defect, not outline
    mask[80:84, 5:9] = True
    found = outline_of_mask(mask)
    assert found is not None
    # Pixel edges: rows 19.5 to 59.5, columns 29.5 to 149.5.
    assert {(19.5, 29.5), (19.5, 149.5), (59.5, 29.5), (59.5, 149.5)} == set(map(tuple, found))
    assert outline_of_mask(np.zeros((10, 10), bool)) is None
    inside = mask_of(Outline(points=[tuple(p) for p in found]), mask.shape)
    assert inside.sum() == 40 * 120


def test_an_outline_along_the_frame_is_open() -> None:
    assert on_frame([(0, 10), (0, 50), (80, 50), (80, 10)], (100, 100))
    assert not on_frame([(10, 10), (10, 50), (80, 50), (80, 10)], (100, 100))


def test_named_spots_show_end_a_and_landmarks() -> None:
    data, arguments, _ = spots_layer(
        entry(end_a=(5, 6), landmarks=[Landmark(name="branch", point=(7, 8))])
    )
    assert data.tolist() == [[5, 6], [7, 8]]
    assert arguments["features"]["text"] == ["end A", "branch"]


# Defects ---------------------------------------------------------------------------------------


def test_defects_survive_the_layer_table_with_traces() -> None:
    defects = [
        Defect(number=3, kind="rot", depth="through", note="soft, dark"),
        Defect(
            number=7, kind="end_check", tool="trace", centre_line=[(0, 0), (0, 9)], widths_px=[2, 3]
        ),
    ]
    table = features_of(defects)
    rows = [dict(zip(table, row, strict=True)) for row in zip(*table.values(), strict=True)]
    assert rows[0]["index"] == 0
    assert defects_of(rows, traces_of(defects)) == defects
    assert defects_of(rows, traces_of(defects), present={7}) == defects[1:]


def test_counts_and_areas_by_hand() -> None:
    labels = np.zeros((160, 320), np.uint16)
    labels[10:20, 10:20] = 1  # 100 px in the left half
    labels[100:110, 200:220] = 500  # 200 px in the right half
    mm2 = np.ones((16, 16))
    mm2[:, 8:] = 4.0
    tally = count_pixels(labels, PixelSizes(mm2))
    assert tally.pixels == {1: 100, 500: 200}
    assert tally.mm2 == {1: 100.0, 500: 800.0}
    assert per_kind(tally, {1: "rot", 500: "hole"}) == {"rot": (1, 100.0), "hole": (1, 800.0)}
    assert per_kind(Tally({1: 5, 2: 6}), {1: "rot", 2: "rot"}) == {"rot": (2, None)}


@given(st.integers(1, 60), st.integers(1, 60), st.integers(0, 2**32 - 1), st.integers(1, 40))
@settings(max_examples=25, deadline=None)
def test_counts_agree_with_numpy(height: int, width: int, seed: int, top: int) -> None:
    labels = np.random.default_rng(seed).integers(0, top + 1, (height, width)).astype(np.uint16)
    counts = np.bincount(labels.ravel())
    expected = {int(n): int(counts[n]) for n in np.flatnonzero(counts) if n}
    assert count_pixels(labels, None).pixels == expected


def test_pixel_sizes_follow_the_projection_and_leave_the_sky_out() -> None:
    def to_mm(points: Any) -> Any:
        if (points[:, 0] < 100).any():
            raise ValueError("past the horizon")
        return points * (2.0, 3.0)

    sizes = PixelSizes.of(to_mm, (320, 320)).mm2
    assert np.isnan(sizes[:5]).all()
    assert sizes[5:] == pytest.approx(6.0)
    labels = np.zeros((320, 320), np.uint16)
    labels[200:210, 5:10] = 2
    assert count_pixels(labels, PixelSizes(sizes)).mm2 == pytest.approx({2: 300.0})


def test_every_kind_has_a_key() -> None:
    from napari_slabvision._painting import KIND_KEYS

    assert len(KIND_KEYS) >= len(KINDS)
    assert len(set(KIND_KEYS)) == len(KIND_KEYS)


# Still missing ---------------------------------------------------------------------------------


def test_still_missing_names_what_is_missing_and_stops_when_it_is_there() -> None:
    bare = still_missing(SlabRecord(photos=[entry(role="face A")]))
    text = "\n".join(bare)
    for word in (
        "Species",
        "No thickness",
        "No moisture",
        "One face seen only",
        "No end",
        "no reference",
        "no outline",
    ):
        assert word in text
    full = SlabRecord(
        notebook=Notebook(
            species="white oak",
            thickness=[ThicknessReading(mm=51)] * 3,
            moisture=[MoistureReading(percent=11)],
        ),
        photos=[
            entry(role="face A", marks=[MARKS[2]], arris=Outline(points=[(0, 0), (0, 9), (9, 9)])),
            entry(
                file="b.jpg",
                role="face B",
                marks=[MARKS[2]],
                arris=Outline(points=[(0, 0), (0, 9), (9, 9)]),
            ),
            entry(file="e.jpg", role="end A"),
        ],
    )
    assert still_missing(full) == []


def test_a_face_with_one_length_wants_a_cross_reference() -> None:
    along = LengthMark(name="tape", p=(10, 0), q=(10, 300), mm=2000)
    across = LengthMark(name="rule", p=(0, 100), q=(200, 110), mm=600)
    assert any("cross reference" in w for w in retake(entry(role="face A", marks=[along])))
    assert retake(entry(role="face A", marks=[along, across])) == []
    assert retake(entry(role="face A", marks=[MARKS[2]])) == []


def test_oblique_cut_off_and_blurred_photos_are_to_be_taken_again() -> None:
    cut = entry(arris=Outline(points=[(0, 0), (0, 9), (9, 9)], open=True))
    assert any("cut off" in word for word in retake(cut))
    assert any("oblique" in word for word in retake(entry(), tilt_deg=75))
    rng = np.random.default_rng(4)
    board = np.kron(rng.integers(0, 2, (40, 60)), np.ones((12, 12))) * 160 + 40
    sharp = np.repeat(board[..., None], 3, axis=2).astype(np.uint8)
    assert not look_at(sharp).blurred
    from slabvision.opencv import cv2

    blurred = cv2.GaussianBlur(sharp, (0, 0), 6)
    assert look_at(blurred).blurred
    assert any("blurred" in word for word in retake(entry(), look_at(blurred)))
    assert look_at(np.full((50, 80, 3), 255, np.uint8)).burnt
    assert look_at(np.full((50, 80, 3), 12, np.uint8)).dark


def test_an_outline_is_filled_as_a_slow_published_method_fills_it() -> None:
    """Against scikit-image's polygon2mask, which asks for every pixel by itself."""
    from skimage.draw import polygon2mask

    rng = np.random.default_rng(2)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 60))
    far = rng.uniform(30, 140, 60)
    ring = np.stack([80 + far * np.sin(turn), 120 + far * np.cos(turn)], axis=1)  # leaves the frame
    assert np.array_equal(filled(ring, (160, 240)), polygon2mask((160, 240), ring))


def test_corners_that_say_nothing_are_left_out() -> None:
    side = np.linspace(0, 100, 50)
    ring = [(0.0, x) for x in side] + [(60.0, x) for x in side[::-1]]
    assert few_corners(ring).tolist() == [[0, 0], [0, 100], [60, 100], [60, 0]]
