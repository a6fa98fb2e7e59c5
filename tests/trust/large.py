"""A 48-megapixel photo and a visit of 200 slabs, each command's peak memory printed.

    python -m tests.trust.large --slabs 200

Every command runs in a process of its own and must end well with a resident set of at most 2 GB
at its peak (``ru_maxrss`` of that process). The pictures are invented noise of the right size; the
slabs of the visit share one 12-megapixel photo with forty defects.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

from slabvision.record import Defect, Notebook, Outline, PhotoEntry, SlabRecord, ThicknessReading
from slabvision.store import load_slab, save_slab
from tests.slab_folders import sheet_mark

MOST_BYTES = 2_000_000_000
KINDS = ("sound_knot", "rot", "surface_check", "bark_inclusion")


def photo(path: Path, height: int, width: int) -> Path:
    """Write a JPEG of smooth noise."""
    noise = np.random.default_rng(0).normal(128, 30, (height // 8, width // 8, 3))
    small = Image.fromarray(noise.clip(0, 255).astype(np.uint8))
    small.resize((width, height), Image.Resampling.BICUBIC).save(path, quality=90)
    return path


def annotated(folder: Path, shape: tuple[int, int]) -> None:
    """Save an outline, a reference and forty defects on ``face-a.jpg`` of a folder."""
    height, width = shape
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    wave = 1 + 0.03 * np.sin(9 * turn) + 0.02 * np.sin(23 * turn)
    rows = height * (0.5 + 0.19 * wave * np.sin(turn))
    cols = width * (0.5 + 0.42 * wave * np.cos(turn))
    random = np.random.default_rng(0)
    labels = np.zeros(shape, np.uint16)
    for number in range(1, 41):
        row, col = random.uniform(0.4, 0.6) * height, random.uniform(0.2, 0.8) * width
        half = int(width / 200)
        labels[int(row) - half : int(row) + half, int(col) - half : int(col) + half] = number
    there = np.unique(labels)[1:].tolist()
    unit = width / 4000
    corners = [(1200, 1400), (1200, 2680), (1840, 2680), (1840, 1400)]
    entry = PhotoEntry(
        file="face-a.jpg",
        sha256=hashlib.sha256((folder / "face-a.jpg").read_bytes()).hexdigest(),
        shape=shape,
        role="face A",
        focal_px=3200 * unit,
        marks=[sheet_mark(corners=[(r * unit, c * unit) for r, c in corners])],
        arris=Outline(points=list(zip(rows.tolist(), cols.tolist(), strict=True))),
        defects=[Defect(number=n, kind=KINDS[n % 4]) for n in there],
    )
    book = Notebook(tag="L-1", thickness=[ThicknessReading(mm=52)], invented=True)
    generation = load_slab(folder).generation if (folder / "slab.json").exists() else 0
    record = SlabRecord(photos=[entry], notebook=book, generation=generation)
    save_slab(folder, record, labels={"face-a.jpg": labels})


def visit(place: Path, slabs: int) -> Path:
    """Make a visit of slabs that share their photo and images by hard links."""
    first = place / "visit" / "slab-000"
    first.mkdir(parents=True)
    photo(first / "face-a.jpg", 3000, 4000)
    annotated(first, (3000, 4000))
    text = (first / "slab.json").read_text("utf-8")
    for number in range(1, slabs):
        folder = place / "visit" / f"slab-{number:03d}"
        folder.mkdir()
        for path in first.glob("*.[jp][pn]g"):
            os.link(path, folder / path.name)
        (folder / "slab.json").write_text(text.replace('"L-1"', f'"L-{number + 1}"'), "utf-8")
    return place / "visit"


def run(words: list[str], place: Path) -> bool:
    """Run a command of the program; print its time and peak memory; return whether it held."""
    start = time.monotonic()
    child = os.fork()
    if child == 0:
        os.chdir(place)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.execv(sys.executable, [sys.executable, "-m", "slabvision", *words])
    _, status, used = os.wait4(child, 0)
    peak = used.ru_maxrss * 1024
    held = os.waitstatus_to_exitcode(status) == 0 and peak <= MOST_BYTES
    print(
        f"{'held' if held else 'NOT HELD'}: slabvision {words[0]:8s} "
        f"{peak / 1e6:6.0f} MB, {used.ru_utime + used.ru_stime:6.1f} s of processor time, "
        f"{time.monotonic() - start:6.1f} s by the clock, exit "
        f"{os.waitstatus_to_exitcode(status)}",
        flush=True,
    )
    return held


def main(words: list[str] | None = None) -> int:
    """Run from a shell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--slabs", type=int, default=200)
    known = parser.parse_args(words)
    held = []
    with tempfile.TemporaryDirectory() as place_:
        place = Path(place_)
        photo(place / "face-a.jpg", 6000, 8000)
        print("a photo of 48 megapixels")
        held.append(run(["new", "large", "face-a.jpg"], place))
        annotated(place / "large", (6000, 8000))
        held.append(run(["measure", "large", "--csv", "out", "--picture", "--explain"], place))
        held.append(run(["report", "large", "-o", "large.html"], place))
        print(f"a visit of {known.slabs} slabs, each a 12-megapixel photo with forty defects")
        visit(place, known.slabs)
        held.append(run(["measure", "visit", "--csv", "tables"], place))
        rows = (place / "tables" / "slabs.csv").read_text("utf-8").count("\n") - 1
        print(f"{rows} slabs in the table")
        held.append(run(["report", "visit", "-o", "visit.html"], place))
    print(f"{sum(held)} of {len(held)} commands held {MOST_BYTES / 1e9:g} GB")
    return 0 if all(held) and rows == known.slabs else 1


if __name__ == "__main__":
    sys.exit(main())
