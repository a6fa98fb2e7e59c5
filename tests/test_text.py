"""Text from strangers is made harmless."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slabvision.text import csv_cell, plain


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r@", "＝"])
def test_no_cell_begins_like_a_formula(start):
    assert csv_cell(f"{start}cmd|' /C calc'!A0").startswith("'")


@given(st.text())
def test_plain_text_has_one_line_and_no_hidden_signs(text):
    shown = plain(text)
    assert len(shown.splitlines()) <= 1
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Co", "Cn"} for c in shown)
    assert plain(shown) == shown
    assert not csv_cell(text).startswith(("=", "+", "-", "@"))
