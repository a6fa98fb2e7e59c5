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
from slabvision.scene.render import ScenePhoto, SlabScene, render_slab
from slabvision.scene.surface import Surface
from slabvision.scene.write import write_scene

__all__ = [
    "Defect",
    "EndPatch",
    "FacePatch",
    "ScenePhoto",
    "SlabScene",
    "Surface",
    "looks",
    "render_end",
    "render_face_patch",
    "render_slab",
    "write_scene",
]
