"""Whether the reference marks agree, and what would make the answer surer.

Marks that cannot all be true are named before anything is measured. The test is the weighted
sum of squares of the best fit against its degrees of freedom; the mark to blame is the one
whose size, were it stated otherwise, would let all fit best.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.marks import (
    Board,
    ContradictingMarksError,
    Length,
    Mark,
    PlaneError,
    Rectangle,
    Square,
    Tape,
)
from slabvision.pattern import Pattern, lay_pattern
from slabvision.plane_fit import Mode, find_modes
from slabvision.plane_model import Model

if TYPE_CHECKING:
    from slabvision.plane import Plane

__all__ = ["check_marks", "describe", "misfit"]

Floats: TypeAlias = NDArray[np.float64]

_DOUBT = 1e-5
"""Chance of so bad a fit, below which the picking errors are taken to be larger than said."""
_STRAIN = 1e-3
"""Below this chance, a fit that strains what is said of the camera asks whether that is true."""
_CONTRADICTION = 1e-7
_LEAST_PERCENT = 2.0
"""Disagreements below this are put down to a slab or tape that is not flat or straight."""

_ANY_SIZE = 30.0
"""Standard deviation of the size of a mark whose number is not believed, as part of the number."""
_MISCLICKED = 20.0
"""What speaks against misplaced points rather than a wrong number, in units of chi-squared."""
_USUAL_LOG_ERROR = 0.35

_WEAK = 1.25
"""Ratio of the ends of an area's interval above which a further mark is advised."""

_LOOSE_FOCAL_U, _LOOSE_K1_U = 0.30, 0.30

_SLIPS = (
    (25.4, "were inches typed as millimetres?"),
    (2.54, "were inches taken for centimetres?"),
    (10.0, "were centimetres typed as millimetres?"),
    (12.0, "were feet taken for inches?"),
    (304.8, "were feet typed as millimetres?"),
    (30.48, "were feet taken for centimetres?"),
    (1000.0, "were metres typed as millimetres?"),
    (100.0, "were metres typed as centimetres?"),
    (2.0, "was only half of it clicked, or a folded length stated?"),
)


def misfit(soft: Model, modes: list[Mode]) -> tuple[float, int, float]:
    """Return chi-squared of the best fit, its degrees of freedom, and the chance of a worse one."""
    from scipy.special import chdtrc

    theta = np.array([mode.theta for mode in modes])
    cost = soft.evaluate(theta, soft.middle_wide(len(modes)), slopes=False).chi2
    chi2 = float(np.nanmin(cost))
    freedom = sum(2 * len(pattern.xy) - 3 for pattern in soft.patterns) - 3
    if freedom < 1:
        return chi2, freedom, 1.0 if chi2 < 30 else 0.0
    return chi2, freedom, float(chdtrc(freedom, chi2))


def check_marks(marks: tuple[Mark, ...], model: Model) -> tuple[Model, list[Mode], tuple[str, ...]]:
    """Refuse contradicting marks; where they fit badly but credibly, widen the errors.

    Returns
    -------
    model : Model
        As given where the marks agree.
    modes : list of Mode
        Of the softened model.
    notes : tuple of str
        What was changed.

    Raises
    ------
    ContradictingMarksError
        By name, with the disagreement in percent.
    """
    soft = model.softened()
    modes = find_modes(soft)
    chi2, freedom, chance = misfit(soft, modes)
    if chance > _STRAIN:
        return model, modes, ()
    notes: tuple[str, ...] = ()
    for other, say in _other_cameras(model, modes[0]):
        found = find_modes(other.softened())
        better, _, chance_then = misfit(other.softened(), found)
        if chance_then > _DOUBT or (better < 0.3 * chi2 and chance_then > 1e-30):
            model, soft, modes, notes = other, other.softened(), found, (say(found[0]),)
            chi2, chance = better, chance_then
            break
    if chance > _DOUBT:
        return model, modes, notes
    if chance < _CONTRADICTION:
        _blame(marks, soft, modes)
    factor = math.sqrt(chi2 / max(freedom, 1))
    widened = replace(model, patterns=tuple(_widened(p, factor) for p in model.patterns))
    note = (
        f"the marks fit {factor:.1f} times worse than their picking errors allow (a curved sheet, "
        "a bowed face or a bent tape?); the intervals are widened for it"
    )
    return widened, find_modes(widened.softened()), (*notes, note)


