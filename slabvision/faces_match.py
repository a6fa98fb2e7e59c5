"""Lay one outline of a slab on another: face B on face A, or the same face at two dates.

The live edge is a fingerprint: its bumps are the tree's own. The second outline is laid on the
first (mirrored, when it is the other face) so that its edges run along the first's at an
even distance: the two arrises differ by the flare of the edge, a slow offset of its own at each
edge. Given: how far edges flare, how well two photos agree in scale. Asked: shift, turn, scale
along and across, flare. One least-squares fit with these as priors (maximum a posteriori), from
several starts, with Huber weights against a broken-off piece of bark.

A match is believed only when the bumps agree: their correlation, judged against what as
many independent bumps would reach by chance. Two limits (``slabvision validate faces`` counts
them): what the flares of the two edges differ by cannot be told from a shift across, so half of it
is the match's error unless marked places say better; and slabs sawn next to each other from one
log share their edges but for a kerf, so no outline tells their faces apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from slabvision.clear.shapes import FaceShape, sides
from slabvision.estimate import DRAWS, named_rng
from slabvision.faces_fit import (
    COUNT,
    SIDES,
    Edges,
    Fit,
    Landmark,
    Priors,
    Profile,
    fit_outline,
    moves,
    sampled,
    side_points,
)

__all__ = ["Landmark", "Match", "NotTheSameSlabError", "Priors", "lay_on"]

Floats: TypeAlias = NDArray[np.float64]

_LEAST_EVIDENCE = 24.0
"""Of 1,080 wrong pairs of equal length and width, edges of four kinds, the highest had 19.1."""
_PER_LANDMARK = 8.0
"""What a landmark adds that agrees: a spot within 10 mm by chance, on 600 mm, gives 2 ln 60."""

_WHICH_WAY = 8.0
"""By how much one way round must be likelier than end for end."""
_FAR_APART_MM = 15.0
"""Edges of one slab laid on each other lie nearer, flare taken out; a few long bumps alone can
agree between faces that have little else in common (drawn slabs: 1.7 mm, solid logs up to 10)."""
_HAND_MM = 1.0
"""Roughness that a hand draws by itself (white-noise equivalent): says nothing of the tree."""


class NotTheSameSlabError(ValueError):
    """Two outlines cannot be, or cannot be shown to be, the same slab."""


@dataclass(frozen=True, eq=False)
class Match:
    """How the second outline lies on the first.

    Attributes
    ----------
    mirrored : bool
        The second is seen from the other side.
    end_for_end : bool
        The second's end A lies on the first's end B.
    matrix : ndarray, shape (2, 3)
        Carries the second's (u, v, 1) to the first's (u, v), mm.
    matrices : ndarray, shape (draws, 2, 3)
        The same in every draw.
    residual_mm : float
        Median distance between the two edges, flare taken out.
    u_mm : float
        Standard uncertainty of where a point of the second lies on the first, over the face.
    flare_mm : mapping of str to float
        Mean distance from the first's to the second's arris, outwards, at the first's edges.
    correlation : float
        Of the bumps of the two edges.
    evidence : float
        Likelihood ratio that the bumps agree (sum over bands of wave length), and 8 for each
        landmark; 24 is asked for.
    scale_along, scale_across : float
        Second to first.
    """

    mirrored: bool
    end_for_end: bool
    matrix: Floats
    matrices: Floats
    residual_mm: float
    u_mm: float
    flare_mm: dict[str, float]
    correlation: float
    evidence: float
    scale_along: float
    scale_across: float
    landmark_mm: tuple[float, ...] = field(default=())

    def to_a(self, shape: Any) -> Any:
        """Carry a shapely geometry of the second to the first's frame."""
        return shapely.transform(
            shape, lambda points: points @ self.matrix[:, :2].T + self.matrix[:, 2]
        )

    def points_to_a(self, points: Floats) -> Floats:
        """Carry points of the second, (N, 2), to the first's frame, mm."""
        return np.asarray(points @ self.matrix[:, :2].T + self.matrix[:, 2])

    def wander(self, points_a: Floats) -> Floats:
        """Return how far the second's wood at points of the first lies off in every draw, mm.

        Returns
        -------
        ndarray, shape (draws, N, 2)
        """
        inverse = np.linalg.inv(self.matrix[:, :2])
        own = (points_a - self.matrix[:, 2]) @ inverse.T
        there = (
            np.einsum("kij,nj->kni", self.matrices[:, :, :2], own) + self.matrices[:, None, :, 2]
        )
        return np.asarray(there - points_a)


