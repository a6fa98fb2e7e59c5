"""Painting defects and zones: numbers, kinds, the brush in millimetres, live count and area.

A stroke that starts on a defect continues it; one that starts on clear wood begins a new defect
of the chosen kind. The image and its table live in the layers, whose undo is napari's own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer, Signal

from napari_slabvision import _settings
from napari_slabvision._defect_table import colors, defects_of
from napari_slabvision._live import PixelSizes, Tally, count_pixels, per_kind
from napari_slabvision._owned import KEY, find, role_of
from napari_slabvision._table_layer import row_of, rows_of, traces_in, where_is, window_of
from slabvision.defects import KINDS
from slabvision.record import PhotoEntry

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["KIND_KEYS", "Painting"]

LIVE_MS = 120
"""Least time between two live counts."""
_RESERVED = 16
"""Numbers whose colour is set ahead, so that starting a defect costs no redraw."""
_PLAIN_BRUSH_PX = 20.0


class Painting(QObject):
    """The defects and zones of the photo on the bench.

    Signals
    -------
    live_changed
        Count and area changed; read them from ``per_kind`` and ``tally``.
    kind_changed(str)
        Another kind was chosen.
    table_changed
        A row of the table changed.
    """

    live_changed = Signal()
    kind_changed = Signal(str)
    table_changed = Signal()

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.kind = next(iter(KINDS))
        self.zone = 100
        self.protect = True
        self.brush_mm = _settings.brush_mm()
        self.tally = Tally()
        self.zone_tally = Tally()
        self._sizes: PixelSizes | None = None
        self._kept: tuple[list[dict[str, Any]], dict[int, Any]] | None = None
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(LIVE_MS)
        self._timer.timeout.connect(self.count)
        self._polygon_begun = False
        self.with_history: set[str] = set()
        bench.viewer.mouse_drag_callbacks.append(self._pressed)
        bench.viewer.mouse_move_callbacks.append(self._moved)

    def close(self) -> None:
        """Let go of the viewer."""
        self._timer.stop()
        for calls, mine in (
            (self.bench.viewer.mouse_drag_callbacks, self._pressed),
            (self.bench.viewer.mouse_move_callbacks, self._moved),
        ):
            if mine in calls:
                calls.remove(mine)

    # Layers ----------------------------------------------------------------------------------

    @property
    def layer(self) -> Any | None:
        """The Labels layer with the defects."""
        return find(self.bench.viewer, "defects")

    @property
    def zone_layer(self) -> Any | None:
        """The Labels layer with the zones."""
        return find(self.bench.viewer, "zones")

    def attach(self) -> None:
        """Listen to the layers of the photo that was just opened."""
        self._kept = None
        self._polygon_begun = False
        self.with_history = set()
        for layer in (self.layer, self.zone_layer):
            if layer is None:
                continue
            layer.events.set_data.connect(self._later)
            layer.preserve_labels = self.protect and role_of(layer) == "defects"
        if self.layer is not None:
            self.layer.events.paint.connect(self._painted)
            self.layer.events.mode.connect(self._mode_changed)
            self._bind_keys(self.layer)
        if self.zone_layer is not None:
            self.zone_layer.events.paint.connect(self._zone_painted)
        self.tally, self.zone_tally = Tally(), Tally()
        self.count(quiet=True)
        self._ready_next()
        self._recolor()

    def keep_table(self, layer: Any) -> None:
        """Remember the table of a layer that was closed by hand."""
        self._kept = (rows_of(layer), traces_in(layer))

    def collected(self, entry: PhotoEntry) -> PhotoEntry:
        """Return the entry with the table of defects as it stands in the layer."""
        session = self.bench.session
        if session is None or entry.file not in session.images:
            return entry
        self._add_new_rows(count_pixels(session.images[entry.file].labels, None))
        rows, traces = self._table()
        present = self.tally.pixels
        return entry.model_copy(update={"defects": defects_of(rows, traces, set(present))})

    def _table(self) -> tuple[list[dict[str, Any]], dict[int, Any]]:
        if self.layer is not None:
            return rows_of(self.layer), traces_in(self.layer)
        return self._kept or ([], {})

    # Choosing --------------------------------------------------------------------------------

    def choose_kind(self, kind: str, *, paint: bool = True) -> None:
        """Paint this kind from now on."""
        self.kind = kind
        self._ready_next()
        self._recolor()
        layer = self.layer
        if layer is not None and paint:
            self.bench.viewer.layers.selection.active = layer
            if layer.mode not in ("paint", "polygon", "fill"):
                layer.mode = "paint"
        self.kind_changed.emit(kind)

    def choose_zone(self, value: int) -> None:
        """Paint this zone from now on."""
        self.zone = value
        layer = self.zone_layer
        if layer is not None:
            layer.selected_label = value
            self.bench.viewer.layers.selection.active = layer
            if layer.mode not in ("paint", "polygon", "fill"):
                layer.mode = "paint"

    def set_mode(self, mode: str, role: str = "defects") -> None:
        """Switch to painting, erasing, outlining or looking."""
        layer = find(self.bench.viewer, role)
        if layer is not None:
            self.bench.viewer.layers.selection.active = layer
            layer.mode = mode
            if role == "zones" and mode in ("paint", "polygon"):
                layer.selected_label = self.zone

    def set_protect(self, protect: bool) -> None:
        """Keep strokes from painting over other defects, or let them."""
        self.protect = protect
        if self.layer is not None:
            self.layer.preserve_labels = protect

    def set_brush_mm(self, mm: float) -> None:
        """Set the brush's diameter on the wood."""
        self.brush_mm = mm
        _settings.keep_brush_mm(mm)
        entry = self.bench.session.entry if self.bench.session else None
        if entry is not None:
            self._size_brush((entry.shape[0] / 2, entry.shape[1] / 2))

    def plane_changed(self) -> None:
        """Weigh pixels with the new scale."""
        plane, session = self.bench.measuring.plane, self.bench.session
        self._sizes = PixelSizes.of(plane.to_mm, session.entry.shape) if plane and session else None
        self.count()

    def area_mm2(self, mask: NDArray[np.bool_], corner: tuple[int, int]) -> float | None:
        """Return the area of a mask in a window of the photo, mm²; None without a reference."""
        if self._sizes is None or self.bench.session is None:
            return None
        return self._sizes.area(mask, corner, self.bench.session.entry.shape)

    # Strokes ---------------------------------------------------------------------------------

    @property
    def next_number(self) -> int:
        """The number of the next new defect."""
        used = {int(row["index"]) for row in self._table()[0]} | set(self.tally.pixels)
        top = max(used, default=0) + 1
        if top <= 65_535:
            return top
        return min(set(range(1, 65_536)) - used)

    def _ready_next(self) -> None:
        if self.layer is not None:
            self.layer.selected_label = self.next_number

    def _recolor(self) -> None:
        """Colour every number by its kind, and the next ones by the chosen kind."""
        from napari.utils.colormaps import DirectLabelColormap

        layer = self.layer
        if layer is None:
            return
        kind_of = self.kind_of
        wanted = colors(kind_of)
        first = self.next_number
        for number in range(first, min(first + _RESERVED, 65_536)):
            wanted[number] = KINDS[self.kind].color
        self._colored = (first + _RESERVED, self.kind)
        layer.colormap = DirectLabelColormap(color_dict=wanted)

    def _pressed(self, viewer: Any, event: Any) -> None:
        """Choose the number before napari's own brush reads it."""
        layer = viewer.layers.selection.active
        if layer is None or event.button != 1 or role_of(layer) not in ("defects", "zones"):
            return
        at = layer.world_to_data(event.position)
        if layer.mode in ("paint", "erase"):
            self._size_brush(at)
        if role_of(layer) != "defects" or layer.mode not in ("paint", "polygon", "fill"):
            return
        if layer.mode == "polygon" and self._polygon_begun:
            return
        self._polygon_begun = layer.mode == "polygon"
        row, col = (round(float(x)) for x in at)
        height, width = layer.data.shape
        inside = 0 <= row < height and 0 <= col < width
        here = int(layer.data[row, col]) if inside else 0
        number = here or self.next_number
        if layer.selected_label != number:
            layer.selected_label = number

    def _moved(self, viewer: Any, event: Any) -> None:
        layer = viewer.layers.selection.active
        if layer is None or role_of(layer) not in ("defects", "zones"):
            return
        if layer.mode in ("paint", "erase"):
            self._size_brush(layer.world_to_data(event.position))

    def _size_brush(self, at: Any) -> None:
        """Give the brush its millimetres where it is: a tilted photo has many scales."""
        scale = self.bench.measuring.mm_per_px((float(at[0]), float(at[1])))
        size = _PLAIN_BRUSH_PX if scale is None else max(1.0, self.brush_mm / scale)
        for layer in (self.layer, self.zone_layer):
            if layer is not None and abs(layer.brush_size - size) > 0.05 * size:
                layer.brush_size = size

    def _mode_changed(self, event: Any) -> None:
        self._polygon_begun = False

    def _painted(self, event: Any) -> None:
        self._polygon_begun = False
        self.with_history.add("defects")
        self._timer.start()
        if self.bench.session is not None:
            self.bench.session.touch_images()

    def _zone_painted(self, event: Any) -> None:
        self.with_history.add("zones")
        self._timer.start()
        if self.bench.session is not None:
            self.bench.session.touch_images()

    def _later(self, event: Any) -> None:
        # Undo and redo tell only of set_data; a stroke under way does too.
        if not self._timer.isActive():
            self._timer.start()

    def count(self, *, quiet: bool = False) -> None:
        """Count pixels and area of everything painted, now."""
        session = self.bench.session
        if session is None or session.file not in session.images:
            return
        images = session.images[session.file]
        tally, zones = (
            count_pixels(images.labels, self._sizes),
            count_pixels(images.zones, self._sizes),
        )
        changed = tally.pixels != self.tally.pixels or zones.pixels != self.zone_tally.pixels
        self.zone_tally = zones
        self._add_new_rows(tally)
        if changed and not quiet:
            session.touch_images()
        self.live_changed.emit()

    def _add_new_rows(self, tally: Tally) -> None:
        """Give every painted number a row; new ones are of the chosen kind."""
        if tally.mm2 is None and self.tally.pixels == tally.pixels:
            tally = self.tally
        self.tally = tally
        layer = self.layer
        if layer is None:
            return
        rows = rows_of(layer)
        known = {int(row["index"]) for row in rows}
        new = [number for number in tally.pixels if number not in known]
        if not new:
            return
        for number in new:
            rows.append(row_of(number, self.kind))
        self._set_rows(layer, rows)
        if self.next_number + 2 > self._colored[0] or any(n >= self._colored[0] for n in new):
            self._recolor()
        self._ready_next()

    _colored: tuple[int, str] = (0, "")

    def _set_rows(self, layer: Any, rows: list[dict[str, Any]]) -> None:
        layer.features = {key: [row[key] for row in rows] for key in row_of(0, "")}
        self.table_changed.emit()

    # The table -------------------------------------------------------------------------------

    @property
    def kind_of(self) -> dict[int, str]:
        """Kind of every number in the table."""
        return {int(r["index"]): str(r["kind"]) for r in self._table()[0] if int(r["index"])}

    @property
    def per_kind(self) -> dict[str, tuple[int, float | None]]:
        """Count and area (mm², None without a reference) of every kind."""
        return per_kind(self.tally, self.kind_of)

    def rows(self) -> list[dict[str, Any]]:
        """Return the rows of defects that have pixels."""
        return [row for row in self._table()[0] if int(row["index"]) in self.tally.pixels]

    def change_row(self, number: int, **values: str) -> None:
        """Change kind, depth or note of a defect."""
        layer = self.layer
        if layer is None or self.bench.session is None:
            return
        rows = rows_of(layer)
        for row in rows:
            if int(row["index"]) == number:
                row.update(values)
                if "kind" in values:
                    row["defect"] = KINDS[values["kind"]].title
        self._set_rows(layer, rows)
        if "kind" in values:
            self._recolor()
        self.bench.session.touch_images()
        self.live_changed.emit()

    def join(self, numbers: list[int]) -> int:
        """Make one defect of several, as one step of undo; returns its number."""
        first, *others = sorted(numbers)
        with self._one_step() as layer:
            for number in others:
                layer.data_setitem(where_is(layer.data, number), first)
        return first

    def split(self, number: int) -> list[int]:
        """Make a defect of each separate piece, as one step of undo; returns all numbers."""
        from scipy.ndimage import label

        layer = self.layer
        if layer is None:
            return [number]
        window, corner = window_of(layer.data, number)
        pieces, count = label(window, structure=np.ones((3, 3)))
        made = [number]
        rows = rows_of(layer)
        mine = next(row for row in rows if int(row["index"]) == number)
        with self._one_step():
            for piece in range(2, count + 1):
                new = max(self.next_number, max(made) + 1)
                at = np.nonzero(pieces == piece)
                layer.data_setitem((at[0] + corner[0], at[1] + corner[1]), new)
                rows.append({**mine, "index": new})
                made.append(new)
        self._set_rows(layer, rows)
        self._recolor()
        self.count()
        return made

    def remove(self, numbers: list[int]) -> None:
        """Erase defects, as one step of undo."""
        with self._one_step() as layer:
            for number in numbers:
                layer.data_setitem(where_is(layer.data, number), 0)

    def put_mask(
        self,
        mask: NDArray[np.bool_],
        corner: tuple[int, int],
        tool: str,
        trace: dict[str, Any] | None = None,
        kind: str = "",
    ) -> int:
        """Paint what a tool found as a new defect, one step of undo; of the chosen kind if none
        is given.

        Returns
        -------
        int
            Its number; 0 where other defects left nothing to paint.
        """
        layer = self.layer
        if layer is None:
            return 0
        rows, cols = np.nonzero(mask)
        rows, cols = rows + corner[0], cols + corner[1]
        if self.protect:
            free = layer.data[rows, cols] == 0
            rows, cols = rows[free], cols[free]
        if not rows.size:
            return 0
        number = self.next_number
        table = [*rows_of(layer), row_of(number, kind or self.kind, tool)]
        if trace is not None:
            layer.metadata[KEY].setdefault("traces", {})[number] = trace
        with self._one_step():
            layer.data_setitem((rows, cols), number)
        self._set_rows(layer, table)
        self._recolor()
        self.count()
        self._ready_next()
        return number

    def _one_step(self) -> Any:
        """Everything inside is one step of undo."""
        return _OneStep(self)

    def undo(self) -> None:
        """Take back the last stroke or tool on the active painted layer."""
        self._history("undo")

    def redo(self) -> None:
        """Do it again."""
        self._history("redo")

    def _history(self, step: str) -> None:
        active = self.bench.viewer.layers.selection.active
        layer = active if active is not None and role_of(active) == "zones" else self.layer
        if layer is not None:
            getattr(layer, step)()
            self._timer.start()

    def _bind_keys(self, layer: Any) -> None:
        for kind, key in zip(KINDS, KIND_KEYS, strict=False):
            layer.bind_key(f"Alt-{key}", _chooser(self, kind), overwrite=True)


KIND_KEYS = "1234567890QYXGJ"
"""Pressed with Alt: bare digits are napari's own tools in a Labels layer, and Alt with the
letters F, V, L, P, W and H opens menus."""


def _chooser(painting: Painting, kind: str) -> Any:
    def choose(layer: Any) -> None:
        painting.choose_kind(kind)

    return choose


class _OneStep:
    """Block napari's history, then count at once."""

    def __init__(self, painting: Painting) -> None:
        self.painting = painting

    def __enter__(self) -> Any:
        layer = self.painting.layer
        if layer is None:
            raise RuntimeError("the layer with the defects was closed")
        self._block = layer.block_history()
        self._block.__enter__()
        return layer

    def __exit__(self, *error: Any) -> None:
        self._block.__exit__(*error)
        self.painting.count()