def _other_cameras(model: Model, mode: Mode) -> Iterator[tuple[Model, Callable[[Mode], str]]]:
    """Yield the model with less trusted cameras, where the fit strains what is said of it."""
    camera = model.camera
    focal_strained = abs(float(mode.theta[3])) > 2.5 and camera.focal_guess[1] < _LOOSE_FOCAL_U
    bend_strained = abs(float(mode.theta[4])) > 2.5 and camera.lens_k1_u < _LOOSE_K1_U

    def longer(found: Mode) -> str:
        change = 100 * math.expm1(_LOOSE_FOCAL_U * float(found.theta[3]))
        return (
            f"the marks fit only if the focal length is {abs(change):.0f} % "
            f"{'longer' if change > 0 else 'shorter'} than said; was the photo cropped or zoomed?"
        )

    def bent(_: Mode) -> str:
        return (
            "the marks fit only if the lens bends straight lines far more than a phone's main "
            "lens does: less is known of sizes away from the marks"
        )

    if focal_strained:
        yield replace(model, camera=replace(camera, focal_u=_LOOSE_FOCAL_U)), longer
    if bend_strained:
        yield replace(model, camera=replace(camera, k1_u=_LOOSE_K1_U, centre_u=0.01)), bent
    if focal_strained and bend_strained:
        loose = replace(camera, focal_u=_LOOSE_FOCAL_U, k1_u=_LOOSE_K1_U, centre_u=0.01)
        yield replace(model, camera=loose), bent


def _widened(pattern: Pattern, factor: float) -> Pattern:
    """Return a pattern with larger errors.

    What is more than picking error is bending, which neighbouring points share: it counts as
    four independent errors, however many corners a board has, and does not average out.
    """
    bend = (factor**2 - 1) * max(1.0, len(pattern.xy) / 4)
    grow = math.sqrt(1 + bend)
    return replace(pattern, sigma_px=pattern.sigma_px * grow, along_u_mm=pattern.along_u_mm * grow)


def _blame(marks: tuple[Mark, ...], model: Model, modes: list[Mode]) -> None:
    """Raise if a mark, or a reading of a tape, differs too much from what the others say."""
    alone = len(marks) == 1
    without: list[tuple[float, float, int, float]] = []
    for index in range(0 if alone else len(marks)):
        for chi2, found in _without_size(model, index):
            ratio = _size_ratio(model, model.patterns[index], found)
            if math.isfinite(ratio):
                # Of two marks that could be the wrong one, judge by the one that fixes the tilt.
                score = round(chi2 + _implausible(ratio), -1)
                without.append((score, found.tilt_u_deg, index, ratio))
    reading = _bad_reading(marks, model)
    if reading:
        raise reading
    if not without:
        _blame_one(marks[0], model, modes[0])
        return
    _, _, index, ratio = min(without)
    percent = 100 * (ratio - 1)
    worst = max(abs(math.log(entry[3])) for entry in without)
    if abs(math.log(ratio)) < _LEAST_PERCENT / 100:
        if worst < _LEAST_PERCENT / 100:
            for mark, pattern in zip(marks, model.patterns, strict=True):
                _blame_one(mark, replace(model, patterns=(pattern,)), modes[0])
            return
        _, _, index, ratio = max(without, key=lambda entry: abs(math.log(entry[3])))
        percent = 100 * (ratio - 1)
    mark = marks[index]
    others = [other.called for k, other in enumerate(marks) if k != index]
    stated = _stated_mm(mark)
    message = (
        f"'{mark.called}' is stated as {stated:.0f} mm, but by {_listed(others)} it measures "
        f"{stated * ratio:.0f} mm: {abs(percent):.{0 if abs(percent) >= 10 else 1}f} % "
        f"{'more' if ratio > 1 else 'less'}"
    )
    message += _slip(ratio) or "; check both numbers and where the ends were clicked"
    names = (mark.called, *others)
    raise ContradictingMarksError(message, names=names, percent=percent)


