"""The field check: lengths taped by hand against the intervals, pooled over a person's visits.

An interval is a claim; here the person's own yard counts how often it is kept. The hand's list is
a CSV with the columns ``slab`` (folder or tag), ``what`` (``length`` or ``width``), ``at`` (for a
width its distance from end A) and ``measured``; lengths with their unit, as people write them.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from slabvision.estimate import Estimate, named_normals

if TYPE_CHECKING:
    from slabvision.findings import Findings

__all__ = ["ByHand", "Check", "FieldCheck", "FieldCheckError", "field_check", "read_by_hand"]

TAPE_U_MM = 1.0
"""Standard uncertainty of a length taped by hand along a face (common practice, no source)."""
EDGE_U_MM = 2.0
"""The same of a width between ragged edges (common practice, no source)."""


class FieldCheckError(Exception):
    """The hand's list cannot be used; the message names the line and what to do."""


@dataclass(frozen=True)
class ByHand:
    """One length taped by hand."""

    slab: str
    what: str
    at_mm: float | None
    measured_mm: float


@dataclass(frozen=True, eq=False)
class Check:
    """One taped length against its interval.

    Attributes
    ----------
    hand : ByHand
    slab : str
        Folder of the slab.
    estimate : Estimate
        What the photo says, with the hand's own uncertainty added; not determined, with the
        reason, where it says nothing.
    """

    hand: ByHand
    slab: str
    estimate: Estimate

    @property
    def held(self) -> bool:
        """Whether the interval holds what was taped."""
        return self.estimate.holds(self.hand.measured_mm)

    @property
    def off_percent(self) -> float:
        """How much the photo reads over the tape, %."""
        return (self.estimate.value / self.hand.measured_mm - 1) * 100


@dataclass(frozen=True, eq=False)
class FieldCheck:
    """All checks together.

    Attributes
    ----------
    checks : tuple of Check
        Those with a number.
    left_out : tuple of (str, str)
        Lines of the list that could not be checked, and why.
    """

    checks: tuple[Check, ...]
    left_out: tuple[tuple[str, str], ...]

    @property
    def held(self) -> int:
        """How many intervals held."""
        return sum(check.held for check in self.checks)

    @property
    def rate(self) -> tuple[float, float, float]:
        """How often they held, and the 95 % interval of that rate (Clopper and Pearson 1934)."""
        from scipy.stats import beta

        n, k = len(self.checks), self.held
        if n == 0:
            return float("nan"), 0.0, 1.0
        low = 0.0 if k == 0 else float(beta.ppf(0.025, k, n - k + 1))
        high = 1.0 if k == n else float(beta.ppf(0.975, k + 1, n - k))
        return k / n, low, high

    @property
    def off_percent(self) -> tuple[float, float, float]:
        """Mean of photo over tape, %, and its 95 % interval by Student's t; NaN below two."""
        from scipy.stats import t

        off = np.array([check.off_percent for check in self.checks])
        nan = float("nan")
        if len(off) < 2:
            return (float(off[0]) if len(off) else nan), nan, nan
        half = float(t.ppf(0.975, len(off) - 1) * off.std(ddof=1) / np.sqrt(len(off)))
        return float(off.mean()), float(off.mean()) - half, float(off.mean()) + half

    @property
    def words(self) -> str:
        """Say what the counts mean, no more than they can bear."""
        n = len(self.checks)
        if n == 0:
            return "nothing could be checked yet: tape one length on each slab"
        rate, low, high = self.rate
        text = (
            f"{self.held} of {n} intervals held ({rate:.0%}); with so few a true rate from "
            f"{low:.0%} to {high:.0%} is possible"
        )
        if high < 0.95:
            text += (
                ". That is less than the 95 % claimed: the intervals are too narrow in your hands"
            )
        elif n < 20:
            text += ". Fewer than 20 checks say little: tape a length on every slab"
        else:
            text += ", which fits the 95 % claimed"
        mean, lo, hi = self.off_percent
        if lo > 0 or hi < 0:
            way = "over" if mean > 0 else "under"
            text += (
                f". Photos read {abs(mean):.2f} % {way} the tape on average ({lo:+.2f} to "
                f"{hi:+.2f}): check the tape, and the print of the board, against a steel rule"
            )
        return text


