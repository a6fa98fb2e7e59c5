"""Proposed defects, walked through surest first: each is accepted or rejected by one key.

What a walk taught is handed to the search before the next one, so that it learns for the rest of
the visit; of a face that was walked to the end, what is painted on it by then says the rest: what
was missed, and what is wood. Nothing of that is stored in a record.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, Signal

from napari_slabvision._owned import find, remove_owned
from napari_slabvision._parts import area_text
from napari_slabvision._tool_run import show_preview
from napari_slabvision._tools import Preview
from slabvision.defects import KINDS

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench

__all__ = ["LibrarySearch", "Proposal", "Search", "Suggesting", "library_search"]

Pixels = NDArray[np.uint8]
Corners = NDArray[np.float64]
_KEYS = ("Enter", "Delete", "Backspace", "Escape")


@dataclass(frozen=True, eq=False)
class Proposal:
    """One proposed defect: its mask in a window of the photo, kind, and how sure (0 to 1)."""

    mask: NDArray[np.bool_]
    corner: tuple[int, int]
    kind: str
    confidence: float


Painted = tuple[NDArray[np.uint16], frozenset[int]]
"""The image of a face's defects, and the numbers of those that are checks."""


class Search(Protocol):
    """Looks for defects on a face, and learns from what was said about what it found."""

    def find(self, pixels: Pixels, outline: Corners, mm_per_px: float | None) -> list[Proposal]:
        """Return proposals inside an outline, in any order; the scale is None where unknown."""

    def learn(
        self, pixels: Pixels, outline: Corners, mm_per_px: float | None,
        said: Sequence[tuple[Proposal, bool]], painted: Painted | None = None,
    ) -> None:  # fmt: skip
        """Take in what a face taught: which proposals were accepted and which rejected.

        Where the person looked at all of them, ``painted`` says the rest as well: what was missed
        and painted by hand is wanted, what is nowhere painted is not.
        """


@dataclass
class _Walk:
    session: Any
    file: str
    pixels: Pixels
    outline: Corners
    mm_per_px: float | None
    proposals: list[Proposal]
    said: list[bool] = field(default_factory=list)
    painted: list[bool] = field(default_factory=list)
    unlearned: str = ""

    @property
    def here(self) -> Proposal | None:
        at = len(self.said)
        return self.proposals[at] if at < len(self.proposals) else None