def _without_size(model: Model, index: int) -> Iterator[tuple[float, Mode]]:
    """Yield misfit and best view where a mark keeps its shape but not its size, and without it.

    A number typed wrongly leaves the shape right; a corner clicked wrongly does not, but is
    less likely than that, if both would do.
    """
    pattern = model.patterns[index]
    size = np.concatenate([pattern.modes, _ANY_SIZE * pattern.base[None]])
    loose = replace(pattern, modes=size)
    others = tuple(p for k, p in enumerate(model.patterns) if k != index)
    for patterns, extra in (((loose, *others), 0.0), (others, _MISCLICKED)):
        part = replace(model, patterns=patterns)
        try:
            found = find_modes(part)
        except PlaneError:
            continue
        yield misfit(part, found)[0] + extra, found[0]


def _implausible(ratio: float) -> float:
    """Return what speaks against a size being stated so wrongly, in units of chi-squared."""
    return 2.0 if _slip(ratio) else min((math.log(ratio) / _USUAL_LOG_ERROR) ** 2, 60.0)


def _blame_one(mark: Mark, model: Model, mode: Mode) -> None:
    """Raise if the points of one mark do not have the shape that it states."""
    pattern = model.patterns[0]
    lay = lay_pattern(
        pattern, model.views(mode.theta[None]), mode.theta[None], model.middle_wide(1)
    )
    n = len(pattern.xy)
    off = np.hypot(lay.residual[0, :n], lay.residual[0, n:])
    size = float(np.sqrt(((pattern.xy - pattern.xy.mean(axis=0)) ** 2).sum(axis=1).mean()))
    percent = 100 * float(off.max()) / size
    if percent < _LEAST_PERCENT:
        return
    hint = ""
    if isinstance(mark, Rectangle | Square):
        hint = "; are the two sides stated the wrong way round, or is a corner misplaced?"
    raise ContradictingMarksError(
        f"'{mark.called}': its points do not have the shape stated, whatever the tilt: point "
        f"{int(off.argmax()) + 1} is {off.max():.0f} px off, {percent:.0f} % of its size"
        + (hint or "; check each point and number"),
        names=(mark.called,),
        percent=percent,
    )


def _bad_reading(marks: tuple[Mark, ...], model: Model) -> ContradictingMarksError | None:
    """Find the one reading of a tape without which all is well."""
    for index, mark in enumerate(marks):
        pattern = model.patterns[index]
        if not isinstance(mark, Tape) or len(pattern.xy) < 4:
            continue
        for k in range(len(pattern.xy)):
            keep = np.arange(len(pattern.xy)) != k
            part = replace(
                pattern,
                xy=pattern.xy[keep],
                base=pattern.base[keep],
                modes=pattern.modes[:, keep],
                common=tuple((column, change[keep]) for column, change in pattern.common),
            )
            patterns = tuple(part if j == index else p for j, p in enumerate(model.patterns))
            rest = replace(model, patterns=patterns)
            try:
                found = find_modes(rest)
            except PlaneError:
                continue
            if misfit(rest, found)[2] < 1e-4:
                continue
            theta = found[0].theta[None]
            x, y = model.views(theta).on_plane(pattern.xy[:, 0], pattern.xy[:, 1])
            points = np.column_stack([x[0], y[0]])
            readings = np.array(mark.mm)
            axis = np.linalg.lstsq(
                np.column_stack([readings[keep], np.ones(keep.sum())]), points[keep], rcond=None
            )[0]
            run = float(axis[0] @ axis[0])
            fitted = float((points[k] - axis[1]) @ axis[0]) / run
            off = fitted - readings[k]
            percent = 100 * off / float(np.ptp(readings[keep]))
            if abs(percent) < _LEAST_PERCENT:
                continue
            return ContradictingMarksError(
                f"'{mark.called}': the reading {readings[k]:g} mm at point {k + 1} does not fit "
                f"the others, which put that point at {fitted:.0f} mm ({abs(percent):.0f} % of the "
                f"tape {'more' if off > 0 else 'less'}); was it typed wrongly?",
                names=(mark.called,),
                percent=percent,
            )
    return None


