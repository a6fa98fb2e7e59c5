"""The field check: counts of intervals that held, with how sure the count itself is."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.desk.field_check import (
    ByHand,
    Check,
    FieldCheck,
    FieldCheckError,
    field_check,
    read_by_hand,
)
from slabvision.estimate import Estimate
from tests.slab_folders import LENGTH_MM, WIDTH_MM, square_on_slab


def checks(held, missed, off=0.0):
    def one(inside):
        value = 1000.0 * (1 + off / 100)
        estimate = Estimate.normal(value, 5.0, "mm", name="photo")
        return Check(ByHand("s", "length", None, value if inside else value + 30), "s", estimate)

    return FieldCheck((*(one(True) for _ in range(held)), *(one(False) for _ in range(missed))), ())


def test_rate_by_the_published_method():
    # Clopper and Pearson 1934, exact binomial limits; 10 of 10: 0.6915 to 1 (closed form
    # 0.025 ** (1 / 10)), and 19 of 20: 0.7513 to 0.9987 (tables of binomial limits).
    assert checks(10, 0).rate == pytest.approx((1.0, 0.025**0.1, 1.0))
    rate, low, high = checks(19, 1).rate
    assert (rate, low, high) == pytest.approx((0.95, 0.7513, 0.9987), abs=1e-4)


def test_words_claim_no_more_than_the_counts_bear():
    assert "say little" in checks(5, 0).words
    assert "fits the 95 % claimed" in checks(38, 2).words
    assert "too narrow in your hands" in checks(20, 10).words
    assert "nothing could be checked" in FieldCheck((), ()).words


def test_taped_lengths_against_a_slab_of_known_size(tmp_path):
    place = square_on_slab(tmp_path / "slab-1")  # tag T-1; 2400 x 750 mm
    hand = [
        ByHand("slab-1", "length", None, LENGTH_MM),
        ByHand("T-1", "width", 900.0, WIDTH_MM),
        ByHand("T-1", "width", 900.0, WIDTH_MM + 60),
        ByHand("T-1", "width", 9000.0, WIDTH_MM),
        ByHand("nobody", "length", None, 1.0),
    ]
    found = field_check(hand, [place])
    assert [c.held for c in found.checks] == [True, True, False]
    assert found.held == 2
    assert [why for _, why in found.left_out] == [
        "the slab ends before the place where the width was taped", "no such slab"]  # fmt: skip
    assert found.checks[2].off_percent == pytest.approx(-60 / 810 * 100, abs=0.3)


def test_a_tape_that_reads_wrong_shows_as_a_bias(tmp_path):
    places = [square_on_slab(tmp_path / f"slab-{n}", grey=80 + n) for n in range(3)]
    hand = [ByHand(p.name, "length", None, LENGTH_MM * 0.98) for p in places]
    found = field_check(hand, places)
    assert found.off_percent[0] == pytest.approx(2.04, abs=0.2)
    assert "over the tape on average" in found.words


def test_the_list_is_read_with_its_lines(tmp_path):
    path = tmp_path / "taped.csv"
    path.write_text(
        "slab,what,at,measured\nT-1,Width,24 in,29 1/2 in\nT-1,length,,2400 mm\n", "utf-8"
    )
    assert read_by_hand(path) == (
        ByHand("T-1", "width", pytest.approx(609.6), pytest.approx(749.3)),
        ByHand("T-1", "length", None, 2400.0),
    )
    for text, says in {
        "slab,what\n": "measured",
        "slab,what,at,measured\nT,girth,,1 in\n": "line 2: what is 'girth'",
        "slab,what,at,measured\nT,width,,1 in\n": "distance from end A",
        "slab,what,at,measured\nT,length,,98\n": "no unit",
    }.items():
        path.write_text(text, "utf-8")
        with pytest.raises(FieldCheckError, match=says):
            read_by_hand(path)


def test_the_command(tmp_path):
    square_on_slab(tmp_path / "visit" / "slab-1")
    path = tmp_path / "taped.csv"
    path.write_text("slab,what,at,measured\nT-1,length,,2400 mm\nT-2,length,,1 m\n", "utf-8")
    run = CliRunner().invoke(app, ["check", str(tmp_path / "visit"), "--by-hand", str(path)])
    assert run.exit_code == 0, run.output
    assert "1 of 1 intervals held" in run.output
    assert "no such slab" in run.output
    bad = CliRunner().invoke(app, ["check", str(tmp_path), "--by-hand", str(tmp_path / "no.csv")])
    assert bad.exit_code == 2
