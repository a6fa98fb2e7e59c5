"""The yard sheet: what to photograph, measure and ask at each slab, and what is still missing.

The shot list and the number of stations are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from slabvision.record import SlabRecord
from slabvision.report.markup import Html, Node, el, join
from slabvision.report.page import document
from slabvision.report.words import Unit
from slabvision.text import plain

__all__ = ["Task", "missing_before_leaving", "sheet_page", "tasks_for"]

_STATIONS = 5
_LENGTH_MM = 2440.0
"""Where the length is not known yet, stations are given for a slab of 8 ft."""


@dataclass(frozen=True)
class Task:
    """One line to tick: what to do, whether the record shows it done, and what it is for."""

    group: str
    text: str
    done: bool
    needed: bool = True


def tasks_for(record: SlabRecord, unit: Unit = "in") -> tuple[Task, ...]:
    """Return the whole list for a slab, each line with whether the record shows it done."""
    return (*_shots(record), *_references(record), *_readings(record, unit), *_questions(record))


def missing_before_leaving(record: SlabRecord, unit: Unit = "in") -> tuple[Task, ...]:
    """Return what has to be done yet before leaving the yard, what is needed first."""
    left = [task for task in tasks_for(record, unit) if not task.done]
    return tuple(sorted(left, key=lambda task: not task.needed))


def _shots(record: SlabRecord) -> list[Task]:
    roles = {photo.role for photo in record.photos}
    shots = [
        ("face A", "Face A: the whole slab in the frame, from as square above as you can, with "
                   "the length lying on it; sweep dust and stickers off first", True),
        ("face B", "Face B: turned over or from below, the same way", True),
        ("end A", "End A: plane a strip 1 in wide across it, wet it, fill the frame, square on",
         True),
        ("end B", "End B: the same", True),
        ("edge", "One edge: the whole length, camera level with the slab, a straight line "
                 "(string, straightedge) beside it", False),
    ]  # fmt: skip
    tasks = [Task("Photos", text, role in roles, needed) for role, text, needed in shots]
    tasks.append(
        Task("Photos", "Close-ups of rot, metal stain and large checks, with a rule in the photo",
             "other" in roles, False)
    )  # fmt: skip
    return tasks


def _references(record: SlabRecord) -> list[Task]:
    faces = [p for p in record.photos if p.role.startswith("face")]
    marked = bool(faces) and all(p.marks for p in faces)
    both_ways = bool(faces) and all(
        any(m.type in ("board", "rectangle", "square") for m in p.marks)
        or sum(m.type in ("length", "tape") for m in p.marks) > 1
        for p in faces
    )
    boards = [m for p in faces for m in p.marks if m.type == "board"]
    tasks = [
        Task("Where to lay the tape", "One tape along the middle of the face from end A, flat on "
             "the wood, hook over the end, numbers up; nothing that stands off the face reads "
             "true", marked),
        Task("Where to lay the tape", "A second tape or a square across, a third of the way along: "
             "together they tell how the camera was tilted; or the printed board flat on the face",
             both_ways),
    ]  # fmt: skip
    if boards or not faces:
        tasks.append(
            Task(
                "Where to lay the tape",
                "If you use the printed board: read its check length with a steel rule: ______",
                any(b.check_length_mm for b in boards),
                bool(boards),
            )
        )
    return tasks


def _readings(record: SlabRecord, unit: Unit) -> list[Task]:
    from slabvision.clear.strike import length_words

    book = record.notebook
    long = _length_mm(record)
    at = np.linspace(0.1, 0.9, _STATIONS) * long
    places = ", ".join(length_words(float(x), unit) for x in at)
    thick_at = {r.station_mm for r in book.thickness if r.station_mm is not None}
    wet = [r for r in book.moisture if not r.surface_wet]
    depths = {r.depth_mm for r in wet if r.depth_mm is not None}
    flat = book.flatness
    middle = ", ".join(length_words(x, unit) for x in (0.25 * long, 0.5 * long, 0.75 * long))
    known = "" if _knows_length(record) else " (for a slab of 8 ft: scale to yours)"
    return [
        Task("Thickness", f"Caliper at {places} from end A, on both edges{known}",
             len(thick_at) >= 3),
        Task("Thickness", "Write down the thinnest place you can find, with its distance from "
             "end A", len(book.thickness) >= 4, False),
        Task("Flatness", "Straightedge or string along the face: the greatest gap is the bow",
             flat.bow_mm is not None),
        Task("Flatness", "Straightedge across at the widest place: the greatest gap is the cup",
             flat.cup_mm is not None),
        Task("Flatness", "Winding sticks at both ends: how far they are out over the width is the "
             "twist", flat.twist_mm is not None),
        Task("Moisture", f"Meter set to the species at {middle} from end A{known}, not within a "
             "foot of an end, not on a wet face", len(wet) >= 3),
        Task("Moisture", "At each place twice: near the surface, and at a quarter of the thickness",
             len(depths) >= 2, False),
        Task("Moisture", "Note the meter's kind and setting, and the temperature of the wood",
             bool(wet) and all(r.meter for r in wet), False),
    ]  # fmt: skip


def _knows_length(record: SlabRecord) -> bool:
    return any(r.station_mm for r in record.notebook.thickness)


def _length_mm(record: SlabRecord) -> float:
    stations = [r.station_mm for r in record.notebook.thickness if r.station_mm is not None]
    return max(stations) / 0.9 if stations else _LENGTH_MM


def _questions(record: SlabRecord) -> list[Task]:
    book, claim = record.notebook, record.notebook.claim
    return [
        Task("Ask and write down", "Tag number", bool(book.tag)),
        Task("Ask and write down", "Species, and who says so", bool(book.species)),
        Task("Ask and write down", "Log number and place in the log (sister slabs)",
             bool(book.log_number), False),
        Task("Ask and write down", "Board feet on the tag", claim.board_feet is not None),
        Task("Ask and write down", "The rule behind the tag's board feet: where the width "
             "is taken, what is rounded, bark in or out", bool(claim.rule)),
        Task("Ask and write down", "Price, and per what", claim.price is not None),
        Task("Ask and write down", "Moisture the seller states; kiln or air; when it was sawn",
             claim.moisture_percent is not None),
        Task("Ask and write down", "Where the tree stood, and whether it was scanned for metal",
             bool(book.place or book.note), False),
    ]  # fmt: skip


# The page -------------------------------------------------------------------------------------


def sheet_page(
    slabs: Sequence[tuple[str, SlabRecord]], unit: Unit = "in", *, blank: int = 0
) -> str:
    """Return the sheets of several slabs as one document, one printed page each.

    Parameters
    ----------
    slabs : sequence of (str, SlabRecord)
        Name of the folder, and the record as it stands.
    unit : {"in", "mm"}
    blank : int
        So many empty sheets more, for slabs nobody has seen yet.
    """
    sheets = [(name, record) for name, record in slabs]
    sheets += [("", SlabRecord()) for _ in range(blank)]
    bodies = [_one(name, record, unit, number) for number, (name, record) in enumerate(sheets)]
    return document(
        "Yard sheet", *bodies, subtitle="Tick on paper. A filled box: the record has it already."
    )


def _one(name: str, record: SlabRecord, unit: Unit, number: int) -> Html:
    book = record.notebook
    seen = bool(record.photos)
    title = plain(book.tag) or plain(name) or "__________"
    blocks: list[Node] = [el("h2", f"Slab {title}", class_="first")]
    if book.invented:
        blocks.append(el("p", el("span", "Invented demonstration data", class_="flag")))
    if seen:
        left = missing_before_leaving(record, unit)
        needed = [task for task in left if task.needed]
        blocks.append(el("h3", "Still missing before you leave the yard"))
        if needed:
            blocks.append(_list(needed))
        else:
            blocks.append(el("p", "Nothing that is needed."))
        rest = [task for task in left if not task.needed]
        if rest:
            blocks += [el("h3", "Would help"), _list(rest)]
        done = [task for task in tasks_for(record, unit) if task.done]
        if done:
            blocks += [el("h3", "In the record"), _list(done)]
    else:
        blocks.append(_lines())
        groups: dict[str, list[Task]] = {}
        for task in tasks_for(record, unit):
            groups.setdefault(task.group, []).append(task)
        for group, tasks in groups.items():
            blocks += [el("h3", group), _list(tasks)]
    blocks.append(_reminder())
    return el("article", *blocks, class_="sheet first" if number == 0 else "sheet")


def _list(tasks: Sequence[Task]) -> Html:
    items = []
    for task in tasks:
        state = "" if task.done or task.needed else " (if you can)"
        items.append(el("li", task.text, el("span", state, class_="sub") if state else None,
                        class_="done" if task.done else None))  # fmt: skip
    return el("ul", *items, class_="boxes")


def _lines() -> Html:
    blanks = ("Tag", "Species", "Length", "Widths", "Thickness", "Moisture", "Price")
    items = [join([f"{what} ", el("span", " ", class_="write"), "  "]) for what in blanks]
    return el("p", *items)


def _reminder() -> Html:
    from slabvision.trade.cautions import cautions_for

    lines = [f"{c.title}: {c.short}" for c in cautions_for(["haul", "cost"])]
    return el("div", el("h3", "Mind"), el("ul", *(el("li", line) for line in lines)),
              class_="caution")  # fmt: skip
