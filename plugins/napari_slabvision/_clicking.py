"""Clicks on the photo, collected for whoever needs some: marks, tools, an end.

A click sets a point, Alt+click sets one outside where the tool knows the difference. A drag pans
as always. Enter accepts, Escape discards, Backspace takes back the last click.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import QObject, QTimer, Signal

from napari_slabvision._owned import PIXELS, find, remove_owned, tagged
from napari_slabvision._photo_layers import line_px

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["Clicking", "Wanted"]

Point = tuple[float, float]
_DRAG_PX = 4.0
"""A press that moves less on the screen is a click."""
_KEYS = ("Enter", "Escape", "Backspace")


@dataclass
class Wanted:
    """What is wanted from the person.

    Attributes
    ----------
    words : str
        What to click.
    accept : callable
        Called with the points inside and outside once they are accepted; returns False to go on.
    least, most : int
        How many points; at ``most`` they are accepted without Enter. 0: no limit.
    outside : bool
        Whether Alt+click means something.
    changed, discarded : callable, optional
        Called after every click, and when the person gives up.
    """

    words: str
    accept: Callable[[list[Point], list[Point]], Any]
    least: int = 1
    most: int = 0
    outside: bool = False
    changed: Callable[[list[Point], list[Point]], None] | None = None
    discarded: Callable[[], None] | None = None
    inside_at: list[Point] = field(default_factory=list)
    outside_at: list[Point] = field(default_factory=list)
    order: list[str] = field(default_factory=list)


class Clicking(QObject):
    """Collects clicks; ``changed`` says that what is wanted, or the number of clicks, changed."""

    changed = Signal()

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.wanted: Wanted | None = None
        bench.slab_changed.connect(self.discard)
        bench.closing.connect(self.discard)

    def begin(self, wanted: Wanted) -> None:
        """Want clicks from now on; what was wanted before is discarded."""
        self.discard()
        session = self.bench.session
        if session is None or self.bench.photo_layer is None:
            self.bench.said.emit("Open a slab first.", False)
            return
        self.wanted = wanted
        viewer = self.bench.viewer
        viewer.add_points(
            np.zeros((0, 2)),
            ndim=2,
            name="Clicks",
            size=6 * line_px(session.entry.shape),
            symbol="disc",
            border_color="black",
            metadata=tagged("clicks", session.file),
            **PIXELS,
        )
        viewer.mouse_drag_callbacks.append(self._pressed)
        layer = find(viewer, "clicks")
        layer.mode = "pan_zoom"
        viewer.layers.selection.active = layer
        for key, call in zip(_KEYS, (self.accept, self.discard, self.take_back), strict=True):
            for target in (layer, viewer):
                target.bind_key(key, _ignoring_argument(call), overwrite=True)
        self.bench.said.emit(wanted.words, False)
        self.changed.emit()

    @property
    def active(self) -> bool:
        """Whether clicks are wanted."""
        return self.wanted is not None

    def _pressed(self, viewer: Any, event: Any) -> Any:
        if event.button != 1 or self.wanted is None:
            return
        start = np.asarray(event.pos, float)
        alt = "Alt" in event.modifiers
        layer = self.bench.photo_layer
        at = layer.world_to_data(event.position)[:2] if layer is not None else event.position
        yield
        far = 0.0
        while event.type == "mouse_move":
            far = max(far, float(np.hypot(*(np.asarray(event.pos, float) - start))))
            yield
        if far <= _DRAG_PX:
            self.click((float(at[0]), float(at[1])), outside=alt)

    def click(self, at: Point, *, outside: bool = False) -> None:
        """Set a point, as a click on the photo does."""
        wanted, session = self.wanted, self.bench.session
        if wanted is None or session is None:
            return
        height, width = session.entry.shape
        if not (-0.5 <= at[0] <= height - 0.5 and -0.5 <= at[1] <= width - 0.5):
            self.bench.said.emit("That click is outside the photo.", False)
            return
        away = outside and wanted.outside
        (wanted.outside_at if away else wanted.inside_at).append(at)
        wanted.order.append("outside" if away else "inside")
        self._changed()
        if wanted.most and len(wanted.inside_at) >= wanted.most:
            # After the press has been dealt with: accepting may remove the active layer.
            QTimer.singleShot(0, self.accept)

    def take_back(self) -> None:
        """Take back the last click."""
        wanted = self.wanted
        if wanted is None or not wanted.order:
            return
        (wanted.outside_at if wanted.order.pop() == "outside" else wanted.inside_at).pop()
        self._changed()

    def _changed(self) -> None:
        wanted = self.wanted
        if wanted is None:
            return
        self._show(wanted)
        if wanted.changed is not None:
            wanted.changed(list(wanted.inside_at), list(wanted.outside_at))
        self.changed.emit()

    def _show(self, wanted: Wanted) -> None:
        layer = find(self.bench.viewer, "clicks")
        if layer is None:
            return
        points = np.array([*wanted.inside_at, *wanted.outside_at], float).reshape(-1, 2)
        layer.data = points
        if len(points):
            inside = len(wanted.inside_at)
            layer.face_color = ["#ffd23f"] * inside + ["#ff5a5a"] * (len(points) - inside)
        layer.selected_data = set()

    def accept(self) -> None:
        """Take the points."""
        wanted = self.wanted
        if wanted is None:
            return
        if len(wanted.inside_at) < wanted.least:
            self.bench.said.emit(
                f"{wanted.words} ({len(wanted.inside_at)} of {wanted.least} so far)", False
            )
            return
        if wanted.accept(list(wanted.inside_at), list(wanted.outside_at)) is False:
            return
        if self.wanted is wanted:
            self._end()

    def discard(self) -> None:
        """Give up; nothing changes."""
        wanted = self.wanted
        if wanted is None:
            return
        self._end()
        if wanted.discarded is not None:
            wanted.discarded()

    def _end(self) -> None:
        self.wanted = None
        viewer = self.bench.viewer
        if self._pressed in viewer.mouse_drag_callbacks:
            viewer.mouse_drag_callbacks.remove(self._pressed)
        for key in _KEYS:
            viewer.bind_key(key, None, overwrite=True)
        remove_owned(viewer, "clicks")
        self.changed.emit()


def _ignoring_argument(call: Callable[[], None]) -> Callable[[Any], None]:
    def bound(_: Any) -> None:
        call()

    return bound
