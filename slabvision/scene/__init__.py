"""Photos of slabs whose truth is known: rendered from one solid log, for samples and tests.

Nothing that measures imports this package.
"""

from __future__ import annotations

from slabvision.scene.looks import looks
from slabvision.scene.patches import (
    Defect,
    EndPatch,
    FacePatch,
    render_end,
    render_face_patch,
)
from slabvision.scene.surface import Surface

__all__ = [
    "Defect",
    "EndPatch",
    "FacePatch",
    "Surface",
    "looks",
    "render_end",
    "render_face_patch",
]
