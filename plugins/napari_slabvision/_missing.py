"""What is still missing of a slab, and which photos to take again while one is still there.

The words are for a person who stands in the yard. How oblique a photo is comes from its plane.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slabvision.record import PhotoEntry, SlabRecord

__all__ = ["Look", "look_at", "retake", "still_missing"]

TOO_OBLIQUE_DEG = 65.0
"""Beyond this a pixel at the far edge covers over twice its width along the line of sight."""


@dataclass(frozen=True)
class Look:
    """What a photo's pixels say about it."""

    blurred: bool
    dark: bool
    burnt: bool


def look_at(pixels: NDArray[np.uint8]) -> Look:
    """Judge a photo by its pixels: blurred, too dark for checks to show, burnt out by the sun."""
    from slabvision.sharpness import is_blurred

    few = pixels[::4, ::4].astype(np.float32).mean(axis=2)
    dark = float(np.percentile(few, 90)) < 50
    burnt = float(np.mean(few > 252)) > 0.25
    return Look(is_blurred(pixels), dark, burnt)


def still_missing(record: SlabRecord) -> list[str]:
    """Return what is not there yet, in the order of work."""
    book = record.notebook
    faces = [p for p in record.photos if p.role.startswith("face")]
    seen = {p.role for p in faces}
    words = []
    if not book.species:
        words.append("Species is not in the notebook.")
    if not book.thickness:
        words.append("No thickness: read it at three or more stations along the slab.")
    elif len(book.thickness) < 3:
        words.append(
            f"Thickness at {len(book.thickness)} station(s) only; three say how even it is."
        )
    if not book.moisture:
        words.append("No moisture reading.")
    if not faces:
        words.append("No photo has the role of a face: say which photo shows face A.")
    elif len(seen) == 1:
        other = "face B" if seen == {"face A"} else "face A"
        words.append(f"One face seen only ({seen.pop()}): {other} decides what is clear through.")
    if not any(p.role.startswith("end") for p in record.photos):
        words.append("No end photographed: the rings there say how it was sawn.")
    for photo in faces:
        if not photo.marks:
            words.append(f"{photo.file}: no reference on this face; nothing has a size yet.")
        if photo.arris is None:
            words.append(f"{photo.file}: no outline yet.")
    for photo in record.photos:
        if photo.role == "other":
            words.append(f"{photo.file}: say what it shows.")
    return words


def retake(entry: PhotoEntry, look: Look | None = None, tilt_deg: float | None = None) -> list[str]:
    """Return why a photo should be taken again, while one is still at the slab.

    Parameters
    ----------
    entry : PhotoEntry
    look : Look, optional
        From its pixels.
    tilt_deg : float, optional
        From its fitted plane.
    """
    words = []
    if look is not None:
        if look.blurred:
            words.append("blurred: hold still, or rest the phone, and take it again")
        if look.dark:
            words.append("dark: checks will not show; more light, or the flash from the side")
        if look.burnt:
            words.append("burnt out: the sun hides the wood; shade it and take it again")
    if entry.arris is not None and entry.arris.open:
        words.append("the slab is cut off by the frame: step back, or turn the phone")
    if tilt_deg is not None and tilt_deg > TOO_OBLIQUE_DEG:
        words.append(f"too oblique ({tilt_deg:.0f} degrees): stand higher, or hold the phone up")
    if entry.role.startswith("face") and entry.marks and not _crossed(entry):
        words.append(
            "no cross reference: lay a second length across the slab, as long as it is wide"
        )
    return words


def _crossed(entry: PhotoEntry) -> bool:
    """Whether the references run along and across, so that the tilt is known both ways."""
    if any(mark.type in ("rectangle", "square", "board") for mark in entry.marks):
        return True
    from napari_slabvision._marks import mark_points

    directions = []
    for mark in entry.marks:
        at = np.array(mark_points(mark), float)
        run = at[-1] - at[0]
        directions.append(run / max(float(np.hypot(*run)), 1e-9))
    cross = [abs(a[0] * b[1] - a[1] * b[0]) for a in directions for b in directions]
    return max(cross, default=0.0) > 0.5


def all_retakes(
    record: SlabRecord, looks: Mapping[str, Look], tilts: Mapping[str, float]
) -> list[str]:
    """Return for every photo why it should be taken again."""
    words = []
    for entry in record.photos:
        for reason in retake(entry, looks.get(entry.file), tilts.get(entry.file)):
            words.append(f"{entry.file}: {reason}.")
    return words
