"""The ends of a slab: each read from its photo, both together as one profile for movement."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import Estimate
from slabvision.record import PhotoEntry, SlabRecord
from slabvision.trade.rings import RingProfile

if TYPE_CHECKING:
    import pandas as pd

    from slabvision.endgrain.result import EndGrain
    from slabvision.endgrain.sawn import Sawn
    from slabvision.endgrain.view import PlaneLike

__all__ = [
    "EndRead",
    "across",
    "combined_profile",
    "combined_table",
    "ends_of",
    "mean_angle",
    "sawn_of",
]

Floats = NDArray[np.float64]

STATIONS = np.linspace(0.02, 0.98, 49)
"""Shares of the width at which both ends are put together."""


@dataclass(frozen=True, eq=False)
class EndRead:
    """One end: what was read from its photo, or why nothing was.

    Attributes
    ----------
    role : str
        ``"end A"`` or ``"end B"``.
    photo : str
    end : EndGrain or None
    reason : str
        Why there is none.
    coarse_deg : (float, float) or None
        Range of ring angles that the figure of a face speaks for, where no end could be read.
    sha256 : str
        The photo's, which names the coarse range's errors: photos of other slabs may bear its name.
    """

    role: str
    photo: str
    end: EndGrain | None
    reason: str = ""
    coarse_deg: tuple[float, float] | None = None
    sha256: str = ""


FIGURES: dict[str, tuple[float, float]] = {"cathedral": (0.0, 45.0), "straight": (45.0, 90.0)}
"""Mean ring angle across the width, degrees, by a face's figure: arches are rings cut flat,
straight lines rings cut steeply (common practice, no source)."""


def ends_of(
    record: SlabRecord,
    folder: Path | str,
    plane: Callable[[PhotoEntry], PlaneLike | None] | None = None,
) -> tuple[EndRead, ...]:
    """Read every photo of an end; a photo that cannot be read carries its reason.

    Where none can be read, the figure that a person noted of a face comes last: a coarse class.

    Parameters
    ----------
    record : SlabRecord
    folder : path
        Where the photos lie.
    plane : callable, optional
        Gives the plane of an end's photo from its marks, or None.
    """
    from dataclasses import replace

    from slabvision.endgrain import NotReadable, read_end_grain
    from slabvision.photo import PhotoError, read_photo
    from slabvision.store import RecordError, check_photo

    found = []
    for entry in record.photos:
        if not entry.role.startswith("end"):
            continue
        marks = entry.end_grain
        try:
            pixels = read_photo(check_photo(folder, entry)).pixels
            end = read_end_grain(
                pixels,
                mask=_inside(marks.outline, entry.shape) if marks and marks.outline else None,
                plane=plane(entry) if plane is not None else None,
                face=marks.face_line if marks else None,
                pith_hint=marks.pith_hint if marks else None,
            )
            # The ends of different photos err independently.
            found.append(EndRead(entry.role, entry.file, replace(end, name=entry.sha256)))
        except (NotReadable, PhotoError, RecordError, ValueError) as error:
            found.append(EndRead(entry.role, entry.file, None, str(error)))
    if all(each.end is None for each in found):
        found += _from_figure(record)[:1]
    return tuple(found)


def _from_figure(record: SlabRecord) -> list[EndRead]:
    """Return what the figure of each face says, coarse as it is."""
    found = []
    for entry in record.photos:
        if entry.role.startswith("face") and entry.figure in FIGURES:
            low, high = FIGURES[entry.figure]
            words = (
                f"coarse class from the face's figure ({entry.figure}, as noted): mean ring angle "
                f"{low:.0f} to {high:.0f} degrees; no end was read"
            )
            found.append(EndRead(entry.role, entry.file, None, words, (low, high), entry.sha256))
    return found


def _inside(outline: list[tuple[float, float]], shape: tuple[int, int]) -> NDArray[np.bool_]:
    from slabvision.opencv import cv2

    # Vertices in sixteenths of a pixel, (x, y).
    vertices = np.round(np.asarray(outline)[:, ::-1] * 16).astype(np.int32)
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [vertices], 1, shift=4)
    return mask > 0


def across(end: EndGrain) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Return share of the width from the photo's left, ring angle, its u (degrees), and seen."""
    rows = end.profile
    where = rows.iloc[:, 0].to_numpy(dtype=float)
    share = where / max(float(where[-1] + where[0]), 1e-9)
    angle = rows["ring_angle_deg"].to_numpy(dtype=float)
    u = rows["ring_angle_u_deg"].to_numpy(dtype=float)
    seen = rows["seen"].to_numpy(dtype=np.bool_)
    col = rows["col"].to_numpy(dtype=float)
    if col[-1] < col[0]:  # a face line clicked from right to left
        return 1.0 - share[::-1], angle[::-1], u[::-1], seen[::-1]
    return share, angle, u, seen


