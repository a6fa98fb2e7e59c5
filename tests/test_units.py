"""Conversions and typed lengths: exact definitions, then what people type."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slabvision import units as u


def test_definitions():
    # International yard and pound agreement (1959); board foot: ASTM D9, 144 cubic inches.
    assert u.MM_PER_IN == 25.4
    assert pytest.approx(12 * 25.4, rel=1e-15) == u.MM_PER_FT
    assert pytest.approx(25.4**2, rel=1e-15) == u.IN2_MM2
    assert pytest.approx(144 * 25.4**2, rel=1e-15) == u.FT2_MM2
    assert pytest.approx(144 * 25.4**3, rel=1e-15) == u.BOARD_FOOT_MM3
    # 1 m³ = 423.776 000 658 board feet (derived from the two definitions).
    assert u.board_feet(1e9) == pytest.approx(423.776000658, rel=1e-11)
    assert u.fahrenheit(100) == 212


@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        ("48 1/2 in", 1231.9),
        ("48-1/2in", 1231.9),
        ("48.5 inches", 1231.9),
        ('48½"', 1231.9),
        ("4' 1/2\"", 1231.9),
        ("4′ ½″", 1231.9),
        ("4 ft 6 in", 1371.6),
        ("4' 6", 1371.6),
        ("4ft", 1219.2),
        ("1230 mm", 1230.0),
        ("1230mm", 1230.0),
        ("123 cm", 1230.0),
        ("1,23 m", 1230.0),
        ("3/4 in", 19.05),
        ("  2 1/2  IN ", 63.5),
        ("½ in", 12.7),
    ],
)
def test_typed_lengths(typed, mm):
    assert u.parse_length_mm(typed) == pytest.approx(mm, abs=1e-6)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "cannot be read"),
        ("48", "no unit"),
        ("48 furlongs", "not known"),
        ("-3 in", "cannot be read"),
        ("0 mm", "over 0"),
        ("200 m", "at most 100 m"),
        ("1/0 in", "not a number"),
        ("3 in 4 in", "two parts"),
        ("1 ft 2 in 3 mm", "too many"),
        ("five feet", "cannot be read"),
        ("9" * 300, "cannot be read"),
        ("=1+1 in", "cannot be read"),
    ],
)
def test_lengths_that_are_refused_say_why(typed, says):
    with pytest.raises(u.BadLengthError, match=says):
        u.parse_length_mm(typed)


def test_default_unit_only_when_asked():
    assert u.parse_length_mm("48.5", default_unit="in") == 1231.9


@given(st.integers(0, 400), st.integers(0, 15))
def test_inches_survive_being_written_and_read(whole, sixteenth):
    mm = (whole + sixteenth / 16) * 25.4
    text = u.inches_text(mm, sixteenths=1)
    if mm > 0:
        assert u.parse_length_mm(text) == pytest.approx(mm, abs=1e-5)


@given(st.text(max_size=40))
def test_any_text_is_a_length_or_a_named_error(text):
    try:
        mm = u.parse_length_mm(text)
    except u.BadLengthError:
        mm = 1.0
    assert 0 < mm <= u.MAX_LENGTH_MM


def test_what_can_be_got_rounds_down_and_what_must_be_carried_rounds_up():
    assert u.inches_text(36.2 * 25.4, toward="down") == "36 in"
    assert u.inches_text(36.2 * 25.4, toward="up") == "36 1/4 in"
    assert u.inches_text(36 * 25.4, toward="down") == "36 in"
    assert u.round_sum(53.9, 0.5, "down") == 53.5
    with pytest.raises(ValueError, match="step"):
        u.round_sum(1, 0)
