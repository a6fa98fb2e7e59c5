"""A read end as layers and words: ring directions over the wood, angle across the width."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from napari_slabvision._owned import PIXELS, tagged
from napari_slabvision._photo_layers import LayerTuple, line_px
from slabvision.record import PhotoEntry

__all__ = ["Profile", "end_layers", "profile", "profile_words", "ring_color"]

STATIONS = 7
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Profile:
    """Ring angle to the wide face across the width.

    Attributes
    ----------
    points : ndarray (N, 2)
        Stations along the face line, (row, col).
    angle_deg, u_deg : ndarray (N,)
        0 is flat-sawn, 90 is quarter-sawn; standard uncertainty.
    seen : ndarray of bool (N,)
        Whether rings were seen there.
    """

    points: Floats
    angle_deg: Floats
    u_deg: Floats
    seen: NDArray[np.bool_]


def ring_color(angle_deg: float) -> str:
    """Return the colour of an angle: blue lies flat, yellow stands upright."""
    low, high = np.array([0x2C, 0x5A, 0xA0]), np.array([0xFF, 0xD2, 0x3F])
    mixed = low + (high - low) * np.clip(angle_deg / 90.0, 0, 1)
    return "#" + "".join(f"{round(float(v)):02x}" for v in mixed)


def profile(end: Any) -> Profile:
    """Return the ring angle at stations across the width, at half the thickness."""
    table = end.profile
    rows = np.linspace(0, len(table) - 1, STATIONS + 2)[1:-1].round().astype(int)
    few = table.iloc[rows]
    return Profile(
        few[["row", "col"]].to_numpy(float),
        few["ring_angle_deg"].to_numpy(float),
        few["ring_angle_u_deg"].to_numpy(float),
        few["seen"].to_numpy(bool),
    )


def end_layers(entry: PhotoEntry, end: Any, found: Profile) -> list[LayerTuple]:
    """Return ring directions as strokes coloured by their angle to the face, and the profile."""
    rows, cols = end.shape[:2]
    step = max(rows, cols) / 45
    grid = np.stack(
        np.meshgrid(
            np.arange(step / 2, rows, step), np.arange(step / 2, cols, step), indexing="ij"
        ),
        axis=-1,
    ).reshape(-1, 2)
    grid = grid[end.seen(grid) & end.view.on_wood(grid)]
    strokes = np.zeros((0, 2, 2))
    colors: list[str] = []
    if len(grid):
        turn = np.deg2rad(end.ring_tangent_deg(grid))
        half = 0.38 * step * np.stack([np.sin(turn), np.cos(turn)], axis=1)
        strokes = np.stack([grid - half, 2 * half], axis=1)  # start and direction
        colors = [ring_color(a) for a in end.ring_angle_deg(grid)]
    text = [
        f"{angle:.0f}°" if seen else f"({angle:.0f}°)"
        for angle, seen in zip(found.angle_deg, found.seen, strict=True)
    ]
    wide = line_px(entry.shape)
    layers: list[LayerTuple] = []
    if len(strokes):
        layers.append(
            (
                strokes,
                {
                    "name": "Rings",
                    "vector_style": "line",
                    "edge_color": colors,
                    "edge_width": 1.4 * wide,
                    "metadata": tagged("end grain: rings", entry.file, weight=1.4),
                    **PIXELS,
                },
                "vectors",
            )
        )
    layers.append(
        (
            found.points,
            {
                "name": "Ring angle across the width",
                "features": {"text": text},
                "size": 6 * wide,
                "face_color": [ring_color(a) for a in found.angle_deg],
                "border_color": "white",
                "text": {
                    "string": "{text}",
                    "color": "white",
                    "size": 9,
                    "anchor": "center",
                    "translation": (-22 * wide, 0),
                },
                "metadata": tagged("end grain: profile", entry.file),
                **PIXELS,
            },
            "points",
        )
    )
    return layers


def profile_words(found: Profile) -> str:
    """Return the profile as lines a person reads."""
    lines = ["Ring angle to the face (0° flat-sawn, 90° quarter-sawn):"]
    for index, (angle, u, seen) in enumerate(
        zip(found.angle_deg, found.u_deg, found.seen, strict=True)
    ):
        share = (index + 1) / (len(found.points) + 1)
        low, high = max(0.0, angle - 2 * u), min(90.0, angle + 2 * u)
        lines.append(
            f"at {share:.0%} of the width: {angle:.0f}° ({low:.0f} to {high:.0f})"
            + ("" if seen else ", not seen, inferred")
        )
    return "\n".join(lines)