def _size_ratio(model: Model, pattern: Pattern, mode: Mode) -> float:
    """Size of a mark as others measure it over the size stated."""
    theta, wide = mode.theta[None], model.middle_wide(1)
    with np.errstate(all="ignore"):
        lay = lay_pattern(pattern, model.views(theta), theta, wide)
    x, y = lay.mm
    have = math.sqrt(float(x.var() + y.var()))
    return have / math.sqrt(float(pattern.base.var(axis=0).sum()))


def _stated_mm(mark: Mark) -> float:
    if isinstance(mark, Length):
        return mark.mm
    if isinstance(mark, Tape):
        return max(mark.mm) - min(mark.mm)
    if isinstance(mark, Rectangle):
        return max(mark.width_mm, mark.height_mm)
    if isinstance(mark, Square):
        return max(mark.a_mm, mark.b_mm)
    assert isinstance(mark, Board)
    return float(np.ptp(np.array(mark.mm), axis=0).max())


def _slip(ratio: float) -> str:
    times = max(ratio, 1 / ratio)
    for factor, question in _SLIPS:
        if abs(times / factor - 1) < 0.04:
            word = "twice" if factor == 2 else f"{factor:g} times"
            return f", {word} too {'short' if ratio > 1 else 'long'}; {question}"
    return ""


def _listed(names: list[str]) -> str:
    quoted = [f"'{name}'" for name in names[:4]]
    if len(names) > 4:
        quoted.append(f"{len(names) - 4} more")
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " and " + quoted[-1]


# What a person reads -----------------------------------------------------------------------------


