"""Find the outline of a slab in a photo; clicks inside and outside correct it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import Bark
from slabvision.segment.outline_clicks import (
    Click,
    Heard,
    depth_of,
    elsewhere_as_before,
    heard,
    may_move,
    only,
    with_clicks,
)
from slabvision.segment.outline_edge import EDGE_SIDE
from slabvision.segment.outline_first import LEAST_SHARE, shrunk, slab_chance, slab_piece
from slabvision.segment.outline_near import nearer_chance
from slabvision.segment.outline_pieces import chance_of, log_odds, rim
from slabvision.segment.outline_settle import Looked, pictures_of, settle, settle_near
from slabvision.segment.outline_votes import Settled, grid_of, ring_of
from slabvision.segment.window import Clicks, Floats, Floats32, Mask, as_clicks, as_pixels

__all__ = [
    "Bark",
    "NoSlabError",
    "OutlineSearch",
    "SlabOutline",
    "find_outline",
    "find_slab_outline",
]

_ANOTHER = 0.3
"""Where less of the piece before is left than this, another slab is meant."""
_ONE_BY_ONE = 12
"""Where more clicks are wrong at once, all are told to one new look."""
_DEEP = 0.35
"""After a click so deep on the wrong side, in half the slab's width, the nets look again."""


class NoSlabError(ValueError):
    """Nothing in the photo looks like a slab."""


class SlabOutline(NamedTuple):
    """The outline of a slab, and where the photo's frame cuts it.

    Attributes
    ----------
    points : ndarray of float, shape (N, 2)
        Corners (row, col). Where the frame cuts the slab off, the list begins where the outline
        enters the photo and ends where it leaves it: the side from the last corner back to the
        first is the frame, not the slab.
    on_frame : ndarray of bool, shape (N,)
        Whether the side from each corner to the next runs along the frame.
    """

    points: Floats
    on_frame: Mask

    @property
    def open(self) -> bool:
        """Whether the frame cuts the slab off."""
        return bool(self.on_frame.any())


def find_outline(
    pixels: Any, inside: Clicks = (), outside: Clicks = (), *, bark: Bark = "out"
) -> Floats:
    """Return the outline of the slab in a photo, (N, 2) row, col.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        The photo, RGB or grey; uint8, uint16 or floats from 0 to 1.
    inside, outside : array-like of float, shape (K, 2)
        Clicks (row, col) on the slab and off it; none are needed at first. Give all clicks so
        far each time: earlier corrections hold, and order does not matter.
    bark : {"out", "in"}
        Whether the outline leaves out the bark that is still on (the arris of the sawn wood) or
        takes it in.

    Returns
    -------
    ndarray of float, shape (N, 2)
        Corners; the last is joined to the first. An outline that the frame cuts off is open:
        :func:`find_slab_outline` says so, and which sides are the frame.

    Raises
    ------
    BadPixelsError, BadClickError
        The picture or a click cannot be used.
    NoSlabError
        Nothing looks like a slab; a click on it helps.

    Notes
    -----
    See :func:`find_slab_outline`. Where clicks follow one another on one photo,
    :class:`OutlineSearch` answers each in less time.
    """
    return find_slab_outline(pixels, inside, outside, bark=bark).points


def find_slab_outline(
    pixels: Any, inside: Clicks = (), outside: Clicks = (), *, bark: Bark = "out"
) -> SlabOutline:
    """Return the outline of the slab in a photo and which of its sides are the photo's frame.

    Parameters
    ----------
    pixels, inside, outside, bark
        As for :func:`find_outline`.

    Notes
    -----
    Coarse to fine, as in Lazy snapping (Li, Sun, Tang and Shum 2004, SIGGRAPH). Two small learned
    looks at the shrunk photo are weighed together: a perceptron that weighs colour, texture,
    grain and this photo's own colours in the middle and at the rim, with a second that also sees
    the first's answer all round (auto-context: Tu and Bai 2010, PAMI 32), and a convolutional
    network ("U-Net": Ronneberger, Fischer and Brox 2015, MICCAI) that sees shapes and the clicks
    (Xu et al. 2016, "Deep interactive object selection", CVPR), in the photo and in its three
    mirror images. Where nothing is clicked a second network looks nearer, at the part of the photo
    that the slab fills, told what the first looks say (a cascade, as in auto-context). The rim of
    the piece found is then settled by a third that sees the photo straightened in a ribbon along
    it, in ever finer steps down to 2000 px. Clicks are heard
    one by one, the one that is most wrong first: each moves the edge where it lies, by what is
    like it and connected (geodesic distance: Bai and Sapiro 2007, ICCV), and what is farther from
    it than its error is wide stays as it was; a click on another slab begins anew.
    Learned on rendered slabs only, with ``slabvision.study.outline_training`` and
    ``outline_unet_training``; the time grows with the photo only by shrinking it.
    """
    return OutlineSearch(pixels, bark=bark).outline(inside, outside)


