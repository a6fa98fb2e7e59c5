"""One slab's trade figures together, and what the package may not load."""

from __future__ import annotations

import subprocess
import sys

import pytest

from slabvision.estimate import Estimate
from slabvision.trade.board_feet import SlabSizes
from slabvision.trade.flattening import ThicknessReading, Warp
from slabvision.trade.meter import MeterReading
from slabvision.trade.rings import RingProfile
from slabvision.trade.slab_trade import SlabFacts, slab_trade

IN = 25.4


def full() -> SlabFacts:
    return SlabFacts(
        sizes=SlabSizes(
            Estimate.normal(96 * IN, 1.0, "mm", name="length"),
            tuple(Estimate.normal(w * IN, 3.0, "mm", name=f"w{w}") for w in (29, 30, 31)),
            thickness_mm=Estimate.normal(2.5 * IN, 0.5, "mm", name="thickness"),
        ),
        volume_mm3=Estimate.exact(96 * 30 * 2.5 * IN**3, "mm3"),
        species="walnut",
        log="log 3",
        readings=(MeterReading(12.0, depth_mm=13), MeterReading(12.4, depth_mm=13)),
        stated_moisture_pct=8.0,
        stated_board_feet=58,
        rule="mean of three",
        rings=RingProfile.constant(20.0, 4.0),
        warp=Warp(bow_mm=6.0),
        thickness_readings=(ThicknessReading(2.5 * IN, 0.0),),
    )


def test_everything_known() -> None:
    answer = slab_trade(full())
    assert all(number.determined for number in answer.numbers.values())
    assert answer.words["species_taken_as"] == "black walnut"
    assert answer.words["tag_check"].startswith("tag 58 is 8 board feet (16 %) more")
    assert "contradicted" in answer.words["moisture_check"]
    assert answer.numbers["weight_kg"].value == pytest.approx(73, abs=0.5)
    assert answer.numbers["flat_thickness_mm"].value == pytest.approx(2.5 * IN - 6)
    assert answer.numbers["points_to_lose_pct"].value == pytest.approx(4.2)
    assert answer.numbers["width_change_mm"].value < 0
    assert len(answer.by_source) >= 3
    units = {name: number.unit for name, number in answer.numbers.items()}
    assert units["rule_board_feet"] == "bf"
    assert units["weight_kg"] == "kg"
    assert units["points_to_lose_pct"] == "%"


def test_nothing_known_is_said_not_guessed() -> None:
    answer = slab_trade(SlabFacts())
    for name, number in answer.numbers.items():
        if name != "target_moisture_pct":
            assert not number.determined, name
            assert number.reason, name
    assert answer.words["species_taken_as"] == "hardwood, unknown"


def test_stated_moisture_stands_in_and_says_so() -> None:
    facts = SlabFacts(
        sizes=full().sizes, volume_mm3=full().volume_mm3, species="walnut",
        stated_moisture_pct=10.0,
    )  # fmt: skip
    answer = slab_trade(facts)
    assert answer.numbers["weight_kg"].determined
    assert not answer.numbers["moisture_mean_pct"].determined
    assert any("as stated by the seller" in note for note in answer.notes)
    assert "rule is not known" in answer.numbers["rule_board_feet"].reason


def test_a_rule_that_lacks_a_width_leaves_the_cell_empty() -> None:
    facts = SlabFacts(sizes=SlabSizes(2000.0, (700.0,), 50.0), rule="mean of three")
    assert "takes widths" in slab_trade(facts).numbers["rule_board_feet"].reason
    with pytest.raises(ValueError, match="not known"):
        slab_trade(SlabFacts(sizes=facts.sizes, rule="some rule"))


def test_no_image_library_comes_with_the_trade() -> None:
    """The trade must work where no image library loads: a broken OpenCV stops no board feet."""
    code = (
        "import sys, slabvision.trade, slabvision.trade.slab_trade\n"
        "from slabvision.trade.species import resolve_species\n"
        "from slabvision.trade.weight import weight\n"
        "weight(resolve_species('elm'), 1e8, 12.0)\n"
        "bad = {'cv2', 'skimage', 'shapely', 'pandas', 'PIL', 'matplotlib', 'napari', 'qtpy'}\n"
        "print(sorted(bad & {m.split('.')[0] for m in sys.modules}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
