"""Step 6, findings: what is clear, how sure that is, what fits into it; tables."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QFileDialog, QGridLayout, QLabel, QVBoxLayout, QWidget

from napari_slabvision._findings_layers import clear_overlay, finding_layers
from napari_slabvision._jobs import Task
from napari_slabvision._owned import find, fit_to_zoom, owned, remove_owned, role_of
from napari_slabvision._parts import LengthEdit, Message, button, form, hint, row
from napari_slabvision._photo_layers import LayerTuple, role_of_tuple
from napari_slabvision._showing import refill_drawn, same_shapes

if TYPE_CHECKING:
    from napari_slabvision._bench import Bench
    from slabvision.findings import FaceFindings, Findings

__all__ = ["FindingsStep", "finding_rows"]


def finding_rows(findings: Findings, face: FaceFindings | None, unit: Any) -> list[tuple[str, str]]:
    """Return what was found as pairs of name and words, in the order a buyer asks."""
    from slabvision.show import area_words, board_feet_words, length_words

    rows = []
    if face is not None:
        rows += [
            ("gross, arris", area_words(face.gross_area_mm2, unit)),
            ("clear, as seen", area_words(face.as_seen_mm2, unit)),
            ("clear, with keep-outs", area_words(face.keep_outs_mm2, unit)),
        ]
        if face.not_seen_mm2.determined and face.not_seen_mm2.estimate.value > 0:
            rows.append(("if unseen is clear", area_words(face.if_unseen_clear_mm2, unit)))
    through = findings.through_mm2
    rows.append(
        (
            "clear through",
            area_words(through, unit) if through.determined else through.estimate.reason,
        )
    )
    if face is not None:
        rows += [
            ("length", length_words(face.length_mm, unit)),
            ("mean width", length_words(face.mean_width_mm, unit)),
            ("greatest width", length_words(face.max_width_mm, unit)),
        ]
    rows += [
        ("thickness", length_words(findings.thickness_mm, unit, sixteenths=1)),
        ("board feet, gross", board_feet_words(findings.gross_mm3)),
        ("board feet, clear", board_feet_words(findings.clear_mm3)),
    ]
    claim = findings.record.notebook.claim.board_feet
    if claim is not None:
        rows.append(("board feet, the tag", f"{claim:g}"))
    return rows


class FindingsStep(QWidget):
    """Numbers with intervals, layers of what is clear and what fits, export."""

    title = "Findings"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self._extras: dict[str, Any] = {}
        self._sizes: dict[str, Any] = {}
        self._placed: Any = None
        self.said = Message()
        self.table = QWidget()
        self._grid = QGridLayout(self.table)
        self._grid.setContentsMargins(2, 2, 2, 2)
        self._grid.setHorizontalSpacing(8)
        self._grid.setVerticalSpacing(3)
        self._grid.setColumnStretch(1, 1)
        self._labels: list[tuple[QLabel, QLabel]] = []
        self.shown: list[tuple[str, str]] = []
        self.fits = hint()
        self.part_length = LengthEdit(lambda: bench.unit, "length, 72 in")
        self.part_width = LengthEdit(lambda: bench.unit, "width, 20 in")
        self.notes = hint()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(5)
        for widget in (
            self.said,
            self.table,
            hint("In brackets: 19 times of 20 the truth lies between these."),
            row(
                button("Largest circle", lambda: self.fit("circle")),
                button("Largest rectangle", lambda: self.fit("rectangle")),
            ),
            self.fits,
            form(("part", row(self.part_length, self.part_width))),
            row(
                button("Does it fit?", lambda: self.fit_part(round_part=False), "Length on grain"),
                button("As a round?", lambda: self.fit_part(round_part=True), "First size across"),
            ),
            row(
                button("Show on photo", self.draw, "Clear wood and keep-outs as layers"),
                button("Hide", self.hide_layers),
            ),
            self.notes,
            button("Export tables…", self.ask_export, "CSV and pictures; saves the slab first"),
        ):
            layout.addWidget(widget)
        bench.measuring.findings_changed.connect(self._forget)
        bench.slab_changed.connect(self._forget)
        bench.photo_changed.connect(self._forget)
        bench.unit_changed.connect(self._show)
        bench.record_changed.connect(self._out_of_date)

    # Numbers ---------------------------------------------------------------------------------

    def _forget(self) -> None:
        # What fitted before need not fit now.
        self._extras, self._sizes, self._placed = {}, {}, None
        self._show()

    def _out_of_date(self, _: str) -> None:
        if self.bench.measuring.findings is not None:
            self.said.say("Changed since: measuring again…")

    def _show(self) -> None:
        measuring = self.bench.measuring
        findings, face = measuring.findings, measuring.face
        self.said.say(measuring.findings_why, warn=True)
        rows = finding_rows(findings, face, self.bench.unit) if findings else []
        self._show_rows(rows)
        notes = [*findings.notes, *(face.notes if face else ())] if findings else []
        self.notes.setText("\n".join(f"•  {note}" for note in dict.fromkeys(notes)))
        if findings is not None and face is None and not measuring.findings_why:
            self.said.say("This photo is no measured face; the slab's numbers stand below.")
        self._say_fits()
        if findings is not None and self._layers_shown:
            self.draw()

    def _show_rows(self, rows: list[tuple[str, str]]) -> None:
        self.shown = rows
        while len(self._labels) < len(rows):
            # Broken by hand: a grid gives labels that wrap by themselves too little height.
            pair = (QLabel(), QLabel())
            for column, label in enumerate(pair):
                self._grid.addWidget(label, len(self._labels), column)
            self._labels.append(pair)
        for index, pair in enumerate(self._labels):
            name, words = rows[index] if index < len(rows) else ("", "")
            pair[0].setText(textwrap.fill(name, 12))
            pair[1].setText(textwrap.fill(words, 30))
            pair[1].setStyleSheet("font-weight: bold;" if name.startswith("clear, with") else "")
            for label in pair:
                label.setVisible(index < len(rows))
        self.table.setVisible(bool(rows))

    # Layers ----------------------------------------------------------------------------------

    _layers_shown = False

    def draw(self) -> None:
        """Show clear wood, keep-outs and what fits as layers."""
        face, extras = self.bench.measuring.face, dict(self._extras)
        self._layers_shown = True
        if face is None:
            # An end or an edge has no face to draw: measuring again would not bring one.
            if self.bench.measuring.findings is None:
                self.bench.measuring.measure_now()
            return
        self.bench.jobs.start(
            "draw findings",
            "drawing what is clear",
            lambda _: [clear_overlay(face), *finding_layers(face, extras)],
            lambda made: self._drawn(face, made),
            lambda error: self.bench.said.emit(str(error), True),
        )

    def _drawn(self, face: FaceFindings, made: list[LayerTuple]) -> None:
        session, viewer = self.bench.session, self.bench.viewer
        if session is None or session.file != face.photo or not self._layers_shown:
            return
        active = viewer.layers.selection.active
        wanted = {role_of_tuple(each) for each in made}
        for layer in owned(viewer):
            role = role_of(layer)
            if role.startswith("finding:") and role not in wanted:
                remove_owned(viewer, role)
        self._put_next(face, made, active)

    def _put_next(self, face: FaceFindings, made: list[LayerTuple], active: Any) -> None:
        """Show one layer now and the others after it: napari takes long over each."""
        session, viewer = self.bench.session, self.bench.viewer
        if session is None or session.file != face.photo or not self._layers_shown:
            return
        if made:
            self._put(made[0])
        if active is not None and active in viewer.layers:
            viewer.layers.selection.active = active
        if made[1:]:
            QTimer.singleShot(0, lambda: self._put_next(face, made[1:], active))

    def _put(self, made: LayerTuple) -> None:
        data, arguments, kind = made
        viewer = self.bench.viewer
        layer = find(viewer, role_of_tuple(made))
        if layer is None:
            self.bench.add(data, arguments, kind).editable = False
        elif kind == "labels":
            layer.data = data
            layer.visible = True
        else:
            if not same_shapes(layer, data):
                refill_drawn(layer, data, arguments, kind)
                fit_to_zoom(layer, float(viewer.scene.camera.zoom))
            layer.visible = arguments["visible"]

    def hide_layers(self) -> None:
        """Take the layers of findings out of sight."""
        self._layers_shown = False
        for layer in owned(self.bench.viewer):
            if role_of(layer).startswith("finding:"):
                layer.visible = False

    def fit(self, what: str) -> None:
        """Find the largest circle or rectangle in the clear wood, with its interval."""
        face = self.bench.measuring.face
        if face is None:
            self.bench.said.emit("Nothing is measured yet.", False)
            return
        self.bench.jobs.start(
            f"fit {what}",
            f"fitting the largest {what}",
            lambda task: (what, *fitted(face, what, task)),
            self._fitted,
            lambda error: self.bench.said.emit(str(error), True),
        )

    def fit_part(self, *, round_part: bool) -> None:
        """Say whether a wanted part fits on the clear wood, and show the best place for it."""
        face = self.bench.measuring.face
        if face is None:
            self.bench.said.emit("Nothing is measured yet.", False)
            return
        try:
            size = [self.part_length.read()] + ([] if round_part else [self.part_width.read()])
        except ValueError as error:
            self.bench.said.emit(f"Size of the part: {error}", True)
            return
        self.bench.jobs.start(
            "fit part",
            "looking for a place",
            lambda _: placed_part(face, size),
            self._part_placed,
            lambda error: self.bench.said.emit(str(error), True),
        )

    def _part_placed(self, found: Any) -> None:
        if found is None:
            self.bench.said.emit("Nothing is clear: no part fits.", True)
            return
        self._extras["parts"] = found.polygon
        self._placed = found
        self._say_fits()
        self.draw()

    def _fitted(self, outcome: tuple[str, Any, dict[str, Any]]) -> None:
        what, shape, sizes = outcome
        if shape is None:
            self.bench.said.emit(f"No {what} fits: nothing is clear.", False)
            return
        self._extras[what] = shape
        self._sizes |= sizes
        self._say_fits()
        self.draw()

    def _say_fits(self) -> None:
        from slabvision.show import length_words

        unit = self.bench.unit
        lines = [f"{name}: {length_words(b, unit)}" for name, b in self._sizes.items()]
        lines += [f"part: {self._placed.words(unit)}"] if self._placed is not None else []
        self.fits.setText("\n".join(lines))
        self.fits.setVisible(bool(lines))

    # Export ----------------------------------------------------------------------------------

    def ask_export(self) -> None:
        """Ask for a folder and write tables and pictures there."""
        if self.bench.session is None:
            return
        folder = QFileDialog.getExistingDirectory(self, "Folder for the tables")
        if folder:
            self.bench.saving.export(Path(folder))


def placed_part(face: FaceFindings, size: list[float]) -> Any:
    """Return the best place of a part: one size is a round, two are length and width, mm."""
    from slabvision.clear.parts import RectPart, RoundPart, best_placement

    part = RoundPart(size[0]) if len(size) == 1 else RectPart(size[0], size[1])
    return best_placement(face.region, part, face.view.worlds)


def fitted(face: FaceFindings, what: str, task: Task) -> tuple[Any, dict[str, Any]]:
    """Return the largest circle or rectangle (mm on the face) and its sizes as budgets."""
    from slabvision.face import sized

    region, worlds = face.region, face.view.worlds
    if what == "circle":
        from slabvision.clear.circle import circle_size, largest_circle

        circle = largest_circle(region.with_keep_outs)
        if circle is None:
            return None, {}
        task.go_on("how sure its size is")
        return circle.polygon, {"circle, diameter": sized(circle_size(region, circle, worlds))}
    from slabvision.clear.rectangle import largest_rectangle, rectangle_size

    box = largest_rectangle(region.with_keep_outs)
    if box is None:
        return None, {}
    task.go_on("how sure its size is")
    size = rectangle_size(region, box, worlds)
    return box.polygon, {
        "rectangle, length": sized(size.length_mm),
        "rectangle, width": sized(size.width_mm),
    }
