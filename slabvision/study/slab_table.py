"""The slab study as tables and as a figure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from slabvision.study.slab_study import QUANTITIES

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["counted", "figure", "table"]

_TOO_WIDE = 2.0
"""An interval whose ends differ by more than this factor is no answer; it is counted apart."""
_UNSAID = "not said"

_COLUMNS = ("answers", "held, %", "median error, %", "half width, %", "no answer")


def counted(study: pd.DataFrame) -> pd.DataFrame:
    """Return one row per photo and quantity that has a truth.

    Returns
    -------
    DataFrame
        ``quantity``, ``reference``, ``band``, ``lens``, ``distance``, ``notes``; ``answered``
        (an interval within a factor of two), ``held``, ``error`` and ``width`` (relative; half
        of the interval), NaN where there is no answer.
    """
    import pandas as pd

    parts = []
    kept = ["reference", "band", "lens", "distance", "notes", "refused"]
    for quantity in QUANTITIES:
        truth, value, low, high = (
            study[f"{quantity}: {what}"] for what in ("truth", "value", "low", "high")
        )
        part = study[kept].copy()
        part["quantity"] = quantity
        # A thin or small thing's own edge may be unsure by more than a factor; that is an answer.
        limit = math.inf if quantity in ("defect area", "check length") else _TOO_WIDE
        answered = value.notna() & (high < limit * low.clip(lower=1e-9))
        part["answered"] = answered
        part["held"] = ((low <= truth) & (truth <= high)).where(answered).astype(float)
        part["error"] = (value / truth - 1).where(answered)
        part["width"] = ((high - low) / (2 * value)).where(answered)
        parts.append(part[truth.notna()])
    return pd.concat(parts, ignore_index=True)


def _cells(answers: pd.DataFrame) -> str:
    told = answers[answers["answered"]]
    n = len(told)
    if n == 0:
        return f"0 | - | - | - | {len(answers)} |"
    share = float(told["held"].mean())
    # Agresti and Coull's centre keeps the standard error of a full cell from being nothing.
    middle = (share * n + 2) / (n + 4)
    error = math.sqrt(middle * (1 - middle) / (n + 4))
    return (
        f"{n} | {100 * share:.1f} ± {100 * error:.1f} | "
        f"{100 * float(told['error'].abs().median()):.2f} | "
        f"{100 * float(told['width'].median()):.1f} | {len(answers) - n} |"
    )


def _rows(answers: pd.DataFrame, by: Sequence[str]) -> list[str]:
    lines = [
        f"| {' | '.join([*by, *_COLUMNS])} |",
        f"| {' | '.join(['---'] * len(by) + ['---:'] * len(_COLUMNS))} |",
    ]
    for key, group in answers.groupby(list(by), sort=False):
        names = key if isinstance(key, tuple) else (key,)
        lines.append(f"| {' | '.join(map(str, names))} | {_cells(group)}")
    return lines


def table(study: pd.DataFrame) -> str:
    """Return the study as Markdown tables."""
    answers = counted(study)
    said = answers[~answers["reference"].str.contains(_UNSAID)]
    area = said[said["quantity"] == "clear area as seen"]
    parts = [
        f"{len(study)} photos of {study['round'].nunique()} slabs; "
        f"{int(study['refused'].sum())} refused.",
        "",
        "Everything pooled, references whose place was said:",
        "",
        *_rows(said, ["quantity"]),
        "",
        "Clear area as seen:",
        "",
        *_rows(area, ["reference", "band"]),
        "",
        *_rows(area, ["lens"]),
        "",
        *_rows(area, ["distance"]),
        "",
        "All quantities together (they share a photo's plane, so the error is too small):",
        "",
        *_rows(said, ["reference", "band", "lens"]),
        "",
        _unsaid(study, answers),
    ]
    return "\n".join(parts) + "\n"


def _unsaid(study: pd.DataFrame, answers: pd.DataFrame) -> str:
    """Say what happens with tapes on the ground of which nobody said where they lie."""
    photos = study[study["reference"].str.contains(_UNSAID)]
    gross = answers[
        answers["reference"].str.contains(_UNSAID) & (answers["quantity"] == "gross area")
    ]
    told = gross[gross["answered"]]
    wrong = told[told["held"] == 0]
    silent = wrong[~wrong["notes"].fillna("").str.contains("not said")]
    return (
        f"Tape on the ground, nothing said: {len(photos)} photos, gross area. "
        f"{len(gross) - len(told)} without an answer; {len(told)} answered, of which "
        f"{int(told['held'].sum())} held the truth and {len(wrong)} did not; "
        f"wrong and without a word about it: {len(silent)}."
    )


_FEWEST_DRAWN = 20
"""Answers below which a row would be all error bar."""


def figure(study: pd.DataFrame, path: Path) -> None:
    """Draw how often the intervals held, by quantity and by reference, as a PNG."""
    from matplotlib.figure import Figure

    answers = counted(study)
    said = answers[~answers["reference"].str.contains(_UNSAID)]
    area = said[said["quantity"] == "gross area"]
    groups = [
        *(("", str(q), g) for q, g in said.groupby("quantity", sort=False)),
        *(("gross area, ", str(r), g) for r, g in area.groupby("reference", sort=False)),
        *(("gross area, ", str(r), g) for r, g in area.groupby("lens", sort=False)),
        *(("gross area, ", f"{r} degrees", g) for r, g in area.groupby("band", sort=False)),
    ]
    drawn = Figure(figsize=(7.0, 0.26 * len(groups) + 0.9), layout="constrained")
    axes = drawn.subplots()
    names: list[str] = []
    lowest = 100.0
    for before, name, group in groups:
        told = group[group["answered"]]
        n = len(told)
        if n < _FEWEST_DRAWN:
            continue
        share = float(told["held"].mean())
        low, high = _wilson(share, n)
        lowest = min(lowest, 100 * low)
        place = -len(names)
        axes.plot([100 * low, 100 * high], [place, place], color="#33658a", lw=1.6)
        axes.plot(100 * share, place, "o", color="#33658a", ms=5)
        names.append(f"{before}{name} ({n})")
    axes.axvline(95, color="#777777", lw=0.8, ls="--")
    axes.set_yticks([-k for k in range(len(names))], names, fontsize=8)
    axes.set_xlim(min(80.0, math.floor(lowest)), 100.5)
    axes.set_xlabel("of the 95 % intervals held the truth, % (95 % binomial error)", fontsize=8)
    axes.tick_params(axis="x", labelsize=8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    drawn.savefig(path, dpi=110)


def _wilson(share: float, n: int) -> tuple[float, float]:
    """Return the 95 % score interval of a share (Wilson, JASA 22, 1927)."""
    z2 = 1.96**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = 1.96 / (1 + z2 / n) * math.sqrt(share * (1 - share) / n + z2 / (4 * n * n))
    return middle - half, min(middle + half, 1.0)
