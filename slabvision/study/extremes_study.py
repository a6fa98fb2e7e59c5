"""How far the largest circle and rectangle of a wobbly outline read off, and how often they hold.

A slab whose largest parts are known is drawn again and again by a hand that jitters, by another law
than the program supposes (:mod:`slabvision.study.hand`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from slabvision.boundary import Hand
from slabvision.clear.circle import circle_size, largest_circle
from slabvision.clear.rectangle import largest_rectangle, rectangle_size
from slabvision.clear.region import clear_region
from slabvision.clear.shapes import FaceShape
from slabvision.clear.worlds import Worlds
from slabvision.estimate import named_rng
from slabvision.study.hand import DrawingHand
from slabvision.study.slab_pairs import drawn, slab_outline

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["JITTER_MM", "SLABS", "STRAIGHT", "jittered", "read", "run", "table"]

Floats: TypeAlias = NDArray[np.float64]

JITTER_MM = 2.0
"""2 px at 1 mm to the pixel."""
STRAIGHT = shapely.box(0, 0, 2000, 776)
SLABS: dict[str, Polygon] = {"straight edges, clicked every 8 mm": STRAIGHT} | {
    f"live edges, slab {seed}": slab_outline(seed) for seed in (3, 5, 8)
}
_HAND = Hand(offset_px=0, offset_mm=0, wobble_px=0, wobble_mm=JITTER_MM)


def jittered(shape: Polygon, seed: int) -> Polygon:
    """Return an outline as a jittering hand draws it, mm."""
    made: Polygon = drawn(
        named_rng("extremes study", seed), shape, DrawingHand(0.0, 0.0, JITTER_MM), every_mm=8
    )
    return made


def read(shape: Polygon, cases: int, draws: int = 300) -> dict[str, Floats]:
    """Return relative errors of both, as drawn and as reported, and whether intervals hold.

    Returns
    -------
    dict of str to ndarray, shape (cases,)
        ``"circle drawn"``, ``"circle"``, ``"circle held"`` and the same of ``"rectangle"`` (area,
        along the slab).
    """
    circle = largest_circle(shape)
    box = largest_rectangle(shape, angle_deg=0)
    assert circle is not None
    assert box is not None
    rows = []
    for seed in range(cases):
        region = clear_region(FaceShape(jittered(shape, seed)))
        worlds = Worlds(hand=_HAND, key=f"extremes {seed}", draws=draws)
        disc = largest_circle(region.with_keep_outs)
        rect = largest_rectangle(region.with_keep_outs, angle_deg=0)
        assert disc is not None
        assert rect is not None
        size = circle_size(region, disc, worlds).estimate
        area = rectangle_size(region, rect, worlds).area_mm2.estimate
        rows.append((
            disc.diameter_mm / circle.diameter_mm - 1, size.value / circle.diameter_mm - 1,
            size.holds(circle.diameter_mm), rect.area_mm2 / box.area_mm2 - 1,
            area.value / box.area_mm2 - 1, area.holds(box.area_mm2),
        ))  # fmt: skip
    names = [f"{what}{how}" for what in ("circle", "rectangle") for how in (" drawn", "", " held")]
    return dict(zip(names, np.array(rows, dtype=np.float64).T, strict=True))


def run(cases: int = 40, progress: Callable[[str], None] | None = None) -> pd.DataFrame:
    """Run the study; one line per slab and part."""
    import pandas as pd

    lines = []
    for name, shape in SLABS.items():
        found = read(shape, cases)
        for what in ("circle", "rectangle"):
            raw, told = 100 * found[f"{what} drawn"], 100 * found[what]
            lines.append(
                {
                    "slab": name,
                    "largest": "circle, diameter" if what == "circle" else "rectangle, area",
                    "as drawn, %": f"{raw.mean():+.2f} ± {raw.std():.2f}",
                    "reported, %": f"{told.mean():+.2f} ± {told.std():.2f}",
                    "held": f"{int(found[f'{what} held'].sum())} of {cases}",
                }
            )
            if progress is not None:
                progress("| " + " | ".join(lines[-1].values()) + " |")
    return pd.DataFrame(lines)


def table(study: pd.DataFrame) -> str:
    """Return the study as a Markdown table."""
    head = "| " + " | ".join(study.columns) + " |\n| --- | --- |" + " ---: |" * 3
    rows = ["| " + " | ".join(map(str, row)) + " |" for row in study.itertuples(index=False)]
    return "\n".join([head, *rows])
