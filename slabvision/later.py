"""The same slab measured at two dates: what grew, as a table for people and as CSV."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slabvision.findings import SHRINKS, Budget, FaceFindings, Findings, interval_halfwidth
from slabvision.show import Unit, length_words, small_area_words
from slabvision.units import IN2_MM2, MM_PER_IN

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

    from slabvision.clear.worlds import Sized
    from slabvision.faces_later import Change, Later

__all__ = ["changes_frame", "changes_table", "compare_faces", "same_face", "when_words"]


def compare_faces(before: FaceFindings, after: FaceFindings) -> Later:
    """Return what changed between two measured photos of one face.

    Parameters
    ----------
    before, after : FaceFindings
        Measured with the same number of draws. Spots named alike in both photos help.

    Raises
    ------
    slabvision.faces_match.NotTheSameSlabError
        The outlines cannot be, or cannot be shown to be, the same face.
    """
    from slabvision.faces_later import compare_later
    from slabvision.through import shared_landmarks

    one, two = before.view, after.view
    return compare_later(
        one.shape,
        one.worlds,
        two.shape,
        two.worlds,
        landmarks=shared_landmarks(before, after),
        key=f"{one.entry.sha256}:{two.entry.sha256}",
    )


def same_face(
    before: Findings, after: Findings, role: str = ""
) -> tuple[FaceFindings, FaceFindings]:
    """Return the photos of one face in two measured slabs; face A unless said otherwise.

    Raises
    ------
    ValueError
        The face was not measured in both.
    """
    roles = [role] if role else ["face A", "face B"]
    for each in roles:
        found = []
        for findings in (before, after):
            faces = [f for f in (findings.best, *findings.faces) if f is not None]
            found.append(next((f for f in faces if f.face == each), None))
        if found[0] is not None and found[1] is not None:
            return found[0], found[1]
    seen = [f"{f.folder}: {f.faces_seen or 'none'} seen" for f in (before, after)]
    raise ValueError(f"{' or '.join(roles)} was not measured at both dates ({'; '.join(seen)})")


def when_words(before: FaceFindings, after: FaceFindings) -> str:
    """Say when the two photos were taken; empty where a photo does not tell."""
    dates = [_date(face.view.entry.taken_at) for face in (before, after)]
    if dates[0] is None or dates[1] is None:
        return ""
    days = (dates[1].date() - dates[0].date()).days
    said = f"taken {dates[0]:%d %B %Y} and {dates[1]:%d %B %Y}"
    if days < 0:
        return f"{said}: the photo named first was taken later; is the order right?"
    return f"{said}, {days} day{'s' * (days != 1)} apart"


def _date(text: str | None) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if text else None
    except ValueError:
        return None


# For people ---------------------------------------------------------------------------------------


def changes_table(
    before: FaceFindings, later: Later, unit: Unit, *, explain: bool = False
) -> Table:
    """Return what changed as a table for the terminal."""
    from rich.table import Table

    table = Table(title=f"What changed on {before.face}", title_justify="left")
    for column in ("defect", "what changed", "before", "now", "growth (95 %)", "from end A"):
        table.add_column(column)
    if explain:
        table.add_column("mostly from")
    start = before.view.shape.outline.bounds[0]
    for change in later.changes:
        place = Budget(_exact(change.place[0] - start))
        row = [
            f"{change.title} {_numbers(change)}",
            change.state,
            _said(change, change.was, unit) if change.before else "",
            _said(change, change.now, unit) if change.after else "",
            _said(change, change.growth, unit),
            length_words(place, unit).split(" (")[0],
        ]
        table.add_row(*row, *([_mostly(change)] if explain else []))
    if not later.changes:
        table.add_row("no defects painted at either date", *[""] * 5)
    narrower = later.shrinkage_across
    low, high = (100 * end for end in narrower.interval)
    table.caption = (
        f"Narrower by {100 * narrower.value:.1f} % ({low:.1f} to {high:.1f}). The edges lie "
        f"{later.match.residual_mm:.1f} mm apart once laid on each other. What is new may have "
        "been overlooked before; compare the photos."
    )
    table.caption_justify = "left"
    return table


def _exact(value: float) -> Any:
    import numpy as np

    from slabvision.estimate import Estimate

    return Estimate(value, np.full(2, value), "mm")


def _numbers(change: Change) -> str:
    one, two = (", ".join(map(str, numbers)) for numbers in (change.before, change.after))
    return one if one == two or not two else two if not one else f"{one}, now {two}"


def _said(change: Change, size: Sized, unit: Unit) -> str:
    budget = Budget(size.estimate, size.parts)
    words = length_words if change.quantity == "length" else small_area_words
    return words(budget, unit)


def _mostly(change: Change) -> str:
    shares = Budget(change.growth.estimate, change.growth.parts).shares()
    if not shares:
        return ""
    cause, share = next(iter(shares.items()))
    length = change.quantity == "length"
    half = interval_halfwidth(change.growth.parts[cause]) / (1.0 if length else 100.0)
    shrinks = f"; {SHRINKS[cause]}" if cause in SHRINKS else ""
    return f"{cause} {share:.0%} (± {half:.1f} {'mm' if length else 'cm²'}){shrinks}"


# As CSV -------------------------------------------------------------------------------------------


def changes_frame(slab: Path | str, before: FaceFindings, later: Later, unit: Unit) -> pd.DataFrame:
    """Return one row per change: lengths of checks, areas of anything else, with intervals."""
    import pandas as pd

    start = before.view.shape.outline.bounds[0]
    long, wide = ("in", "in2") if unit == "in" else ("mm", "mm2")
    scale = {"length": MM_PER_IN, "area": IN2_MM2} if unit == "in" else {"length": 1.0, "area": 1.0}
    rows = []
    for change in later.changes:
        row: dict[str, Any] = {
            "slab": Path(slab).name,
            "face": before.face,
            "term": change.title,
            "change": change.state,
            "numbers_before": " ".join(map(str, change.before)),
            "numbers_now": " ".join(map(str, change.after)),
            f"from_end_a_{long}": (change.place[0] - start) / scale["length"],
        }
        for quantity, suffix in (("length", long), ("area", wide)):
            sizes = {"before": change.was, "now": change.now, "growth": change.growth}
            for when, size in sizes.items():
                told = change.quantity == quantity
                low, high = size.interval if told else (None, None)
                name = f"{quantity}_{when}_{suffix}"
                for column, value in (
                    (name, size.value if told else None), (f"{name}_lo95", low),
                    (f"{name}_hi95", high),
                ):  # fmt: skip
                    row[column] = None if value is None else value / scale[quantity]
        rows.append(row)
    return pd.DataFrame(rows)
