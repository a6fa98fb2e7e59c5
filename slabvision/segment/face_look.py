"""What each place of a face seems to be: wood, knot, rot, bark, check or another defect."""

from __future__ import annotations

import numpy as np

from slabvision.segment.face_view import View, cells_of_face
from slabvision.segment.unet import chances, load_unets, scores
from slabvision.segment.window import Floats32

__all__ = ["SEEN", "look_of"]

SEEN = ("wood", "other", "knot", "rot", "bark", "check")
"""What a place can be, the order of the net's answers; wood is also all that lies on it."""


def look_of(view: View) -> Floats32:
    """Return how likely each place of a view is each of :data:`SEEN`, shape (h, w, 6).

    A small convolutional net (:mod:`slabvision.segment.unet`) trained on rendered faces, see
    DEVELOPERS.md.
    """
    cells = cells_of_face(view.pixels, view.wood, view.usual)
    seen = chances(scores(load_unets("suggest_unet")["face"], cells))
    seen[~view.wood] = np.eye(len(SEEN), dtype=np.float32)[0]
    return seen