def describe(
    marks: tuple[Mark, ...], model: Model, plane: Plane, best: Floats, wide: Floats
) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Return a sentence per mark, advice, and why sizes are not determined (or nothing)."""
    residuals = tuple(
        _residual(mark, pattern, model, best, wide)
        for mark, pattern in zip(marks, model.patterns, strict=True)
    )
    advice: list[str] = []
    reason = ""
    along, wide_by, area_by = _scales(model, plane)
    lead = next((m for m in marks if isinstance(m, Length | Tape)), None)
    across = "across the slab"
    remedy = "add a length across it, as long as the slab is wide"
    if lead is not None:
        turned = _turn_of(lead, plane)
        apart = abs((along - turned + 90) % 180 - 90)
        across = f"across '{lead.called}'" if apart > 30 else f"along '{lead.called}'"
        remedy = (
            "add a length across it" if apart > 45 else "add a tape along it with three readings"
        )
    if area_by > 2.0:
        what = "across the slab" if "across" in across else across
        reason = f"not determined {what}: {remedy}"
        advice.append(reason)
    elif wide_by > 1.06:
        advice.append(
            f"sizes {across} are known only within {100 * (math.sqrt(wide_by) - 1):.0f} %: {remedy}"
        )
    corner = _weakest_corner(model, plane)
    if not reason and corner:
        advice.append(corner)
    if any(m.place == "unsaid" for m in marks):
        advice.append(
            "it was not said whether "
            + _listed([m.called for m in marks if m.place == "unsaid"])
            + " lies on the face or on the ground: say so for a surer answer"
        )
    if any(m.place == "ground" and m.offset_mm == 0 for m in marks):
        advice.append("a mark lies on the ground: measure the slab's thickness for a surer answer")
    return residuals, tuple(advice), reason


def _residual(mark: Mark, pattern: Pattern, model: Model, best: Floats, wide: Floats) -> str:
    theta = best[None]
    lay = lay_pattern(pattern, model.views(theta), theta, wide[None])
    n = len(pattern.xy)
    off = np.hypot(lay.residual[0, :n], lay.residual[0, n:])
    x, y = lay.mm
    ratio = math.sqrt(float(x.var() + y.var()) / float(pattern.base.var(axis=0).sum()))
    stated = _stated_mm(mark)
    return (
        f"{mark.called}: stated {stated:.1f} mm, fitted {stated * ratio:.1f} mm "
        f"({100 * (ratio - 1):+.2f} %), points off by {math.sqrt(float((off**2).mean())):.2f} px "
        f"on average, {off.max():.2f} px at most"
    )


def _scales(model: Model, plane: Plane) -> tuple[float, float, float]:
    """Worst known direction at the marks, and how far apart the limits there and of the area are.

    Returns the direction in degrees on the face, and the ratios of the ends of the 95 %
    intervals of the length in that direction and of the area.
    """
    xy = np.concatenate([pattern.xy for pattern in model.patterns]).mean(axis=0)
    _, (xx, xy_, yx, yy) = plane.best.local(xy[:1], xy[1:])
    best = np.array([[xx[0, 0], xy_[0, 0]], [yx[0, 0], yy[0, 0]]])
    with np.errstate(all="ignore"):
        _, (xx, xy_, yx, yy) = plane.worlds.local(xy[:1], xy[1:])
    angles = np.radians(np.arange(0, 180, 10))
    steps = np.linalg.solve(best, np.stack([np.cos(angles), np.sin(angles)]))
    run = np.hypot(xx * steps[0] + xy_ * steps[1], yx * steps[0] + yy * steps[1])
    low, high = np.percentile(run, (2.5, 97.5), axis=0)
    ratio = high / low
    area = np.abs(xx * yy - xy_ * yx)[:, 0]
    low_area, high_area = np.percentile(area, (2.5, 97.5))
    worst = int(ratio.argmax())
    return float(np.degrees(angles[worst])), float(ratio[worst]), float(high_area / low_area)


def _turn_of(mark: Mark, plane: Plane) -> float:
    pixels = mark.pixels
    x, y = plane.best.on_plane(pixels[[0, -1], 1], pixels[[0, -1], 0])
    return math.degrees(math.atan2(float(y[0, 1] - y[0, 0]), float(x[0, 1] - x[0, 0])))


def _weakest_corner(model: Model, plane: Plane) -> str:
    """Say where on the face, or else in the picture, areas are least known, if that is bad."""
    height, width = model.camera.shape
    if len(model.seen):
        x, y = model.seen.T
    else:
        cols, rows = np.meshgrid([0.15, 0.5, 0.85], [0.15, 0.5, 0.85])
        x, y = cols.ravel() * width, rows.ravel() * height
    _, _, ahead, _ = plane.best.sights(x, y)
    with np.errstate(all="ignore"):
        _, (xx, xy, yx, yy) = plane.worlds.local(x, y)
        area = np.abs(xx * yy - xy * yx)
        area = np.where(np.isfinite(area), area, np.inf)
        low, high = np.percentile(area, (2.5, 97.5), axis=0)
        ratio = np.where((ahead[0] > 0.25) | bool(len(model.seen)), high / low, 1.0)
    worst = int(ratio.argmax())
    where = _third(y[worst] / height, "upper", "lower") + _third(x[worst] / width, "left", "right")
    if not ratio[worst] > _WEAK or not where:
        return ""
    bound = math.sqrt(ratio[worst]) - 1
    return (
        f"areas towards the {where.strip()} of the picture are known only within "
        + (f"{100 * bound:.0f} %" if bound < 0.5 else "a factor of two or more")
        + (": add a mark there" if len(model.seen) else ": if the slab reaches there, add a mark")
    )


def _third(part: float, low: str, high: str) -> str:
    return f"{low} " if part < 1 / 3 else f"{high} " if part > 2 / 3 else ""