class _Known(NamedTuple):
    """What is known after some clicks: log odds in the shrunk photo, and the outline."""

    odds: Floats32
    settled: Settled


class OutlineSearch:
    """The outline of a slab while clicks correct it; what one click cost the next does not again.

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, 3)
        The photo, RGB or grey; uint8, uint16 or floats from 0 to 1.
    bark : {"out", "in"}
        Whether the outline leaves out the bark that is still on.

    Raises
    ------
    BadPixelsError
        The picture cannot be used.
    """

    def __init__(self, pixels: Any, *, bark: Bark = "out") -> None:
        if bark not in ("out", "in"):
            raise ValueError(f'bark is {bark!r}; "out" or "in" can be asked for')
        self.bark: Bark = bark
        image = as_pixels(pixels)
        self.shape = (int(image.shape[0]), int(image.shape[1]))
        self._small = shrunk(image)
        scale = max(1.0, max(self.shape) / EDGE_SIDE)
        if scale > 1:
            size = (round(self.shape[1] / scale), round(self.shape[0] / scale))
            image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        self._pictures = pictures_of(image)
        self._factor = np.array(self.shape) / np.array(self._small.piece.lab.shape[:2])
        self._known: dict[tuple[Click, ...], _Known | None] = {}

    def outline(self, inside: Clicks = (), outside: Clicks = ()) -> SlabOutline:
        """Return the outline after all clicks so far.

        The first answer is that of :func:`find_slab_outline`. What clicks before said holds:
        a further click is heard after them, a click taken back gives the answer before it again.

        Parameters
        ----------
        inside, outside : array-like of float, shape (K, 2)

        Raises
        ------
        BadClickError, NoSlabError
        """
        clicks = [
            Click(float(row), float(col), side)
            for side, said in ((True, inside), (False, outside))
            for row, col in as_clicks(
                said, self.shape, what="inside click" if side else "outside click"
            )
        ]
        everything = tuple(sorted(set(clicks)))
        told = self._longest_known(everything)
        known = self._after(told, None)
        if known is None and clicks:
            told, known = everything, self._after(everything, None)
        while known is not None:
            rest = [click for click in everything if click not in told]
            wrong = [depth_of(known.settled, click, self.shape) for click in rest]
            if not any(wrong):
                break
            if np.count_nonzero(wrong) > _ONE_BY_ONE:
                known = self._after(everything, None)
                break
            told = (*told, rest[int(np.argmax(wrong))])
            known = self._after(told, known)
        if known is None:
            raise NoSlabError("no slab was found in this photo; click on it, or draw its outline")
        settled = with_clicks(known.settled, everything, self.shape)
        return _closed_by_frame(ring_of(settled, self.shape), self.shape)

    def _longest_known(self, clicks: tuple[Click, ...]) -> tuple[Click, ...]:
        """Return which of some clicks were heard already, in the order they were: most of them."""
        among = set(clicks)
        heard_before = [told for told in self._known if among.issuperset(told)]
        return max(reversed(heard_before), key=len, default=())

    def _after(self, told: tuple[Click, ...], before: _Known | None) -> _Known | None:
        """Return what is known after some clicks, None where there is no slab."""
        if told not in self._known:
            self._known[told] = self._look(told) if before is None else self._correct(before, told)
        return self._known[told]

    def _look(self, told: tuple[Click, ...]) -> _Known | None:
        """Look at the whole photo, nothing being known but clicks."""
        near = self._in_small(told)
        inside, outside = only(near, inside=True), only(near, inside=False)
        chance = slab_chance(self._small, inside, outside, self.bark)
        piece = slab_piece(chance, self._small.piece.lab, inside, outside)
        if piece.mean() < LEAST_SHARE:
            return None
        if not told:  # clicks are heard by the looks before it
            chance = nearer_chance(self._pictures[1.0], chance, piece, self.bark)
            piece = slab_piece(chance, self._small.piece.lab, inside, outside)
        ring = rim(piece, (float(self._factor[0]), float(self._factor[1])), self.shape)
        return _Known(log_odds(chance), settle(self._looked(told, chance), ring))

    def _correct(self, before: _Known, told: tuple[Click, ...]) -> _Known:
        """Return what is known after one more click, the last of those told."""
        last = told[-1]
        depth = depth_of(before.settled, last, self.shape)
        first = len(told) == 1 and depth > _DEEP * self._half_width(before.settled)
        after = self._look(told) if first else None
        if after is None:
            now, rough = self._weighed_anew(before, told, depth)
            if _shared(before.settled.piece, rough) < _ANOTHER:
                after = self._look(told)
        if after is None:
            where = may_move(before.settled, rough, last, depth, self.shape)
            looked = self._looked(told, chance_of(now.odds))
            after = _Known(now.odds, settle_near(looked, before.settled, rough, where))
        if _shared(before.settled.piece, after.settled.piece) < _ANOTHER:
            return after
        kept = elsewhere_as_before(before.settled, after.settled, last, depth, self.shape)
        return _Known(after.odds, kept)

    def _weighed_anew(
        self, before: _Known, told: tuple[Click, ...], depth: float
    ) -> tuple[Heard, Mask]:
        """Weigh the photo anew round the last click; return that and the rough piece it gives."""
        lab, near = self._small.piece.lab, self._in_small(told)
        share = cv2.resize(
            before.settled.piece.astype(np.float32), lab.shape[1::-1], interpolation=cv2.INTER_AREA
        )
        shown = np.asarray(share > 0.5)
        now = heard(before.odds, lab, shown, near, depth / float(self._factor.mean()))
        piece = slab_piece(now.chance, lab, only(near, inside=True), only(near, inside=False))
        piece = shown if piece.mean() < LEAST_SHARE else piece
        size = before.settled.piece.shape[::-1]
        rough = cv2.resize(piece.astype(np.float32), size, interpolation=cv2.INTER_LINEAR) > 0.5
        return now, np.asarray(rough)

    def _half_width(self, settled: Settled) -> float:
        """Return how deep the deepest place of a piece lies, photo pixels."""
        deep = cv2.distanceTransform(settled.piece.astype(np.uint8), cv2.DIST_L2, 5).max(initial=0)
        return float(deep) * float(grid_of(self.shape)[1].mean())

    def _in_small(self, clicks: tuple[Click, ...]) -> tuple[Click, ...]:
        """Return clicks in pixels of the shrunk photo."""
        down, over = self._factor
        return tuple(
            Click((c.row + 0.5) / down - 0.5, (c.col + 0.5) / over - 0.5, c.inside) for c in clicks
        )

    def _looked(self, told: tuple[Click, ...], chance: Floats32) -> Looked:
        """Return what an edge is settled by after some clicks."""
        clicks = only(told, inside=True), only(told, inside=False)
        return Looked(self._pictures, self.shape, clicks, chance, self.bark)


