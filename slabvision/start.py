"""Start a slab's record from its photos: parts read from names, printed boards found."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from slabvision.record import BoardMark, PhotoEntry, Role, SlabRecord

__all__ = ["board_mark", "role_from_name", "start_slab"]

_WORDS: tuple[tuple[str, Role], ...] = (
    ("facea", "face A"),
    ("faceb", "face B"),
    ("enda", "end A"),
    ("endb", "end B"),
    ("edge", "edge"),
)


def role_from_name(name: str) -> Role:
    """Return what a photo shows, read from its file name.

    Examples
    --------
    >>> role_from_name("T7_Face-B (2).jpg"), role_from_name("IMG_0412.jpg")
    ('face B', 'other')
    """
    letters = "".join(c for c in Path(name).stem.lower() if c.isalpha())
    for word, role in _WORDS:
        if word in letters:
            return role
    return "other"


def board_mark(entry: PhotoEntry, path: Path) -> BoardMark | None:
    """Return the printed board in a photo as a reference mark, or None where there is none.

    The board's own page says to lay it flat on the face; that is taken as its place.
    """
    from slabvision.board import find_board
    from slabvision.photo import read_photo

    seen = find_board(read_photo(path).pixels)
    if seen is None:
        return None
    taken = {mark.name for mark in entry.marks}
    name = next(n for n in ("board", *(f"board {i}" for i in range(2, 99))) if n not in taken)
    return BoardMark(
        name=name,
        place="face",
        shared="board",
        points=[(float(r), float(c)) for r, c in seen.points],
        mm=[(float(x), float(y)) for x, y in seen.mm],
    )


def start_slab(
    folder: Path | str,
    photos: list[Path],
    *,
    progress: Callable[[list[Path], str], Iterable[Path]] | None = None,
) -> tuple[SlabRecord, list[str]]:
    """Make a slab folder and look for printed boards on its faces.

    Parameters
    ----------
    folder : path
        Made if missing; must not hold a record yet.
    photos : list of path
    progress : callable, optional
        Wraps the list of photos that are looked through.

    Returns
    -------
    SlabRecord
        As saved.
    list of str
        What was found, in words.

    Raises
    ------
    slabvision.photo.PhotoError, slabvision.store.RecordError
        Nothing is made unless every photo can be read.
    """
    from slabvision.store import new_slab, photo_path, save_slab

    record = new_slab(folder, photos, [role_from_name(path.name) for path in photos])
    said = []
    paths = [photo_path(folder, entry) for entry in record.photos]
    changed = record
    for path in progress(paths, "Looking for boards") if progress else paths:
        entry = record.photo(path.name)
        if not entry.role.startswith("face"):
            continue
        mark = board_mark(entry, path)
        if mark is None:
            said.append(f"{entry.file}: no printed board; mark a length of known size")
            continue
        changed = changed.with_photo(entry.model_copy(update={"marks": [*entry.marks, mark]}))
        said.append(
            f"{entry.file}: printed board found ({len(mark.points)} corners), taken to lie flat on "
            "the face; type in its check length"
        )
    return (save_slab(folder, changed) if changed is not record else record), said