def read_by_hand(path: Path | str) -> tuple[ByHand, ...]:
    """Read the list of lengths taped by hand.

    Raises
    ------
    FieldCheckError
        The file cannot be read, a column is missing, or a line makes no sense.
    """
    try:
        text = Path(path).read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FieldCheckError(f"{path}: cannot be read ({error})") from None
    rows = csv.DictReader(text.splitlines())
    out = []
    try:
        missing = {"slab", "what", "measured"} - set(rows.fieldnames or ())
        if missing:
            raise FieldCheckError(
                f"{path}: no column {' and '.join(sorted(missing))}; "
                "needed: slab, what, at, measured"
            )
        for row in rows:
            out.append(_line(row, f"{path}, line {rows.line_num}"))
    except csv.Error as error:
        raise FieldCheckError(f"{path}: not a CSV table ({error})") from None
    return tuple(out)


def _line(row: Mapping[str, str | None], where: str) -> ByHand:
    from slabvision.units import BadLengthError, parse_length_mm

    what = (row["what"] or "").strip().lower()
    if what not in ("length", "width"):
        raise FieldCheckError(f"{where}: what is {what[:40]!r}; length or width")
    try:
        at = parse_length_mm(row.get("at") or "") if (row.get("at") or "").strip() else None
        measured = parse_length_mm(row["measured"] or "")
    except BadLengthError as error:
        raise FieldCheckError(f"{where}: {error}") from None
    if what == "width" and at is None:
        raise FieldCheckError(f"{where}: a width needs its distance from end A in column at")
    return ByHand((row["slab"] or "").strip(), what, at, measured)


def field_check(
    by_hand: Sequence[ByHand],
    folders: Sequence[Path | str],
    *,
    measure: Callable[[Path | str], Findings] | None = None,
) -> FieldCheck:
    """Hold lengths taped by hand against the intervals of the slabs.

    Parameters
    ----------
    by_hand : sequence of ByHand
    folders : sequence of path
        Slab folders, of any number of visits.
    measure : callable, optional
        Measures a folder; :func:`slabvision.measure.measure_slab` when left out.
    """
    from slabvision.measure import MeasureError, measure_slab
    from slabvision.store import RecordError, load_slab

    do = measure or measure_slab
    by_name: dict[str, list[Path]] = {}
    for folder in map(Path, folders):
        names = {folder.name}
        try:
            names.add(load_slab(folder).notebook.tag)
        except RecordError:
            continue
        for name in names - {""}:
            by_name.setdefault(name, []).append(folder)
    checks, left_out = [], []
    measured: dict[Path, Findings] = {}
    for hand in by_hand:
        name = f"{hand.slab} {hand.what}"
        places = by_name.get(hand.slab, [])
        if len(places) != 1:
            why = "no such slab" if not places else f"{len(places)} slabs have this name"
            left_out.append((name, why))
            continue
        place = places[0]
        try:
            if place not in measured:
                measured[place] = do(place)
            check = _checked(hand, measured[place], place)
        except (MeasureError, RecordError) as error:
            left_out.append((name, str(error)))
            continue
        if check.estimate.determined:
            checks.append(check)
        else:
            left_out.append((name, check.estimate.reason))
    return FieldCheck(tuple(checks), tuple(left_out))


def _checked(hand: ByHand, findings: Findings, place: Path) -> Check:
    from slabvision.face import widths

    face = findings.best
    if face is None:
        return Check(hand, str(place), Estimate.undetermined("no face could be measured", "mm"))
    if hand.what == "length":
        estimate, u = face.length_mm.estimate, TAPE_U_MM
    else:
        found = widths(face.view, hand.at_mm or 1.0)
        if not found:
            why = "the slab ends before the place where the width was taped"
            return Check(hand, str(place), Estimate.undetermined(why, "mm"))
        estimate, u = found[0].width_mm.estimate, EDGE_U_MM
    if estimate.determined:
        name = f"tape by hand: {place.name} {hand.what} {hand.at_mm}"
        own = u * named_normals(name, estimate.draws.size)
        estimate = Estimate(estimate.value, estimate.draws + own, "mm")
    return Check(hand, str(place), estimate)