def _shared(before: Mask, after: Mask) -> float:
    """Return the share of the piece before that the one after holds."""
    both = np.count_nonzero(before & after)
    return float(both) / max(int(np.count_nonzero(before)), 1)


def _closed_by_frame(ring: Floats, shape: tuple[int, int]) -> SlabOutline:
    """Cut a ring by the frame, thin it out, and begin it where it enters the photo."""
    import shapely

    limit = np.array(shape, np.float64) - 1
    whole = shapely.Polygon(ring)
    if not whole.is_valid:
        whole = whole.buffer(0)
    seen = shapely.intersection(whole, shapely.box(0, 0, limit[0], limit[1]))
    parts = [p for p in shapely.get_parts(seen) if isinstance(p, shapely.Polygon)]
    if not parts:
        raise NoSlabError("no slab was found in this photo; click on it, or draw its outline")
    largest = shapely.Polygon(max(parts, key=lambda p: p.area).exterior)
    thin = shapely.simplify(largest, 0.15 * max(1.0, max(shape) / EDGE_SIDE))
    points = np.asarray(thin.exterior.coords)[:-1]
    after = np.roll(points, -1, axis=0)
    frame = np.zeros(len(points), np.bool_)
    for axis in (0, 1):
        for edge in (0.0, limit[axis]):
            frame |= (points[:, axis] == edge) & (after[:, axis] == edge)
    if frame.any():
        # The longest run along the frame comes last.
        length = np.where(frame, np.hypot(*(after - points).T), 0.0)
        last = int(np.argmax(length))
        while frame[(last + 1) % len(points)] and not frame.all():
            last = (last + 1) % len(points)
        points, frame = np.roll(points, -last - 1, axis=0), np.roll(frame, -last - 1)
    return SlabOutline(points, frame)
