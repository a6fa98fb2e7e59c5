"""Parts are laid out on what is clear through where both faces were photographed."""

from __future__ import annotations

import numpy as np
import shapely

from slabvision.clear.region import Trims
from slabvision.clear.shapes import DefectShape, FaceShape
from slabvision.desk.offers import Offer, offer_of
from slabvision.desk.wanted import Costs
from slabvision.faces_match import lay_on
from slabvision.measure import measure_slab
from slabvision.sample import sample_folder
from slabvision.study.slab_pairs import slab_pair


def _both(**more) -> tuple[Offer, shapely.Polygon]:
    a, b = slab_pair(71, 2000.0)
    spot = shapely.Point(1000, 40).buffer(60)
    knot = shapely.transform(spot, lambda p: p * (1, -1))
    face = FaceShape(a)
    other = FaceShape(
        shapely.transform(b, lambda p: p * (1, -1)), (DefectShape(4, "sound_knot", knot),), face="B"
    )
    match = lay_on(face, other, mirrored=True, draws=50)
    offer = Offer(
        "T-1", face, 100.0, thickness_mm=50.0, trims=Trims(), other=other, match=match, **more
    )
    return offer, spot


def test_a_knot_on_the_other_face_is_stayed_clear_of_unless_accepted():
    offer, spot = _both()
    plain = offer.region({})
    assert plain.stamp == "clear through"
    assert plain.with_keep_outs.distance(spot) > 0
    assert any(r.name == "sound knot 4, face B" for r in plain.removals)
    accepted = offer.region({"sound_knot": "accept"})
    assert accepted.with_keep_outs.covers(spot)
    assert offer.region({}) is plain


def test_one_face_alone_is_stamped_so():
    offer = Offer("T-2", FaceShape(slab_pair(72, 2000.0)[0]), 100.0, trims=Trims())
    assert offer.region({}).stamp == "one face seen"


def test_the_sample_is_offered_on_what_is_clear_through():
    with sample_folder() as folder:
        found = measure_slab(folder, draws=100)
        offer = offer_of(found, Costs())
    assert isinstance(offer, Offer)
    assert found.both is not None
    assert found.laid_out_on.region.stamp == "clear through"
    region = offer.region({})
    assert np.isclose(region.area_mm2, found.through_mm2.estimate.value, rtol=1e-6)
    assert not any("turn the slab over" in note for note in offer.notes)
