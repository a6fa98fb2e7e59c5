"""Ring angles read from the photos of the ends, as a section of a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from slabvision.ends import EndRead, across
from slabvision.report.charts import band_chart
from slabvision.report.markup import Html, Node, el, section, table
from slabvision.report.words import percent, spread

if TYPE_CHECKING:
    from slabvision.endgrain.result import EndGrain

__all__ = ["ring_section"]


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
            words = each.reason[:1].upper() + each.reason[1:]
            words = f"{words}." if each.coarse_deg else f"Not determined: {each.reason}"
            blocks.append(el("p", words, class_="why"))
            continue
        blocks += _one_end(each.role, each.end, f"{key}-{number}")
    return section("Ring angle across the width", *blocks)


def _one_end(role: str, end: EndGrain, key: str) -> list[Node]:
    sawn = end.sawn()
    where, angle, u, _ = across(end)
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
