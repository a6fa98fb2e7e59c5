"""A region by its colour: the shape found so far says where to look, the clicks what is right."""

from __future__ import annotations

import numpy as np

from slabvision.opencv import cv2
from slabvision.segment.ground import Click, Ground, lift, signed
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["ByColour", "by_colour", "lifted", "stands_out"]

_SEED = 0.7
"""What lies within this share of an error's depth round the click goes with the click."""
_FIRST_PX = 2.0
_ROUNDS = 3


def by_colour(ground: Ground, shape: Floats32, clicks: list[Click]) -> Floats32:
    """Return the region by colour as a signed distance to its border, pixels.

    GrabCut (Rother, Kolmogorov and Blake 2004, ACM Transactions on Graphics 23) as OpenCV has it,
    begun from the shape; what hangs together with no click inside is left out.

    Parameters
    ----------
    ground : Ground
    shape : ndarray
        The region so far, above 0 inside.
    clicks : list of Click
        All but the first.
    """
    hint = np.where(shape > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    for click in [Click(np.zeros(2), True, _FIRST_PX / _SEED), *clicks]:
        near = ground.square_from(click.point) <= max(_SEED * click.depth, ground.step) ** 2
        hint[near] = cv2.GC_FGD if click.inside else cv2.GC_BGD
    seen = ground.seen
    if seen.dtype != np.uint8:
        seen = np.clip(seen * (255 / 65535 if seen.dtype == np.uint16 else 255.0), 0, 255)
    cv2.setRNGSeed(0)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    try:
        cv2.grabCut(
            np.rint(seen).astype(np.uint8), hint, None, *models, _ROUNDS, cv2.GC_INIT_WITH_MASK
        )
    except cv2.error:  # nothing inside or nothing outside to learn a colour from
        return shape
    found = (hint == cv2.GC_FGD) | (hint == cv2.GC_PR_FGD)
    _, labels = cv2.connectedComponents(found.astype(np.uint8), connectivity=4)
    said = [labels[ground.at(click.point)] for click in clicks if click.inside]
    keep = {int(label) for label in [labels[ground.at(np.zeros(2))], *said]} - {0}
    return np.asarray(signed(np.isin(labels, list(keep))) * np.float32(ground.step))


class ByColour:
    """A region by colour, and how it has done at later clicks beside the shape.

    Parameters
    ----------
    ground : Ground
    field : ndarray
        Signed distance to the border, pixels.
    """

    def __init__(self, ground: Ground, field: Floats32) -> None:
        self.ground, self.field = ground, field
        self.beyond: list[Floats] = []
        """Clicks inside that lie beyond the window."""
        self._thick = float(field.max())
        self._worse = 0.0

    def holds(self, click: Click, patience: float) -> bool:
        """Take a click; False where colour has been more wrong than the shape too often.

        Parameters
        ----------
        click : Click
            Its ``depth`` says how wrong the shape was.
        patience : float
            How much more wrong colour may be in all, half thicknesses of the region.
        """
        place = click.point + self.ground.first
        if (place < self.ground.low).any() or (place > self.ground.high - 1).any():
            if click.inside:
                self.beyond.append(click.point)
            return True
        value = float(self.field[self.ground.at(click.point)])
        wrong = max(-value if click.inside else value, 0.0)
        self._worse += max(wrong - click.depth, 0.0)
        hump = lift(click._replace(depth=wrong), value)
        if hump is not None:
            self.field = hump.on(self.ground, self.field)
        return self._worse <= patience * self._thick

    def draw_beyond(self, mask: Mask) -> None:
        """Give clicks beyond the window a spot half as thick as the region."""
        canvas = mask.view(np.uint8)
        for point in self.beyond:
            row, col = np.rint(point + self.ground.first).astype(int)
            cv2.circle(canvas, (int(col), int(row)), int(self._thick / 2) + 1, 1, -1)


def lifted(ground: Ground, field: Floats32, clicks: list[Click]) -> Floats32:
    """Put a field right at all clicks, as far round them as it was wrong."""
    for _ in range(2):
        for click in clicks:
            value = float(field[ground.at(click.point)])
            wrong = max(-value if click.inside else value, 0.0)
            hump = lift(click._replace(depth=max(click.depth, wrong)), value)
            if hump is not None:
                field = hump.on(ground, field)
    return field


def stands_out(light: Floats32, mask: Mask) -> float:
    """How much darker a region is than what lies round it, in units of their spread."""
    if mask.all() or not mask.any():
        return 0.0
    inner, outer = light[mask], light[~mask]
    return float((outer.mean() - inner.mean()) / np.sqrt(inner.var() + outer.var() + 4.0))
