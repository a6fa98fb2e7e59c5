"""Ring angles read from the photos of the ends, as a profile for movement and a page's section."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from slabvision.estimate import Estimate
from slabvision.findings import Findings
from slabvision.record import SlabRecord
from slabvision.report.charts import band_chart
from slabvision.report.markup import Html, Node, el, section, table
from slabvision.report.words import percent, spread

if TYPE_CHECKING:
    from slabvision.endgrain.result import EndGrain
    from slabvision.trade.rings import RingProfile

__all__ = ["EndRead", "profile_for_movement", "read_ends", "ring_section"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class EndRead:
    """One end: what was read from its photo, or why nothing was."""

    role: str
    photo: str
    end: EndGrain | None
    reason: str = ""


def read_ends(findings: Findings) -> tuple[EndRead, ...]:
    """Read every photo of an end; a photo that cannot be read carries its reason."""
    return _ends_of(findings.record, findings.folder)


def _ends_of(record: SlabRecord, folder: Path | str) -> tuple[EndRead, ...]:
    from slabvision.endgrain import NotReadable, read_end_grain
    from slabvision.photo import PhotoError, read_photo
    from slabvision.store import RecordError, check_photo

    found = []
    for entry in record.photos:
        if not entry.role.startswith("end"):
            continue
        marks = entry.end_grain
        try:
            photo = read_photo(check_photo(folder, entry))
            end = read_end_grain(
                photo.pixels,
                mask=_inside(marks.outline, entry.shape) if marks and marks.outline else None,
                face=marks.face_line if marks else None,
                pith_hint=marks.pith_hint if marks else None,
            )
            found.append(EndRead(entry.role, entry.file, end))
        except (NotReadable, PhotoError, RecordError, ValueError) as error:
            found.append(EndRead(entry.role, entry.file, None, str(error)))
    return tuple(found)


def profile_of_folder(folder: str) -> RingProfile | None:
    """Return the ring profile of a slab folder; None where no end could be read. Never raises."""
    from slabvision.store import RecordError, load_slab

    try:
        return profile_for_movement(_ends_of(load_slab(folder), folder))
    except RecordError:
        return None


def _inside(outline: list[tuple[float, float]], shape: tuple[int, int]) -> NDArray[np.bool_]:
    import shapely

    wood = shapely.Polygon(outline)
    shapely.prepare(wood)
    row, col = np.mgrid[0 : shape[0], 0 : shape[1]]
    return np.asarray(shapely.contains_xy(wood, row, col))


def profile_for_movement(ends: tuple[EndRead, ...]) -> RingProfile | None:
    """Return the mean of the ends' profiles over the width; None where no end was read.

    The uncertainty holds each end's own and half of what the two ends differ by: rings turn
    along a slab.
    """
    from slabvision.trade.rings import RingProfile

    read = [e.end for e in ends if e.end is not None]
    if not read:
        return None
    grid = np.linspace(0.02, 0.98, 49)
    angles, spreads = [], []
    for end in read:
        where, angle, u = _profile(end)
        angles.append(np.interp(grid, where, angle))
        spreads.append(np.interp(grid, where, u))
    mean = np.mean(angles, axis=0)
    apart = np.ptp(angles, axis=0) / 2 if len(angles) > 1 else np.zeros_like(mean)
    u = np.hypot(np.mean(spreads, axis=0), apart)
    return RingProfile(
        tuple(grid.tolist()),
        tuple(np.clip(mean, 0, 90).tolist()),
        tuple(np.clip(u, 0, 90).tolist()),
        name="ends",
        remark="" if len(read) > 1 else "ring angle read at one end only",
    )


def _profile(end: EndGrain) -> tuple[Floats, Floats, Floats]:
    rows = end.profile
    where = rows.iloc[:, 0].to_numpy(dtype=float)
    span = max(float(where[-1] + where[0]), 1e-9)
    return (
        where / span,
        rows["ring_angle_deg"].to_numpy(dtype=float),
        rows["ring_angle_u_deg"].to_numpy(dtype=float),
    )


def ring_section(ends: tuple[EndRead, ...], key: str) -> Html:
    """Return the section on ring angles."""
    if not ends:
        return section(
            "Ring angle",
            el("p", "Not determined: no photo of an end. Plane a strip across the end, wet it, "
                    "and photograph it square on."),
        )  # fmt: skip
    blocks: list[Node] = [
        el("p", "0° is flat-sawn, 90° quarter-sawn. Across the width at half the thickness.")
    ]
    for number, each in enumerate(ends):
        blocks.append(el("h4", each.role[:1].upper() + each.role[1:]))
        if each.end is None:
            blocks.append(el("p", f"Not determined: {each.reason}", class_="why"))
            continue
        blocks += _one_end(each.role, each.end, f"{key}-{number}")
    return section("Ring angle across the width", *blocks)


def _one_end(role: str, end: EndGrain, key: str) -> list[Node]:
    sawn = end.sawn()
    where, angle, u = _profile(end)
    lo, hi = np.clip(angle - 1.96 * u, 0, 90), np.clip(angle + 1.96 * u, 0, 90)
    rows: list[tuple[Node, ...]] = [("mean ring angle", spread(sawn.ring_angle_deg, "°", step=1.0))]
    for name, share in sawn.shares.items():
        rows.append((f"share {name}", percent(share * 100.0)))
    rows.append(("rings seen, not inferred", f"{sawn.seen_share:.0%} of the width (a count)"))
    rows.append(("rings per inch", spread(end.rings_per_inch, "per inch")))
    at = np.linspace(0.1, 0.9, 5)
    profile = [
        (
            f"{share:.0%} of the width",
            f"{np.interp(share, where, angle):.0f}° "
            f"({np.interp(share, where, lo):.0f} to {np.interp(share, where, hi):.0f})",
        )
        for share in at
    ]
    return [
        table(("", "value (95 % interval)"), rows, caption=f"By {sawn.authority.title}"),
        band_chart(
            (where * 100).tolist(), angle.tolist(), lo.tolist(), hi.tolist(),
            xlabel="share of the width, % (from the start of the face line)",
            ylabel="ring angle, degrees", ylim=(0, 90), key=key,
            caption=f"Ring angle across {role}; the band is the 95 % interval.",
        ),
        table(("where", "ring angle (95 % interval)"), profile, caption="The same in numbers"),
    ]  # fmt: skip


def mean_angle(ends: tuple[EndRead, ...]) -> Estimate:
    """Return the mean ring angle over all ends that were read, degrees."""
    read = [e.end.sawn().ring_angle_deg for e in ends if e.end is not None]
    if not read:
        why = ends[0].reason if ends else "no photo of an end"
        return Estimate.undetermined(why, "deg")
    total = read[0]
    for other in read[1:]:
        total = total + other
    return total * (1.0 / len(read))