# Is it the same slab? -----------------------------------------------------------------------------


def _likeness(edges: Edges, profiles: list[Profile]) -> tuple[float, float]:
    """Return the correlation of the bumps and the evidence that they are the same.

    Both edges are split into waves (cosine transform; level, slope, sweep and belly left out:
    shift, turn and flare can make those agree, and many slabs share them), and each wave is
    weighed by how strong its neighbours are, so that a few large ones do not speak for all.
    Waves of a like length form a band, an octave wide. In a band of n waves with correlation r the
    likelihood ratio against no relation is ``-(n - 1) ln(1 - r²)``, which by chance is spread like
    chi-square with one degree of freedom (Wilks; n - 1 makes the far tail right for few waves). n
    counts the waves that carry the band: twice the square of the summed powers over the sum of
    their squares, at most all. The sum over the bands where r is positive is the evidence.
    """
    waves = [wave for index in (2, 3) if (wave := _waves(edges, profiles, index)) is not None]
    if len(waves) < 2:
        return 0.0, 0.0
    evidence, low = 0.0, 3
    products, one2, two2 = 0.0, 0.0, 0.0
    last = min(len(w[0]) for w in waves) // 3  # waves of 60 mm
    while low < last:
        high = min(2 * low, last)
        a = np.concatenate([w[0][low:high] for w in waves])
        b = np.concatenate([w[1][low:high] for w in waves])
        r = float(a @ b) / max(math.sqrt(float((a @ a) * (b @ b))), 1e-9)
        # the longest waves of the two edges hang together: the log's own bends
        power = a * a + b * b
        count = min(2 * float(power.sum()) ** 2 / float(power @ power), float(len(a)))
        count = min(count, len(a) / 2) if low == 3 else count
        if r > 0:
            evidence -= max(count - 1, 0) * math.log(max(1 - r * r, 1e-6))
        products, one2, two2 = products + float(a @ b), one2 + float(a @ a), two2 + float(b @ b)
        low = high
    return products / max(math.sqrt(one2 * two2), 1e-9), evidence


def _waves(edges: Edges, profiles: list[Profile], index: int) -> tuple[Floats, Floats] | None:
    """Return the waves of one edge in both outlines, each weighed by its neighbours' strength."""
    from scipy.fft import dct
    from scipy.signal.windows import tukey

    at = edges.at[edges.side == index]
    there = profiles[index].covers(at)
    at, one = at[there], edges.value[edges.side == index][there]
    if len(at) < 24:
        return None
    x = (at - at.mean()) / np.ptp(at)
    a, b = (
        dct((line - np.polyval(np.polyfit(x, line, 3), x)) * tukey(len(x), 0.2), norm="ortho")
        for line in (one, profiles[index](at))
    )
    # a quarter of an octave of neighbours; below a millimetre of white noise a hand made it
    total = np.concatenate([[0.0], np.cumsum((a * a + b * b) / 2)])
    k = np.arange(len(a))
    lo, hi = np.floor(k / 1.2).astype(int), np.minimum(np.ceil(k * 1.2).astype(int) + 2, len(a))
    strength = np.sqrt((total[hi] - total[lo]) / (hi - lo) + _HAND_MM**2)
    return a / strength, b / strength


# The whole ----------------------------------------------------------------------------------------


