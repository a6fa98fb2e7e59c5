"""Two faces of slabs whose truth is known, for counting how well face B is laid on face A.

Outlines are drawn at random (invented, common practice for the sizes) or cut from the renderer's
solid logs; a hand redraws them (:mod:`slabvision.study.hand`, another law than the one that the
intervals suppose).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from slabvision.study.hand import DrawingHand, drawn_line

if TYPE_CHECKING:
    from slabvision.scene.sawing import Cut

__all__ = ["EDGES", "drawn", "log_faces", "own_frame", "slab_outline", "slab_pair", "strangers"]

Floats: TypeAlias = NDArray[np.float64]
View: TypeAlias = Callable[[Floats], Floats]

EDGES = ("ragged", "falling", "waves", "plain")
"""Live edges: bumps of two sizes; noise whose power falls with the cube of the frequency; one to
three pure waves, of the same lengths in both slabs of a wrong pair; nearly straight."""


def _bumps(rng: np.random.Generator, x: Floats, size: float, length: float) -> Floats:
    step = x[1] - x[0]
    reach = int(6 * length / step)
    kernel = np.exp(-((np.arange(-reach, reach + 1) * step / length) ** 2))
    kernel /= np.sqrt((kernel**2).sum())
    return np.asarray(size * np.convolve(rng.standard_normal(len(x) + 2 * reach), kernel, "valid"))


def _ragged(rng: np.random.Generator, x: Floats, waves: Floats) -> Floats:
    return _bumps(rng, x, rng.uniform(4, 10), rng.uniform(40, 90)) + _bumps(
        rng, x, rng.uniform(5, 18), rng.uniform(150, 300)
    )


def _falling(rng: np.random.Generator, x: Floats, waves: Floats) -> Floats:
    frequency = np.fft.rfftfreq(2 * x.size, x[1] - x[0])
    power = np.where((frequency > 1 / 3000) & (frequency < 1 / 60), 1.0, 0.0)
    power[1:] *= (frequency[1:] * 1000) ** -1.5
    phases = rng.standard_normal(frequency.size) + 1j * rng.standard_normal(frequency.size)
    line = np.fft.irfft(phases * power)[: x.size]
    return np.asarray(rng.uniform(6, 18) * line / line.std())


def _waves(rng: np.random.Generator, x: Floats, waves: Floats) -> Floats:
    phase = rng.uniform(0, 2 * np.pi, len(waves))
    size = rng.uniform(4, 15, len(waves))
    return np.asarray(size @ np.sin(2 * np.pi * x / waves[:, None] + phase[:, None]))


def _plain(rng: np.random.Generator, x: Floats, waves: Floats) -> Floats:
    return _bumps(rng, x, 0.7, 200.0)


_MAKERS = dict(zip(EDGES, (_ragged, _falling, _waves, _plain), strict=True))


def slab_outline(seed: int, length: float = 2400.0) -> Polygon:
    """Return one face, u from 0 to the length, v about 0, mm."""
    return slab_pair(seed, length)[0]


def slab_pair(
    seed: int,
    length: float | None = None,
    *,
    edges: str = "ragged",
    uneven: float = 1.0,
    waves_mm: Floats | None = None,
) -> tuple[Polygon, Polygon]:
    """Return faces A and B of one slab in one frame, mm; B's edges lie a flare further out.

    The flare is mostly the same at both edges (a log is nearly round); it differs from edge to edge
    by 1 mm and a fifth of itself, as in the renderer's solid logs, and by 3 mm from end to end of
    each (standard deviations), times ``uneven``. ``waves_mm`` are the wave lengths of
    ``edges="waves"``.
    """
    rng = np.random.default_rng(seed)
    length = float(rng.uniform(1500, 3200)) if length is None else length
    x = np.arange(-60.0, length + 60, 4.0)
    along = 2 * x / length - 1
    waves = rng.uniform(150, 1200, rng.integers(1, 4)) if waves_mm is None else waves_mm
    top, bottom = (
        rng.uniform(220, 400) + rng.uniform(-30, 30) * along + _MAKERS[edges](rng, x, waves)
        for _ in range(2)
    )
    sweep = rng.normal(0, 25) * (1 - along**2)
    common = rng.normal(0, 20)
    apart = uneven * math.hypot(1.0, 0.2 * common)
    flares = [
        common + rng.normal(0, apart) + rng.normal(0, 3 * uneven) * along
        + _bumps(rng, x, rng.uniform(1, 4), rng.uniform(80, 200))
        for _ in range(2)
    ]  # fmt: skip
    ends = [(rng.normal(0, 8), rng.normal(0, 0.02)) for _ in range(2)]
    faces = []
    for flare in ((np.zeros_like(x), np.zeros_like(x)), flares):
        body = Polygon(np.vstack([
            np.column_stack([x, sweep - top - flare[0]]),
            np.column_stack([x, sweep + bottom + flare[1]])[::-1],
        ]))  # fmt: skip
        (a, ka), (b, kb) = ends
        cut = Polygon([(a - 900 * ka, -900), (length + b - 900 * kb, -900),
                       (length + b + 900 * kb, 900), (a + 900 * ka, 900)])  # fmt: skip
        whole = shapely.intersection(body, cut)
        faces.append(max(shapely.get_parts(whole), key=lambda part: part.area))
    return faces[0], faces[1]


def strangers(seed: int, edges: str) -> tuple[Polygon, Polygon]:
    """Return face A of one slab and face B of another of the same length and mean width, mm."""
    rng = np.random.default_rng(seed)
    length = float(rng.uniform(1500, 3200))
    waves = rng.uniform(150, 1200, rng.integers(1, 4))
    a, _ = slab_pair(2 * seed + 1_000_000, length, edges=edges, waves_mm=waves)
    _, b = slab_pair(2 * seed + 1_000_001, length, edges=edges, waves_mm=waves)
    wider = (a.area - b.area) / length / 2
    middle = b.centroid.y
    return a, shapely.transform(
        b, lambda p: np.column_stack([p[:, 0], p[:, 1] + np.sign(p[:, 1] - middle) * wider])
    )


# The renderer's logs ------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def _sawn(seed: int) -> Cut:
    from slabvision.scene.log import grow_log
    from slabvision.scene.looks import look, looks
    from slabvision.scene.sawing import saw

    return saw(seed, grow_log(seed, look(looks()[seed % len(looks())])))


def log_faces(seed: int, pair: str, kerf_mm: float = 4.0) -> tuple[Polygon, Polygon] | None:
    """Return two faces cut from one solid log, both in the log's own frame seen from above, mm.

    ``pair`` is ``"one slab"``; or, of two slabs sawn next to each other, the faces that the saw
    parted (``"neighbours, inner faces"``), or face A of one and face B of the next (``"neighbours,
    outer faces"``). None where the next slab would be bark, not a slab.
    """
    cut = _sawn(seed)
    heights = {
        "one slab": (cut.z_a, cut.z_b),
        "neighbours, inner faces": (cut.z_b - kerf_mm, cut.z_b),
        "neighbours, outer faces": (cut.z_a, cut.z_b - kerf_mm - cut.thickness_mm),
    }[pair]
    try:
        faces = [Polygon(cut.section(z, step_mm=4.0)) for z in heights]
    except IndexError:
        return None
    if not all(face.is_valid for face in faces):
        return None
    a, b = faces
    long_enough = b.bounds[2] - b.bounds[0] > 0.97 * (a.bounds[2] - a.bounds[0])
    return (a, b) if long_enough else None


# The photo and the hand ---------------------------------------------------------------------------


def own_frame(rng: np.random.Generator, *, mirrored: bool, scale_u: float = 0.004) -> View:
    """Return how a photo has a face: turned (half the time end for end), scaled, shifted."""
    angle = rng.normal(0, 0.01) + (math.pi if rng.random() < 0.5 else 0.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = turn @ np.diag([1.0, -1.0 if mirrored else 1.0]) * (1 + rng.normal(0, scale_u))
    matrix = matrix @ np.diag(1 + rng.normal(0, (0.001, 0.002)))
    shift = rng.uniform(-200, 200, 2)
    return lambda points: np.asarray(np.asarray(points) @ matrix.T + shift)


_HAND = DrawingHand()


def drawn(
    rng: np.random.Generator,
    shape: Polygon,
    hand: DrawingHand = _HAND,
    *,
    every_mm: float = 10.0,
) -> Any:
    """Return an outline as a hand draws it, mm."""
    ring = shapely.get_coordinates(shape.exterior)[:-1]
    made = Polygon(drawn_line(ring, 1.0, hand, rng, every_mm=every_mm))
    if made.is_valid:
        return made
    # where two neighbouring points of a small shape changed places
    return max(shapely.get_parts(made.buffer(0)), key=lambda part: part.area)