@dataclass(frozen=True, eq=False)
class _Both:
    """Mean of the ends over the width, from the left of end A with face A up."""

    angle: Floats
    u: Floats
    seen: NDArray[np.bool_]
    names: tuple[str, ...]
    remark: str = ""


def _both(ends: tuple[EndRead, ...]) -> _Both | None:
    angles, spreads, seens, names = [], [], [], []
    for read in ends:
        if read.end is None:
            continue
        share, angle, u, seen = across(read.end)
        # End B is looked at from the other side: its left is end A's right.
        at = 1.0 - STATIONS if read.role == "end B" else STATIONS
        angles.append(np.interp(at, share, angle))
        spreads.append(np.interp(at, share, u))
        seens.append(np.interp(at, share, seen.astype(float)) > 0.5)
        names.append(read.end.name)
    if not angles:
        return _coarse(ends)
    mean = np.mean(angles, axis=0)
    apart = np.ptp(angles, axis=0) / 2 if len(angles) > 1 else np.zeros_like(mean)
    u = np.hypot(np.mean(spreads, axis=0), apart)
    remark = "" if len(names) > 1 else "ring angle read at one end only"
    seen = np.all(seens, axis=0)
    return _Both(np.clip(mean, 0, 90), np.clip(u, 0, 90), seen, tuple(names), remark)


def _coarse(ends: tuple[EndRead, ...]) -> _Both | None:
    """Return the middle of a coarse range everywhere, as unsure as a rectangular distribution."""
    read = next((each for each in ends if each.coarse_deg is not None), None)
    if read is None or read.coarse_deg is None:
        return None
    low, high = read.coarse_deg
    angle = np.full(STATIONS.size, (low + high) / 2)
    u = np.full(STATIONS.size, (high - low) / np.sqrt(12.0))
    return _Both(angle, u, np.zeros(STATIONS.size, np.bool_), (read.sha256,), read.reason)


def combined_profile(ends: tuple[EndRead, ...]) -> RingProfile | None:
    """Return the mean of the ends' profiles over the width; None where nothing is known.

    Both photos are taken to show face A up, so that end B, seen from the other side, is turned
    end for end. The uncertainty holds each end's own and half of what the two ends differ by:
    rings turn along a slab, and a photo may hang upside down.
    """
    both = _both(ends)
    if both is None:
        return None
    return RingProfile(
        tuple(STATIONS.tolist()),
        tuple(both.angle.tolist()),
        tuple(both.u.tolist()),
        name=f"ends {'+'.join(both.names)}",
        remark=both.remark,
    )


def combined_table(ends: tuple[EndRead, ...]) -> pd.DataFrame:
    """Return the combined profile as a table; share of the width from the left of end A.

    Raises
    ------
    ValueError
        If no end was read and no face's figure noted.
    """
    import pandas as pd

    both = _both(ends)
    if both is None:
        raise ValueError("no end was read; there is no profile")
    columns = {
        "share_of_width": STATIONS,
        "ring_angle_deg": both.angle,
        "ring_angle_u_deg": both.u,
        "seen": both.seen,
    }
    return pd.DataFrame(columns)


def sawn_of(ends: tuple[EndRead, ...], authority: str = "wood-handbook") -> Sawn | None:
    """Return shares of the width by an authority's names; None if nothing is known."""
    from slabvision.endgrain.authorities import authority_named
    from slabvision.endgrain.sawn import sawn_by

    both = _both(ends)
    if both is None:
        return None
    named = authority_named(authority)
    return sawn_by(named, both.angle, both.u, both.seen, name="+".join(both.names))


def mean_angle(ends: tuple[EndRead, ...]) -> Estimate:
    """Return the mean ring angle over the width, both ends together, degrees."""
    sawn = sawn_of(ends)
    if sawn is None:
        why = ends[0].reason if ends else "no photo of an end"
        return Estimate.undetermined(f"ring angle: {why}", "deg")
    return sawn.ring_angle_deg