def lay_on(
    first: FaceShape,
    second: FaceShape,
    *,
    mirrored: bool,
    landmarks: Sequence[Landmark] = (),
    priors: Priors | None = None,
    draws: int = DRAWS,
    key: str = "match",
) -> Match:
    """Return how the second face lies on the first.

    Parameters
    ----------
    first, second : FaceShape
        Each in its own frame, ``u`` along the slab; which end is which need not be known.
    mirrored : bool
        The second is the other face of the slab.
    landmarks : sequence of Landmark
        0 to 4 places marked on both.
    priors : Priors, optional
    draws : int
    key : str
        Names the random draws.

    Raises
    ------
    NotTheSameSlabError
        Lengths or widths cannot agree, the bumps of the edges do not, the landmarks contradict the
        edges, or the edges are too plain to tell (then landmarks are asked for).
    """
    priors = priors or Priors()
    if len(landmarks) > 12:
        raise ValueError(f"{len(landmarks)} landmarks; at most 12 are of use")
    if first.open_ends or second.open_ends:
        raise NotTheSameSlabError(
            "an end is cut off by the photo's frame: match faces that show the whole slab"
        )
    edges = sampled(sides(first.outline))
    length, width = _extent(edges)
    other = sampled(sides(second.outline))
    _sizes_agree((length, width), _extent(other), priors)
    flare = (_extent(other)[1] - width) / 2
    points = {name: side_points(getattr(sides(second.outline), name)) for name in SIDES}
    fits: list[tuple[float, float, int, Fit, bool, float, float]] = []
    for end_for_end in (False, True):
        base, swap = _orientation(mirrored, end_for_end, edges, other)
        for shift in (0.0, -40.0, 40.0):
            start = np.zeros(COUNT)
            start[0] = shift
            fit = fit_outline(
                edges, points, swap, base, start, priors, landmarks, (length, width, flare)
            )
            r, evidence = _likeness(edges, fit.profiles)
            off = zip(landmarks, _landmark_mm(fit, landmarks), strict=True)
            against = sum((mm / mark.u_mm) ** 2 for mark, mm in off)
            fits.append((evidence - against, -fit.cost, len(fits), fit, end_for_end, r, evidence))
    best = max(fits)
    *_, fit, end_for_end, r, evidence = best
    other_way = max(each for each in fits if each[4] != end_for_end)
    if best[0] - other_way[0] < _WHICH_WAY and evidence + _PER_LANDMARK >= _LEAST_EVIDENCE:
        raise NotTheSameSlabError(
            "the outlines agree about as well end for end: mark one place near an end that shows "
            "on both"
        )
    evidence += _PER_LANDMARK * len(landmarks)
    _believed(fit, r, evidence, landmarks, mirrored)
    return _result(fit, end_for_end, r, evidence, mirrored, landmarks, edges, draws, key)


def _extent(edges: Edges) -> tuple[float, float]:
    """Length between the ends and median width, mm."""
    mean = [float(np.median(edges.value[edges.side == index])) for index in range(4)]
    return mean[1] - mean[0], mean[3] - mean[2]


def _sizes_agree(one: tuple[float, float], two: tuple[float, float], priors: Priors) -> None:
    allowed = 4 * math.hypot(priors.scale_along, priors.end_mm / one[0])
    ratio = two[0] / one[0]
    if abs(math.log(ratio)) > allowed:
        raise NotTheSameSlabError(
            f"the outlines are {one[0]:.0f} and {two[0]:.0f} mm long, {abs(ratio - 1):.1%} apart; "
            f"up to {allowed:.1%} is allowed: another slab, or a reference length mistyped"
        )
    wide = abs(two[1] * math.exp(-priors.across_mean) - one[1])
    most = 3 * (2 * priors.flare_mm) + 4 * priors.scale_across * one[1]
    if wide > most:
        raise NotTheSameSlabError(
            f"the outlines are {one[1]:.0f} and {two[1]:.0f} mm wide; up to {most:.0f} mm apart "
            "is allowed for the slope of the edges"
        )


def _orientation(
    mirrored: bool, end_for_end: bool, edges: Edges, other: Edges
) -> tuple[Floats, dict[str, str]]:
    su = -1.0 if end_for_end else 1.0
    sv = -su if mirrored else su
    linear = np.diag([su, sv])
    base = np.column_stack([linear, edges.pivot - linear @ other.pivot])
    swap = {
        "left": "right" if su < 0 else "left",
        "right": "left" if su < 0 else "right",
        "top": "bottom" if sv < 0 else "top",
        "bottom": "top" if sv < 0 else "bottom",
    }
    return base, swap