class Suggesting(QObject):
    """The walk through proposals; ``changed`` says that another one is shown, or none."""

    changed = Signal()

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.bench = bench
        self.search: Search | None = library_search()
        self.walk: _Walk | None = None
        self._lesson: _Walk | None = None
        bench.slab_changed.connect(self.end)
        bench.photo_changed.connect(self._photo_changed)
        bench.closing.connect(self.end)
        bench.clicking.changed.connect(lambda: self.end() if bench.clicking.active else None)

    @property
    def here(self) -> Proposal | None:
        """The proposal that is shown."""
        return self.walk.here if self.walk is not None else None

    def begin(self) -> None:
        """Search the face inside its outline; the walk begins when that is done."""
        session, pixels, search = self.bench.session, self.bench.pixels, self.search
        if session is None or pixels is None or search is None:
            self.bench.said.emit("Open a slab first.", False)
            return
        if session.entry.arris is None:
            self.bench.said.emit("Outline the face first: defects are looked for inside it.", False)
            return
        self.end()
        self.bench.clicking.discard()
        file = session.file
        outline = np.array(session.entry.arris.points, float)
        middle = outline.mean(axis=0)
        scale = self.bench.measuring.mm_per_px((float(middle[0]), float(middle[1])))
        lesson, self._lesson = self._lesson, None
        if lesson is not None and lesson.session is session:
            session.gather()

        def look(_: Any) -> _Walk:
            walk = _Walk(session, file, pixels, outline, scale, [])
            if lesson is not None:
                try:
                    search.learn(*_taught_by(lesson))
                except Exception as error:  # the search goes on with what it knew
                    walk.unlearned = str(error)
            walk.proposals = search.find(pixels, outline, scale)
            return walk

        self.bench.jobs.start(
            "suggest",
            "looking for defects",
            look,
            self._found,
            lambda error: self.bench.said.emit(str(error), True),
        )

    def _found(self, walk: _Walk) -> None:
        session = self.bench.session
        if walk.unlearned:
            self.bench.said.emit(f"Nothing was learned: {walk.unlearned}", True)
        if session is None or session.file != walk.file:
            return
        found = [p for p in walk.proposals if p.mask.any() and not self._painted_already(p)]
        if not found:
            self.bench.said.emit("No defect was found beyond what is painted already.", False)
            return
        walk.proposals = sorted(found, key=lambda p: -p.confidence)
        self.walk = walk
        self._show()

    def _painted_already(self, proposal: Proposal) -> bool:
        layer = self.bench.painting.layer
        if layer is None:
            return False
        (top, left), (rows, cols) = proposal.corner, proposal.mask.shape
        there = layer.data[top : top + rows, left : left + cols][proposal.mask] > 0
        return float(there.mean()) > 0.5

    def words(self) -> str:
        """Return which proposal is shown, what it is and how sure."""
        walk, here = self.walk, self.here
        if walk is None or here is None:
            return ""
        size = area_text(self.bench.painting.area_mm2(here.mask, here.corner), self.bench.unit)
        return (
            f"{len(walk.said) + 1} of {len(walk.proposals)}: {KINDS[here.kind].title}, {size}, "
            f"{here.confidence:.0%} sure. Enter accepts, Delete rejects, Backspace goes back, "
            "Escape ends."
        )

    def _show(self) -> None:
        here, viewer = self.here, self.bench.viewer
        if here is None:
            self._finish()
            return
        layer = show_preview(self.bench, Preview(here.mask, here.corner), here.kind)
        layer.mode = "pan_zoom"
        viewer.layers.selection.active = layer
        calls = (self.accept, self.reject, self.back, self.end)
        for key, call in (*zip(_KEYS, calls, strict=True), ("Control-Z", self.back)):
            layer.bind_key(key, _ignoring_argument(call), overwrite=True)
        self._bring_into_view(here)
        self.bench.said.emit(self.words(), False)
        self.changed.emit()

    def _bring_into_view(self, proposal: Proposal) -> None:
        """Move the photo, and magnify it where the proposal would be too small to judge."""
        rows, cols = proposal.mask.shape
        camera, canvas = self.bench.viewer.scene.camera, self.bench.viewer.canvas
        high, wide = (float(x) for x in canvas.size)
        fits = min(high / (2 * rows + 60), wide / (2 * cols + 60))
        camera.center = (
            0.0,
            proposal.corner[0] + rows / 2,
            proposal.corner[1] + cols / 2,
        )
        camera.zoom = float(np.clip(camera.zoom, min(fits, 3.0), min(2 * fits, 4.0)))

    def accept(self) -> None:
        """Paint the proposal that is shown, as one step of undo, and go on to the next."""
        here = self.here
        if here is None or self.walk is None:
            return
        number = self.bench.painting.put_mask(here.mask, here.corner, "suggested", kind=here.kind)
        self._say(True, bool(number))

    def reject(self) -> None:
        """Leave out the proposal that is shown and go on to the next."""
        if self.here is not None:
            self._say(False, False)

    def _say(self, accepted: bool, painted: bool) -> None:
        walk, here = self.walk, self.here
        if walk is None or here is None:
            return
        walk.said.append(accepted)
        walk.painted.append(painted)
        self._show()

    def back(self) -> None:
        """Take back what was said last; what it painted goes too."""
        walk = self.walk
        if walk is None or not walk.said:
            return
        walk.said.pop()
        if walk.painted.pop():
            layer = self.bench.painting.layer
            if layer is not None:
                layer.undo()
                self.bench.painting.count()
        self._show()

    def end(self) -> None:
        """Stop the walk; what was accepted stays."""
        if self.walk is not None:
            self._finish()

    def _finish(self) -> None:
        walk, self.walk = self.walk, None
        remove_owned(self.bench.viewer, "preview")
        layer = find(self.bench.viewer, "defects")
        if layer is not None:
            self.bench.viewer.layers.selection.active = layer
        if walk is not None:
            self._lesson = walk if walk.said else self._lesson
            left = len(walk.proposals) - len(walk.said)
            self.bench.said.emit(
                f"{sum(walk.said)} accepted, {walk.said.count(False)} rejected"
                + (f", {left} not looked at." if left else "."),
                False,
            )
        self.changed.emit()

    def _photo_changed(self) -> None:
        session = self.bench.session
        if self.walk is not None and (session is None or session.file != self.walk.file):
            self.end()


