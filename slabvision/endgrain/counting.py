"""Count rings along lines that cross them squarely."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slabvision.endgrain.field import RingField
from slabvision.endgrain.view import View
from slabvision.opencv import cv2

__all__ = ["ring_spacing_px"]

Floats = NDArray[np.float64]


def ring_spacing_px(view: View, field: RingField, lines: int = 25) -> Floats:
    """Return mean ring spacing (pixels of the flat picture) along lines from the pith outwards.

    The picture is averaged along the rings (a few degrees of arc that follow their slope), which
    leaves latewood as clear dark bands; these are counted where rings are seen. Lines on which
    fewer than four rings can be told apart are left out, so the result may be empty.

    Parameters
    ----------
    view : View
        The flat picture.
    field : RingField
        Direction of the rings.
    lines : int
        At most so many lines.
    """
    from scipy.signal import find_peaks

    seen = field.seen > 0.5
    enough = np.nonzero(seen.mean(axis=1) > 0.2)[0]
    if enough.size == 0:
        return np.empty(0)
    rays = enough[np.unique(np.linspace(0, enough.size - 1, min(lines, enough.size)).astype(int))]
    spacings = []
    for ray in rays:
        on = np.nonzero(seen[ray])[0]
        # The longest unbroken run of wood whose rings are seen.
        runs = np.split(on, np.nonzero(np.diff(on) > 2)[0] + 1)
        run = max(runs, key=lambda part: field.rho[part[-1]] - field.rho[part[0]])
        inner, outer = np.exp(field.rho[run[0]]), np.exp(field.rho[run[-1]])
        if outer - inner < 40:
            continue
        radius = np.arange(inner, outer, 0.5)
        slope = np.interp(np.log(radius), field.rho, field.slope[ray])
        reach = np.clip(14.0 / np.median(radius), 0.004, np.deg2rad(3.0))
        turn = np.linspace(-reach, reach, 15)
        # Along the ring: log radius changes by slope per radian.
        r = radius[None, :] * np.exp(turn[:, None] * slope[None, :])
        theta = field.theta[ray] + turn[:, None]
        row = field.frame.centre[0] + r * np.sin(theta)
        col = field.frame.centre[1] + r * np.cos(theta)
        tone = cv2.remap(
            view.grey, col.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).mean(axis=0).astype(np.float64)  # fmt: skip
        # Bands at least 3 px wide; slow changes of tone are not rings.
        fine = cv2.GaussianBlur(tone[None], (0, 0), 2.0)[0]
        slow = cv2.GaussianBlur(tone[None], (0, 0), max(20.0, 0.08 * tone.size))[0]
        wave = slow - fine
        noise = 1.4826 * float(np.median(np.abs(tone - fine))) / 2.0
        strong = float(np.percentile(np.abs(wave), 80))
        peaks, _ = find_peaks(wave, prominence=max(3 * noise, 0.55 * strong, 1.0), distance=6)
        if peaks.size < 4:
            continue
        spacings.append((radius[peaks[-1]] - radius[peaks[0]]) / (peaks.size - 1))
    return np.array(spacings)