def _believed(
    fit: Fit, r: float, evidence: float, landmarks: Sequence[Landmark], mirrored: bool
) -> None:
    off = _landmark_mm(fit, landmarks)
    for number, (mark, mm) in enumerate(zip(landmarks, off, strict=True), start=1):
        if mm > 4 * mark.u_mm + 6:
            raise NotTheSameSlabError(
                f"landmark {number} lies {mm:.0f} mm from where the edges put it: marked on "
                "another place, or not the same slab"
            )
    apart = fit.residual_mm
    if apart > _FAR_APART_MM and len(landmarks) < 3:
        raise NotTheSameSlabError(
            f"laid on each other, the edges lie {apart:.0f} mm apart in the median; up to "
            f"{_FAR_APART_MM:.0f} mm is allowed: another slab, or mark three places that show on "
            "both"
        )
    if evidence >= _LEAST_EVIDENCE and (r > 0 or len(landmarks) >= 3):
        return
    what = "the other face seen mirrored" if mirrored else "the same face"
    short = max(math.ceil((_LEAST_EVIDENCE - evidence) / _PER_LANDMARK), 1)
    more = " more" if landmarks else ""
    places = f"{('one', 'two', 'three')[min(short, 3) - 1]}{more} place{'s' if short > 1 else ''}"
    raise NotTheSameSlabError(
        f"the bumps of the edges do not agree (correlation {r:.2f}, evidence {evidence:.0f} of the "
        f"{_LEAST_EVIDENCE:.0f} that are needed): not shown to be {what}; mark {places} that "
        f"show{'s' if short == 1 else ''} on both, if they are"
    )


def _landmark_mm(fit: Fit, landmarks: Sequence[Landmark]) -> tuple[float, ...]:
    out = []
    for mark in landmarks:
        q = fit.matrix[:, :2] @ np.array(mark.on_b) + fit.matrix[:, 2]
        out.append(float(np.hypot(*(q - np.array(mark.on_a)))))
    return tuple(out)


def _result(
    fit: Fit,
    end_for_end: bool,
    r: float,
    evidence: float,
    mirrored: bool,
    landmarks: Sequence[Landmark],
    edges: Edges,
    draws: int,
    key: str,
) -> Match:
    p = fit.parameters
    moved = np.linalg.cholesky(fit.covariance + 1e-18 * np.eye(COUNT))
    deviates = named_rng(f"match:{key}").standard_normal((draws, COUNT)) @ moved.T
    first = fit.matrix
    # first order: the derivative of the carried frame's three corners
    corners = np.array([[0.0, 0.0], [1000.0, 0.0], [0.0, 1000.0]])
    there = corners @ first[:, :2].T + first[:, 2]
    change = np.einsum("nij,kj->kni", moves(there, edges.pivot + p[:2], p), deviates)
    matrices = np.empty((draws, 2, 3))
    matrices[:, :, 2] = first[:, 2] + change[:, 0]
    matrices[:, :, 0] = first[:, 0] + (change[:, 1] - change[:, 0]) / 1000.0
    matrices[:, :, 1] = first[:, 1] + (change[:, 2] - change[:, 0]) / 1000.0
    length, width = _extent(edges)
    grid = edges.pivot + np.array(
        [(u * length, v * width) for u in (-0.4, 0, 0.4) for v in (-0.4, 0, 0.4)]
    )
    shifts = moves(grid, edges.pivot + p[:2], p)
    variance = np.einsum("nij,jk,nik->n", shifts, fit.covariance, shifts)
    return Match(
        mirrored=mirrored,
        end_for_end=end_for_end,
        matrix=first,
        matrices=matrices,
        residual_mm=fit.residual_mm,
        u_mm=float(np.sqrt(np.mean(variance))),
        flare_mm={"top": float(p[7]), "bottom": float(p[8])},
        correlation=r,
        evidence=evidence,
        scale_along=float(math.exp(p[3])),
        scale_across=float(math.exp(p[4])),
        landmark_mm=_landmark_mm(fit, landmarks),
    )
