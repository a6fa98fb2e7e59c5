"""Every reader of the program, with what writes a spoiled input for it and what it may raise."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from tests.trust import record_corpus as corpus
from tests.trust.mutation import (
    HOSTILE_NUMBERS,
    HOSTILE_TEXT,
    Random,
    nudge_tree,
    spoil_bytes,
    spoil_head,
    spoil_json,
    spoil_text,
    spoil_tree,
)
from tests.trust.outputs import check_csv, check_html
from tests.trust.photo_corpus import good_photos, spoiled_photo


@dataclass(frozen=True)
class Reader:
    """One reader under test.

    Attributes
    ----------
    name : str
    share : float
        Its part of all inputs.
    write : callable
        Writes one input into an empty folder.
    read : callable
        Reads it and checks what came out; returns one word for the count.
    errors : callable
        Returns the named errors it may end in.
    """

    name: str
    share: float
    write: Callable[[Random, Path], None]
    read: Callable[[Path], str]
    errors: Callable[[], tuple[type[Exception], ...]]


BOMBS = 0.02
"""Share of the photos that are bombs; they are what takes time."""


# Photos ------------------------------------------------------------------------------------------


def _write_photo(random: Random, folder: Path) -> None:
    suffix, data, whole = spoiled_photo(random, bombs=BOMBS)
    (folder / f"photo{suffix}").write_bytes(data)
    if whole:
        (folder / "whole").write_text(whole, "utf-8")


def _read_photo(folder: Path) -> str:
    from slabvision.photo import PhotoError, read_header, read_photo, read_thumbnail

    (path,) = folder.glob("photo*")
    with contextlib.suppress(PhotoError):
        small = read_thumbnail(path, 64)
        assert max(small.shape[:2]) <= 64
        assert small.dtype == np.uint8
    header = read_header(path)
    photo = read_photo(path, allow_panorama=True)
    assert photo.pixels.shape == (*header.shape, 3)
    assert photo.pixels.dtype == np.uint8
    assert header.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert header.camera.focal_px is None or 0 < header.camera.focal_px < math.inf
    marker = folder / "whole"
    if marker.exists():  # only its name is wrong: the pixels must be those under the right name
        known = folder / "known"
        known.write_bytes(good_photos()[marker.read_text("utf-8")])
        assert (read_photo(known, allow_panorama=True).pixels == photo.pixels).all()
    return "pixels"


def _photo_errors() -> tuple[type[Exception], ...]:
    from slabvision.photo import PhotoError

    return (PhotoError,)


# Records -----------------------------------------------------------------------------------------


def _spoiled_record(random: Random) -> bytes:
    text = corpus.record_text(int(random.integers(0, 10)))
    if random.random() < 0.25:
        return spoil_json(text, random)
    tree = json.loads(text)
    if random.random() < 0.3:
        tree = nudge_tree(tree, random)
    elif random.random() < 0.4:  # notebook values only
        tree["notebook"] = spoil_tree(tree["notebook"], random)
    else:
        tree = spoil_tree(tree, random)
    return json.dumps(tree, ensure_ascii=bool(random.integers(0, 2))).encode(
        "utf-8", "surrogatepass"
    )


def _write_record(random: Random, folder: Path) -> None:
    (folder / "slab.json").write_bytes(_spoiled_record(random))


def _read_record(folder: Path) -> str:
    from slabvision.store import load_slab, save_slab

    before = (folder / "slab.json").read_bytes()
    record = load_slab(folder)
    assert (folder / "slab.json").read_bytes() == before
    saved = save_slab(folder, record)
    assert load_slab(folder) == saved
    assert saved.photos == record.photos
    assert saved.notebook == record.notebook
    for entry in record.photos:
        assert (folder / entry.file).resolve().parent == folder.resolve()
    return "record"


def _record_errors() -> tuple[type[Exception], ...]:
    from slabvision.measure import MeasureError
    from slabvision.store import RecordError

    return (RecordError, MeasureError)


def _write_folder(random: Random, folder: Path) -> None:
    change = spoil_tree if random.random() < 0.2 else nudge_tree
    tree = change(json.loads(corpus.record_text(int(random.integers(0, 10)))), random)
    corpus.write_folder(folder / "slab", json.dumps(tree).encode("utf-8", "surrogatepass"))


def _read_measured(folder: Path) -> str:
    from slabvision.measure import measure_slab
    from slabvision.report.page import slab_report
    from slabvision.tables import TABLES, csv_bytes

    found = measure_slab(folder / "slab", draws=40)
    for budget in (found.gross_mm3, found.clear_mm3, found.through_mm2):
        value = budget.estimate.value
        assert math.isfinite(value) if budget.determined else math.isnan(value)
    for make in TABLES.values():
        check_csv(csv_bytes(make([found], "in")))
    if hashlib.sha256((folder / "slab" / "slab.json").read_bytes()).digest()[0] < 25:
        check_html(slab_report(found, "mm", side_px=200))  # one in ten: pictures take a second
        return "page"
    return "findings"


def _write_labels(random: Random, folder: Path) -> None:
    corpus.write_folder(folder, b"")
    tree = json.loads(corpus.record_text(0))
    for kind in ("labels", "zones"):
        if random.random() < 0.4:
            continue
        ref = tree["photos"][0][kind]
        path = folder / ref["file"]
        data = path.read_bytes()
        if random.random() < 0.3:
            data = good_photos()[str(random.choice(list(good_photos())))]
        elif random.random() < 0.9:
            data = (spoil_bytes if random.random() < 0.5 else spoil_head)(data, random)
        path.write_bytes(data)
        if random.random() < 0.8:  # a record that lies in step with the image
            ref["sha256"] = hashlib.sha256(data).hexdigest()
        if random.random() < 0.1:
            path.unlink()
    (folder / "slab.json").write_text(json.dumps(tree), "utf-8")


def _read_labels(folder: Path) -> str:
    from slabvision.store import load_slab, read_labels, read_zones

    entry = load_slab(folder).photos[0]
    zones, labels = read_zones(folder, entry), read_labels(folder, entry)
    assert labels.shape == zones.shape == entry.shape
    assert (labels.dtype, zones.dtype) == (np.uint16, np.uint8)
    return "images"


# Tables and lists --------------------------------------------------------------------------------


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool) or value is None:
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    return repr(value)


def _write_wanted(random: Random, folder: Path) -> None:
    if random.random() < 0.4:
        data = spoil_bytes(corpus.WANTED.encode(), random)
    elif random.random() < 0.1:
        depth = int(random.choice([50, 2_000, 100_000]))
        data = f"part = {'[' * depth}{']' * depth}\n".encode()
    else:
        change = spoil_tree if random.random() < 0.5 else nudge_tree
        tree = change(tomllib.loads(corpus.WANTED), random)
        data = "".join(f"{_toml(k)} = {_toml(v)}\n" for k, v in tree.items()).encode()
    (folder / "wanted.toml").write_bytes(data)


def _read_wanted(folder: Path) -> str:
    from slabvision.desk.wanted import read_wanted

    wanted = read_wanted(folder / "wanted.toml")
    assert all(0 < part.thickness <= 20_000 for part in wanted.part)
    assert len(set(wanted.names)) == len(wanted.part) >= 1
    return "parts"


def _wanted_errors() -> tuple[type[Exception], ...]:
    from slabvision.desk.wanted import WantedError

    return (WantedError,)


def _spoiled_table(text: str, random: Random) -> bytes:
    if random.random() < 0.4:
        return spoil_bytes(text.encode(), random)
    lines = text.splitlines()
    for _ in range(int(random.integers(1, 4))):
        at = int(random.integers(0, len(lines)))
        cells = lines[at].split(",")
        value = (
            str(random.choice(HOSTILE_TEXT))
            if random.random() < 0.5
            else str(HOSTILE_NUMBERS[random.integers(0, len(HOSTILE_NUMBERS))])
        )
        cells[random.integers(0, len(cells))] = value * int(random.choice([1, 1, 1, 9_000]))
        lines[at] = ",".join(cells)
    return "\r\n".join(lines).encode("utf-8", "surrogatepass")


def _write_species(random: Random, folder: Path) -> None:
    (folder / "species.csv").write_bytes(_spoiled_table(corpus.species_text(), random))


def _read_species(folder: Path) -> str:
    from slabvision.trade.species_table import PROPERTIES, read_species

    for row in read_species(folder / "species.csv").values():
        for name, value in row.values.items():
            low, high = PROPERTIES[name]
            assert low <= value.value <= high
            assert value.source
    return "species"


def _species_errors() -> tuple[type[Exception], ...]:
    from slabvision.trade.species_table import SpeciesTableError

    return (SpeciesTableError,)


def _write_taped(random: Random, folder: Path) -> None:
    (folder / "taped.csv").write_bytes(_spoiled_table(corpus.TAPED, random))


def _read_taped(folder: Path) -> str:
    from slabvision.desk.field_check import read_by_hand

    for hand in read_by_hand(folder / "taped.csv"):
        assert hand.what in ("length", "width")
        assert 0 < hand.measured_mm <= 100_000
    return "lines"


def _taped_errors() -> tuple[type[Exception], ...]:
    from slabvision.desk.field_check import FieldCheckError

    return (FieldCheckError,)


def _write_kept(random: Random, folder: Path) -> None:
    from slabvision.desk.visit import ResultsKept, SlabRows

    corpus.write_folder(folder / "slab", corpus.record_text(0).encode())
    kept = ResultsKept(folder / "kept", "in", 8)
    rows = {name: [{"slab": "slab", "n": 1.5}] for name in _table_names()}
    draws = {name: (1.0, np.ones(8)) for name in _total_names()}
    kept.put(SlabRows(str(folder / "slab"), rows, draws, 480.0))
    (path,) = (folder / "kept").iterdir()
    text = path.read_text("utf-8")
    if random.random() < 0.4:
        path.write_bytes(spoil_json(text, random))
    else:
        path.write_text(json.dumps(spoil_tree(json.loads(text), random)), "utf-8")


def _table_names() -> list[str]:
    from slabvision.tables import TABLES

    return list(TABLES)


def _total_names() -> list[str]:
    from slabvision.desk.visit import TOTALS

    return list(TOTALS)


def _read_kept(folder: Path) -> str:
    from slabvision.desk.visit import ResultsKept, Visit, totals_rows
    from slabvision.tables import csv_bytes

    found = ResultsKept(folder / "kept", "in", 8).get(folder / "slab")
    if found is None:
        return "made again"
    visit = Visit((found,), (), "in")
    totals_rows(visit)
    for table in visit.tables().values():
        check_csv(csv_bytes(table))
    return "result"


# What is typed -----------------------------------------------------------------------------------


def _write_length(random: Random, folder: Path) -> None:
    if random.random() < 0.3:  # a length whose value is known
        whole, part = int(random.integers(0, 400)), Fraction(int(random.integers(1, 16)), 16)
        text, mm = f"{whole} {part} in", float((whole + part) * Fraction(254, 10))
    else:
        good = (
            "48 1/2 in",
            "4' 1/2\"",
            "4 ft 6 in",
            "1230 mm",
            "1,23 m",
            "27½ in",
            "8/4",
            "12 ± 1",
        )
        text, mm = spoil_text(str(random.choice(good)), random), 0.0
    (folder / "typed.json").write_text(json.dumps([text, mm]), "utf-8")


def _read_length(folder: Path) -> str:
    from slabvision import cli_trade_words as typed
    from slabvision.units import BadLengthError, parse_length_mm

    text, known_mm = json.loads((folder / "typed.json").read_text("utf-8"))
    for read in (typed.length, typed.number, typed.signed_mm, typed.temperature_c,
                 typed.weight_kg):  # fmt: skip
        with contextlib.suppress(ValueError):
            answer: Any = read(text, "in", "typed")
            assert math.isfinite(float(getattr(answer, "value", answer)))
    if not known_mm:
        with contextlib.suppress(BadLengthError):
            assert 0 < parse_length_mm(text) <= 100_000
    mm = parse_length_mm(text, default_unit="in")
    assert 0 < mm <= 100_000
    assert not known_mm or abs(mm - known_mm) < 1e-6
    return "length"


def _length_errors() -> tuple[type[Exception], ...]:
    from slabvision.units import BadLengthError

    return (BadLengthError,)


# The whole program -------------------------------------------------------------------------------

_TRADE = (
    ["trade", "board-feet", "--length", "{}", "--width", "26", "--thickness", "{}", "--tag", "4"],
    ["trade", "species", "{}"],
    ["trade", "weight", "walnut", "--length", "96", "--width", "{}", "--thickness", "2",
     "--moisture", "{}"],
    ["trade", "haul", "walnut; 96; {}; 2; 12; log {}"],
    ["trade", "cost", "--price", "{}", "--board-feet", "{}"],
)  # fmt: skip


def _write_command(random: Random, folder: Path) -> None:
    (folder / "visit").mkdir()
    _write_folder(random, folder / "visit")
    _write_wanted(random, folder)
    _write_taped(random, folder)
    suffix, data, _ = spoiled_photo(random, bombs=0)
    name = str(random.choice(["face-a", ".hidden", "nul", "a b ", "=1+1", "\u202ex", "<b>"]))
    photo = folder / f"{name}{suffix}"
    photo.write_bytes(data)
    slab, out = str(folder / "visit" / "slab"), str(folder / "out")
    commands = [
        ["measure", slab, "--csv", out, "--explain"],
        ["measure", slab, "--csv", out, "--picture"],
        ["measure", str(folder / "visit"), "--csv", out],
        ["new", str(folder / "made"), str(photo)],
        ["new", str(folder / "made"), str(photo), str(photo)],
        ["sheet", slab, "-o", out + ".html"],
        ["choose", slab, "--wanted", str(folder / "wanted.toml"), "--no-rings", "--seconds", "1"],
        ["check", slab, "--by-hand", str(folder / "taped.csv")],
        ["measure", str(photo)],
        ["report", slab, "-o", str(folder / "missing" / "out.html")],
        *_TRADE,
        *_TRADE,
    ]
    chosen = commands[random.integers(0, len(commands))]
    values = (*HOSTILE_TEXT, *map(repr, HOSTILE_NUMBERS), "96", "12 ± 2")
    words = [w.replace("{}", values[random.integers(0, len(values))]) for w in chosen]
    (folder / "words.json").write_text(json.dumps(words), "utf-8")


def _read_command(folder: Path) -> str:
    from slabvision.cli import app

    words = json.loads((folder / "words.json").read_text("utf-8"))
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            app(words)
        code: Any = 0
    except SystemExit as end:
        code = end.code
    said = out.getvalue() + err.getvalue()
    assert "Traceback" not in said
    assert code in (0, None, 1, 2), code
    assert code in (0, None) or said.strip(), "failed without a word"
    for path in folder.rglob("out/*.csv"):
        check_csv(path.read_bytes())
    for path in folder.glob("*.html"):
        check_html(path.read_text("utf-8"))
    return f"exit {code or 0}"


def _none() -> tuple[type[Exception], ...]:
    return ()


READERS = {
    reader.name: reader
    for reader in (
        Reader("photo", 0.30, _write_photo, _read_photo, _photo_errors),
        Reader("slab.json", 0.20, _write_record, _read_record, _record_errors),
        Reader("slab folder measured", 0.04, _write_folder, _read_measured, _record_errors),
        Reader("label images", 0.10, _write_labels, _read_labels, _record_errors),
        Reader("wanted.toml", 0.10, _write_wanted, _read_wanted, _wanted_errors),
        Reader("species table", 0.06, _write_species, _read_species, _species_errors),
        Reader("taped by hand", 0.04, _write_taped, _read_taped, _taped_errors),
        Reader("kept results", 0.04, _write_kept, _read_kept, _none),
        Reader("typed values", 0.08, _write_length, _read_length, _length_errors),
        Reader("command line", 0.04, _write_command, _read_command, _none),
    )
}
