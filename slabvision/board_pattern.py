"""The printed board's pattern: where every black square, marker and corner lies, in millimetres.

A chequered pattern of 4 x 3 squares with a square marker in each white one, and a narrow ring
that carries the chequers on, so that the outermost corners are crossings of two edges too: a
crossing keeps its place under blur and over-exposure, the free corner of a square does not.
The modules are 7 mm, so that at 4 m and 55 degrees one still covers three pixels of a
12-megapixel phone photo.

Positions are (down, across) in millimetres from the pattern's upper left crossing, in the same
sense as (row, col) in a picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CHECK_MM",
    "COLUMNS",
    "HEIGHT_MM",
    "MARKERS",
    "MARKER_MM",
    "MODULES",
    "MODULE_MM",
    "RING_MM",
    "ROWS",
    "SQUARE_MM",
    "WIDTH_MM",
    "Marker",
    "black_rectangles",
    "crossings_mm",
    "is_black",
    "polarity",
]

ROWS, COLUMNS = 4, 3
SQUARE_MM = 56.0
MODULE_MM = 7.0
MODULES = 6
"""Modules along a marker's side: four of code and a black border."""
MARKER_MM = MODULES * MODULE_MM
RING_MM = 8.0
HEIGHT_MM = ROWS * SQUARE_MM
WIDTH_MM = COLUMNS * SQUARE_MM
CHECK_MM = 150.0
"""Length of the line that a person measures on the print."""

# Codes 2, 4, 7, 9, 14 and 15 of OpenCV's dictionary of fifty 4 x 4 markers. Among the fifty they
# belong to the largest group in which any two, however turned, differ in at least six modules and
# each differs from itself turned in at least eight: two misread modules can be put right. They
# stand here so that a print made today is found by every later OpenCV.
_CODES = (
    (2, "0011/0011/0010/1101"),
    (4, "0101/0100/1001/1110"),
    (7, "1100/0100/1111/0010"),
    (9, "1100/1111/0101/0110"),
    (14, "0010/0100/1011/0001"),
    (15, "0010/0110/0011/1110"),
)


@dataclass(frozen=True)
class Marker:
    """One square marker of the board.

    Attributes
    ----------
    code : int
        Its number in OpenCV's dictionary.
    corner_mm : tuple of float
        Its upper left corner, (down, across).
    white : ndarray of bool, shape (4, 4)
        Which modules of its code are white.
    """

    code: int
    corner_mm: tuple[float, float]
    white: NDArray[np.bool_]

    @property
    def corners_mm(self) -> NDArray[np.float64]:
        """The four corners, clockwise from the upper left, shape (4, 2)."""
        down, across = self.corner_mm
        far_down, far_across = down + MARKER_MM, across + MARKER_MM
        return np.array(
            [(down, across), (down, far_across), (far_down, far_across), (far_down, across)]
        )


def is_black(row: int, column: int) -> bool:
    """Tell whether a square is black; the ring has rows and columns -1 and beyond the last."""
    return (row + column) % 2 == 0


def _markers() -> tuple[Marker, ...]:
    inset = (SQUARE_MM - MARKER_MM) / 2
    places = [(r, c) for r in range(ROWS) for c in range(COLUMNS) if not is_black(r, c)]
    return tuple(
        Marker(
            code,
            (row * SQUARE_MM + inset, column * SQUARE_MM + inset),
            np.array([[sign == "1" for sign in line] for line in text.split("/")]),
        )
        for (row, column), (code, text) in zip(places, _CODES, strict=True)
    )


MARKERS = _markers()
"""The six markers, from the upper left, row by row."""


def crossings_mm() -> NDArray[np.float64]:
    """Return where chequers meet, shape (20, 2), row by row: the points that are found."""
    down, across = np.mgrid[: ROWS + 1, : COLUMNS + 1]
    return np.column_stack([down.ravel(), across.ravel()]) * SQUARE_MM


def polarity() -> NDArray[np.int64]:
    """Return +1 where the squares upper left and lower right of a crossing are white, else -1."""
    down, across = np.mgrid[: ROWS + 1, : COLUMNS + 1]
    return np.where((down + across).ravel() % 2 == 0, -1, 1)


def black_rectangles() -> list[tuple[float, float, float, float]]:
    """Return everything black as rectangles: (down, across, height, width), mm."""
    downs = [-RING_MM, *(r * SQUARE_MM for r in range(ROWS + 1)), HEIGHT_MM + RING_MM]
    acrosses = [-RING_MM, *(c * SQUARE_MM for c in range(COLUMNS + 1)), WIDTH_MM + RING_MM]
    black = [
        (down, across, downs[i + 1] - down, acrosses[j + 1] - across)
        for i, down in enumerate(downs[:-1])
        for j, across in enumerate(acrosses[:-1])
        if is_black(i - 1, j - 1)
    ]
    for marker in MARKERS:
        dark = np.ones((MODULES, MODULES), dtype=bool)
        dark[1:-1, 1:-1] = ~marker.white
        black += [
            (marker.corner_mm[0] + i * MODULE_MM, marker.corner_mm[1] + j * MODULE_MM, MODULE_MM,
             MODULE_MM)
            for i, j in np.argwhere(dark)
        ]  # fmt: skip
    return black
