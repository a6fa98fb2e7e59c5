"""Find the outline of a slab in a photo; clicks inside and outside correct it."""

from __future__ import annotations

from itertools import product
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slabvision.opencv import cv2
from slabvision.segment.outline_cells import CELLS_SIDE, PIXELS, cells_of, mirrored
from slabvision.segment.outline_edge import EDGE_SIDE
from slabvision.segment.outline_look import Small, around, colour_bins, look_of, shrink
from slabvision.segment.outline_net import load_nets
from slabvision.segment.outline_pieces import corrected, one_piece, rim
from slabvision.segment.outline_settle import settle
from slabvision.segment.outline_star import star_piece
from slabvision.segment.unet import CELL, chances, load_unets, scores
from slabvision.segment.window import Clicks, Floats, Floats32, Mask, as_clicks, as_pixels

__all__ = ["Bark", "NoSlabError", "SlabOutline", "find_outline", "find_slab_outline"]

Bark = Literal["out", "in"]

_LEAST_SHARE = 0.004
"""A piece under this share of the photo is no slab."""
_MOST_ODDS = 1.5
_LOOK_SIDE = 300
"""Pixels on the longer side of the photo shrunk for the perceptrons, which need most time."""
_SHARES = 0.2, 0.8
"""Of the perceptrons' word and of the convolutional net's."""
_SURER = 1.43
"""Log odds are so many times their mean: more than a mean, less than a sum of both looks."""
_CLICK_ODDS = 60.0
"""Log odds that one pixel may say, and that a clicked one says."""


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
    See :func:`find_slab_outline`.
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
    mirror images. Clicks also speak for what is like them and connected (geodesic distance: Bai
    and Sapiro 2007, ICCV). The rim of the piece found is then settled by a second network that
    sees the photo straightened in a ribbon along it, in ever finer steps down to 2000 px.
    Learned on rendered slabs only, with ``slabvision.study.outline_training`` and
    ``outline_unet_training``; the time grows with the photo only by shrinking it.
    """
    if bark not in ("out", "in"):
        raise ValueError(f'bark is {bark!r}; "out" or "in" can be asked for')
    image = as_pixels(pixels)
    shape = (int(image.shape[0]), int(image.shape[1]))
    clicks = (
        as_clicks(inside, shape, what="inside click"),
        as_clicks(outside, shape, what="outside click"),
    )
    small = shrink(image)
    factor = np.array(shape) / np.array(small.lab.shape[:2])
    near = [(c + 0.5) / factor - 0.5 for c in clicks]
    chance = slab_chance(image, small, near[0], near[1], bark)
    piece = slab_piece(chance, small.lab, near[0], near[1])
    if piece.mean() < _LEAST_SHARE:
        raise NoSlabError("no slab was found in this photo; click on it, or draw its outline")
    ring = rim(piece, (float(factor[0]), float(factor[1])), shape)
    scale = max(1.0, max(shape) / EDGE_SIDE)
    if scale > 1:
        size = (round(shape[1] / scale), round(shape[0] / scale))
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    settled = settle(image, shape, ring, clicks, chance, bark=bark)
    return _closed_by_frame(settled, shape)


def slab_chance(
    image: NDArray[Any], small: Small, inside: Floats, outside: Floats, bark: Bark
) -> Floats32:
    """Return the chance of the wanted wood for every pixel of the shrunk photo.

    Parameters
    ----------
    image : ndarray
        The photo.
    small : Small
        The photo shrunk.
    inside, outside : ndarray, shape (N, 2)
        Clicks in the coordinates of ``small``.
    bark : {"out", "in"}
    """
    wanted = [1, 2] if bark == "in" else [1]
    rows, cols = small.lab.shape[:2]
    odds = np.zeros((rows, cols), np.float32)
    for share, side, look in zip(
        _SHARES, (_LOOK_SIDE, CELLS_SIDE), (_by_look, _by_cells), strict=True
    ):
        seen = shrink(image, side)
        factor = np.array([rows, cols]) / seen.lab.shape[:2]
        near = [(c + 0.5) / factor - 0.5 for c in (inside, outside)]
        chance = cv2.resize(
            look(seen, near[0], near[1], wanted), (cols, rows), interpolation=cv2.INTER_LINEAR
        )
        known = np.clip(chance, 0.01, 0.99)
        # Each knows what the other misses: a mean of log odds, as sure as both are apart.
        odds += np.float32(_SURER * share) * (np.log(known) - np.log1p(-known))
    mean = np.asarray(1 / (1 + np.exp(-odds)), np.float32)
    return corrected(mean, small.lab, inside, outside)


def _by_look(small: Small, inside: Floats, outside: Floats, wanted: list[int]) -> Floats32:
    """Return the chance that the perceptrons give, each pixel by its own features."""
    nets = load_nets()
    bins = colour_bins(small)
    look = look_of(small, bins, inside, outside)
    rows, cols, _ = look.shape
    first = nets["first"].chances(look.reshape(rows * cols, -1)).reshape(rows, cols, -1)
    wood = corrected(first[..., 1] + first[..., 2], small.lab, inside, outside)
    both = np.concatenate([look, first, around(wood, small, bins)], axis=2)
    second = nets["second"].chances(both.reshape(rows * cols, -1)).reshape(rows, cols, -1)
    # Both answers count alike: the second sees further, the first was learned more firmly.
    return np.asarray(0.5 * (first[..., wanted] + second[..., wanted]).sum(axis=2), np.float32)


def _by_cells(small: Small, inside: Floats, outside: Floats, wanted: list[int]) -> Floats32:
    """Return the chance that the convolutional net gives, mean of the photo and its mirrors."""
    net = load_unets("outline_unet")["first"]
    cells = cells_of(small, inside, outside)
    looks = []
    for down, over in product((False, True), repeat=2):
        score = scores(net, mirrored(cells, down=down, over=over))
        looks.append(score[:: -1 if down else 1, :: -1 if over else 1])
    mean = np.asarray(np.mean(looks, axis=0), np.float32)
    size = (mean.shape[1] * PIXELS // CELL, mean.shape[0] * PIXELS // CELL)
    rows, cols = small.lab.shape[:2]
    score = cv2.resize(mean, size, interpolation=cv2.INTER_LINEAR)[:rows, :cols]
    return np.asarray(chances(score)[..., wanted].sum(axis=2))


def slab_piece(chance: Floats32, lab: Floats32, inside: Floats, outside: Floats) -> Mask:
    """Return the slab in the shrunk photo as one piece; every click is on its right side."""
    rough = one_piece(chance, inside, outside)
    if rough.mean() < _LEAST_SHARE:
        return rough
    known = np.clip(chance, 1e-6, 1 - 1e-6)
    odds = np.clip(np.log(known) - np.log1p(-known), -_MOST_ODDS, _MOST_ODDS).astype(np.float32)
    limit = np.array(chance.shape) - 1
    at = [np.clip(np.rint(c), 0, limit).astype(np.intp) for c in (inside, outside)]
    for points, value in zip(at, (_CLICK_ODDS, -_CLICK_ODDS), strict=True):
        for row, col in points:
            cv2.circle(odds, (int(col), int(row)), 3, value, -1)
    piece = star_piece(odds, lab, rough)
    fits = piece[at[0][:, 0], at[0][:, 1]].all() and not piece[at[1][:, 0], at[1][:, 1]].any()
    return piece if fits else rough


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