def _taught_by(walk: _Walk) -> tuple[Any, ...]:
    """Return what a walk teaches, as its face is painted now: its photo may be left already."""
    said = list(zip(walk.proposals, walk.said, strict=False))
    painted = None
    if len(walk.said) == len(walk.proposals):
        entry = walk.session.record.photo(walk.file)
        lines = frozenset(d.number for d in entry.defects if KINDS[d.kind].line)
        painted = walk.session.read_images(entry).labels.copy(), lines
    return walk.pixels, walk.outline, walk.mm_per_px, said, painted


def library_search() -> Search | None:
    """Return the library's search for defects; None in a version that has none."""
    from slabvision import segment

    return LibrarySearch() if hasattr(segment, "suggest_defects") else None


class LibrarySearch:
    """The library's search, with what this visit taught it."""

    def __init__(self) -> None:
        self._learner: Any = None
        self._faces: dict[bytes, tuple[Any, Any]] = {}

    @property
    def learner(self) -> Any:
        """What was learned; made when it is first wanted, in the worker."""
        if self._learner is None:
            from slabvision.segment.learner import VisitLearner

            self._learner = VisitLearner()
        return self._learner

    def find(self, pixels: Pixels, outline: Corners, mm_per_px: float | None) -> list[Proposal]:
        """Return proposals inside an outline."""
        from scipy.ndimage import find_objects

        from slabvision.segment import suggest_defects

        labels, table = suggest_defects(pixels, outline, self.learner, mm_per_px=mm_per_px)
        rows = zip(table["number"], table["kind"], table["confidence"], strict=True)
        windows = find_objects(labels, max_label=len(table))
        found = []
        for number, kind, sure in rows:
            window = windows[int(number) - 1]
            if window is not None:
                corner = (window[0].start, window[1].start)
                found.append(Proposal(labels[window] == number, corner, str(kind), float(sure)))
        return found

    def learn(
        self, pixels: Pixels, outline: Corners, mm_per_px: float | None,
        said: Sequence[tuple[Proposal, bool]], painted: Painted | None = None,
    ) -> None:  # fmt: skip
        """Take in what was said: each proposal stands for the piece it covers most of.

        A face that is walked again replaces what it taught before.
        """
        from slabvision.segment.learner import VisitLearner
        from slabvision.segment.suggest import look_over, piece_under
        from slabvision.segment.verdicts import face_verdicts

        view, pieces = look_over(pixels, outline, mm_per_px=mm_per_px)
        if painted is not None:
            taught = pieces.features, face_verdicts(view, pieces, *painted)
        else:
            under = [piece_under(view, pieces, p.mask, p.corner) for p, _ in said]
            known = [(n - 1, accepted) for n, (_, accepted) in zip(under, said, strict=True) if n]
            at = [k for k, _ in known]
            taught = pieces.features[at], np.array([yes for _, yes in known], np.bool_)
        self._faces[outline.tobytes()] = taught
        self._learner = VisitLearner()
        for features, wanted in self._faces.values():
            self._learner.learn(features, wanted)


def _ignoring_argument(call: Callable[[], None]) -> Callable[[Any], None]:
    def bound(_: Any) -> None:
        call()

    return bound
