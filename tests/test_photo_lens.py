"""What the metadata says about the lens, and how far it is believed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slabvision.exif import Exif
from slabvision.lens import FILM_DIAGONAL_MM, read_lens
from slabvision.photo import read_header
from tests.photo_files import exif, phone, picture, save

FULL = (4032, 3024)


def _lens(stored=FULL, **facts):
    base = {"focal35_mm": 26.0, "focal_mm": 5.7, "size": FULL, "make": "Musterfon"}
    return read_lens(Exif(**(base | facts)), stored)


def test_diagonal_rule_by_hand():
    # 4032 x 3024 is 3:4:5, diagonal 5040; film diagonal sqrt(36^2 + 24^2) = 43.2666 mm.
    assert pytest.approx(43.2666, abs=1e-4) == FILM_DIAGONAL_MM
    assert _lens().focal_px == pytest.approx(26 * 5040 / 43.2666, rel=1e-5)


def test_rounding_of_the_equivalent_is_in_the_uncertainty():
    # Uniform over 1 mm: standard deviation 1/sqrt(12) mm (JCGM 100:2008, 4.3.7).
    for film in (13.0, 26.0, 77.0):
        rounding = 1 / math.sqrt(12) / film
        assert _lens(focal35_mm=film).focal_u == pytest.approx(math.hypot(0.03, rounding))


def test_the_photo_may_be_turned():
    assert _lens((3024, 4032)) == _lens()


def test_nothing_known_is_wide():
    lens = _lens(focal35_mm=None, focal_mm=None)
    assert lens.focal_px is None
    assert lens.focal_u >= 0.3
    lens = _lens(focal35_mm=None)
    assert lens.focal_px is None
    assert "sensor size" in lens.why


def test_sensor_pixel_size_with_the_real_focal_length():
    # 50 mm on 36 mm / 6000 px: 166.67 px a mm, 8333 px.
    facts = {"focal35_mm": None, "focal_mm": 50.0, "size": (6000, 4000)}
    lens = _lens((6000, 4000), pixels_per_mm=6000 / 36, **facts)
    assert lens.focal_px == pytest.approx(50 * 6000 / 36)
    assert lens.focal_u == pytest.approx(0.03)
    both = _lens((6000, 4000), pixels_per_mm=6000 / 36, **(facts | {"focal35_mm": 50.0}))
    assert both.focal_px == pytest.approx(8333.3, rel=1e-3)
    apart = _lens((6000, 4000), pixels_per_mm=6000 / 22, **(facts | {"focal35_mm": 50.0}))
    assert apart.focal_u > 0.2
    assert "disagrees" in apart.why


@pytest.mark.parametrize(
    ("size", "said", "words"),
    [
        ((4032, 2268), FULL, "cropped"),  # cut to 16:9 afterwards
        ((3024, 3024), FULL, "cropped"),
        ((2016, 1512), FULL, "resized"),
        ((8064, 6048), FULL, "resized"),
    ],
)
def test_cropped_and_resized_are_wide_and_say_so(size, said, words):
    lens = read_lens(Exif(focal35_mm=26.0, size=said), size)
    assert lens.focal_u >= 0.15
    assert words in lens.why


def test_a_crop_keeps_the_pixels_of_the_whole_picture():
    assert _lens((4032, 2268)).focal_px == pytest.approx(_lens().focal_px)
    assert _lens((2016, 1512)).focal_px == pytest.approx(_lens().focal_px / 2)


def test_cropped_and_resized_at_once_is_not_known():
    lens = _lens((1600, 1000))
    assert lens.focal_px is None
    assert "1600 x 1000" in lens.why
    assert "4032 x 3024" in lens.why


def test_native_wide_picture_covers_both_meanings_of_the_equivalent():
    # 16:9 cut by the camera: the equivalent may be of the whole 4:3 sensor or of the picture.
    size = (4032, 2268)
    lens = read_lens(Exif(focal35_mm=26.0, size=size), size)
    of_sensor = 26 * math.hypot(4032, 3024) / FILM_DIAGONAL_MM
    of_picture = 26 * math.hypot(*size) / FILM_DIAGONAL_MM
    for truth in (of_sensor, of_picture):
        assert abs(math.log(truth / lens.focal_px)) < 1.5 * lens.focal_u
    assert lens.focal_u > 0.045


def test_film_shaped_sensor_of_a_large_camera_is_native():
    size = (6000, 4000)
    lens = read_lens(Exif(focal35_mm=50.0, focal_mm=33.0, size=size), size)
    assert lens.focal_px == pytest.approx(50 * math.hypot(*size) / FILM_DIAGONAL_MM)
    assert lens.focal_u < 0.031


@pytest.mark.parametrize("zoom", [0.0, 1.0, None])
def test_no_digital_zoom(zoom):
    assert _lens(digital_zoom=zoom) == _lens()


def test_digital_zoom_covers_both_meanings():
    lens = _lens(digital_zoom=2.0)
    plain = _lens().focal_px
    assert lens.focal_u > 0.3
    for truth in (plain, 2 * plain):
        assert abs(math.log(truth / lens.focal_px)) < 1.2 * lens.focal_u
    assert _lens(digital_zoom=8.0).focal_px is None


@pytest.mark.parametrize(
    "software",
    ["", "3.1.7", "Ver.1.02", "Version 2.10", "MST-A123BXXU5CVDD", "HDR+ 1.0.527",
     "Musterfon P3 v2", "Digital Camera P3 Ver4.00", "Musterfon Camera Application",
     "RKQ1.211001.001 release-keys"],
)  # fmt: skip
def test_firmware_is_not_editing(software):
    lens = _lens(software=software, model="P3")
    assert lens.focal_u < 0.04, lens.why


@pytest.mark.parametrize(
    "software", ["Bildwerkstatt 12.1 (64 bit)", "retusche 2.10", "Some Picture Editor", "lightbox"]
)
def test_the_name_of_a_program_is_editing(software):
    lens = _lens(software=software, model="P3")
    assert lens.focal_u >= 0.15
    assert "program" in lens.why


def test_other_signs_of_editing(tmp_path):
    path = save(tmp_path / "a.jpg", picture(), phone((80, 60), {0x0132: "2031:06:02 10:00:00"}))
    lens = read_header(path).camera
    assert lens.focal_u >= 0.15
    assert "changed after" in lens.why
    path = save(
        tmp_path / "b.jpg",
        picture(),
        phone((80, 60)),
        xmp=b"<x:xmpmeta><xmpMM:History>cropped</xmpMM:History></x:xmpmeta>",
    )
    assert "editing history" in read_header(path).camera.why


def test_an_untouched_phone_photo(tmp_path):
    header = read_header(save(tmp_path / "a.jpg", picture(), phone((80, 60))))
    assert header.camera.focal_px == pytest.approx(26 * 100 / FILM_DIAGONAL_MM)
    assert header.camera.focal_u < 0.04
    assert header.camera.device == "Musterfon P3"
    assert header.taken_at is not None
    assert header.taken_at.isoformat() == "2031-05-17T09:41:05+02:00"


def test_without_its_size_a_crop_cannot_be_excluded(tmp_path):
    path = save(tmp_path / "a.jpg", picture(), exif(camera={0xA405: 26}))
    lens = read_header(path).camera
    assert 0.05 < lens.focal_u < 0.1
    assert "cropped" in lens.why


def test_ultra_wide_has_more_distortion():
    assert _lens(focal35_mm=13.0).k1_u > _lens().k1_u


def test_panorama_has_no_focal_length():
    assert _lens(panorama_mark="marked").focal_px is None


@settings(max_examples=300)
@given(
    film=st.one_of(st.none(), st.floats(5, 3000)),
    real=st.one_of(st.none(), st.floats(0.3, 3000)),
    zoom=st.one_of(st.none(), st.floats(0.01, 1000)),
    per_mm=st.one_of(st.none(), st.floats(10, 2000)),
    size=st.tuples(st.integers(1, 60000), st.integers(1, 60000)),
    said=st.one_of(st.none(), st.tuples(st.integers(1, 60000), st.integers(1, 60000))),
    software=st.text(max_size=64),
)
def test_any_metadata_gives_a_lens(film, real, zoom, per_mm, size, said, software):
    lens = read_lens(
        Exif(
            focal35_mm=film,
            focal_mm=real,
            digital_zoom=zoom,
            pixels_per_mm=per_mm,
            size=said,
            software=software,
        ),
        size,
    )
    assert lens.focal_px is None or (math.isfinite(lens.focal_px) and lens.focal_px > 0)
    assert 0.03 <= lens.focal_u <= 0.35
    assert lens.why
