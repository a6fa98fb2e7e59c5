"""Count how often a slab's intervals hold the truth, through the ordinary pipeline.

Each case is a slab from the renderer's log, a reference laid on or beside it, a phone held over
it, and a person who clicks, draws, reads a calliper and fills in a record;
:func:`slabvision.measure.measure_record` then measures it like any other. Pixels are not
rendered, for nothing after the marks looks at them.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import itertools
import math
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from slabvision.defects import THICK_MM
from slabvision.estimate import Estimate, named_rng
from slabvision.findings import Findings
from slabvision.record import Flatness, Notebook, PhotoEntry, SlabRecord, ThicknessReading
from slabvision.scene.camera import LENSES
from slabvision.study.slab_photo import BANDS, DISTANCES, REFERENCES, Setup, Taken, photograph
from slabvision.study.true_slab import TrueFace, taped_length, true_face, true_sizes
from slabvision.units import BOARD_FOOT_MM3

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["QUANTITIES", "SETUPS", "run", "setups_of", "simulate"]

Floats: TypeAlias = NDArray[np.float64]

QUANTITIES = (
    "length", "gross area", "clear area as seen", "clear area with keep-outs", "largest circle",
    "largest rectangle", "board feet", "defect area", "check length",
)  # fmt: skip

SETUPS = tuple(
    Setup(reference, band, lens)
    for band, lens, reference in itertools.product(BANDS, LENSES, REFERENCES)
)
"""Every combination of reference, tilt and lens; the two distances take turns in each."""

_SELDOM = ("one tape", "tape on the ground", "tape on the ground, not said")
"""A single tape leaves most sizes open: it comes in every sixth round only, and what nobody said
in every third."""
_LAID_OUT = 1 / 3
"""Share of the photos on which circle and rectangle are sought too: they take the most time."""

_LOOKS = ("walnut", "plane", "oak", "elm", "cherry", "ash")
_STATIONS = 5
_CLEANER = 0.4
"""Slabs have fewer defects than the renderer's usual ones: a case then takes half the time."""


@functools.lru_cache(maxsize=2)
def _face(seed: int, number: int) -> TrueFace:
    """Return the slab of a round: a log of its own, face A or B."""
    from slabvision.scene.drying import AMOUNTS, season
    from slabvision.scene.log import grow_log
    from slabvision.scene.looks import look
    from slabvision.scene.sawing import saw

    own = 1_000_003 * (seed + 1) + number
    log = grow_log(own, look(_LOOKS[number % len(_LOOKS)]))
    amounts = {name: _CLEANER * mean for name, mean in AMOUNTS.items()}
    slab = season(own, saw(own, log), amounts=amounts)
    return true_face(slab, ("face A", "face B")[number % 2], named_rng("study face", own))


def simulate(setup: Setup, number: int, seed: int = 1, *, draws: int = 1000) -> dict[str, Any]:
    """Photograph the slab of a round under one setup, measure it and compare.

    Parameters
    ----------
    setup : Setup
    number : int
        Round: it decides the slab.
    seed : int
        Of the whole study.
    draws : int
        Draws per estimate.

    Returns
    -------
    dict
        Setup, tilt, notes, and for each quantity truth, value and interval (NaN where not
        determined; ``refused`` is 1 where the marks were).
    """
    start = time.process_time()
    face = _face(seed, number)
    name = f"{seed}:{number}:{setup}"
    rng = named_rng(f"slab study {name}", seed)
    taken = photograph(face, setup, rng, hashlib.sha256(name.encode()).hexdigest())
    record = _record(face, taken, rng)
    row: dict[str, Any] = {
        "round": number, "reference": setup.reference, "lens": setup.lens,
        "band": f"{setup.band[0]:.0f} to {setup.band[1]:.0f}", "distance": setup.distance,
        "tilt_deg": taken.tilt_deg, "distance_mm": taken.distance_mm,
        "mm_per_px": taken.mm_per_px, "refused": 0, "notes": "",
    }  # fmt: skip
    laid_out = rng.uniform() < _LAID_OUT
    measured = _measured(record, taken, draws)
    estimates: dict[str, Estimate | None] = {}
    if isinstance(measured, str):
        row |= {"refused": 1, "notes": measured}
        thickness = face.thickness_mm
    else:
        estimates = _estimates(measured, taken)
        if laid_out:
            estimates |= _layout(measured)
        thickness = measured.thickness_mm.estimate.value
        row["notes"] = "; ".join(measured.faces[0].notes)
    painted = frozenset(defect.number for defect in taken.entry.defects)
    truth = true_sizes(face, painted, thick=thickness >= THICK_MM) | _true_defects(face, taken)
    if not laid_out:
        truth = {key: size for key, size in truth.items() if not key.startswith("largest")}
    for quantity in QUANTITIES:
        true, estimate = truth.get(quantity, math.nan), estimates.get(quantity)
        known = estimate is not None and estimate.determined
        low, high = estimate.interval if estimate is not None and known else (math.nan, math.nan)
        row |= {
            f"{quantity}: truth": true,
            f"{quantity}: value": estimate.value if estimate is not None and known else math.nan,
            f"{quantity}: low": low,
            f"{quantity}: high": high,
        }
    row["seconds"] = time.process_time() - start
    return row


def _record(face: TrueFace, taken: Taken, rng: np.random.Generator) -> SlabRecord:
    """Fill in the notebook: thickness at a few stations, sometimes the bow."""
    stations = np.linspace(0.1, 0.9, _STATIONS)
    read = face.thickness_at(stations) + rng.normal(0, 0.5, _STATIONS)
    step = 25.4 / 32
    length = face.outline.bounds[2] - face.outline.bounds[0]
    known = rng.uniform() < 0.5
    sags = [abs(x) + rng.normal(0, 0.5) for x in (face.bow_mm, face.cup_mm)]
    flat = Flatness(bow_mm=max(0.0, round(sags[0])), cup_mm=max(0.0, round(sags[1])))
    return SlabRecord(
        notebook=Notebook(
            thickness=[
                ThicknessReading(mm=round(float(step * round(mm / step)), 2),
                                 station_mm=round(float(s * length)))
                for mm, s in zip(read, stations, strict=True)
            ],
            flatness=flat if known else Flatness(),
            invented=True,
        ),
        photos=[taken.entry],
    )  # fmt: skip


def _measured(record: SlabRecord, taken: Taken, draws: int) -> Findings | str:
    from slabvision.measure import MeasureError, measure_record

    nothing = np.zeros_like(taken.labels, dtype=np.uint8)

    def images_of(_: PhotoEntry) -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
        return taken.labels, nothing

    try:
        return measure_record(record, images_of, folder="study", draws=draws)
    except MeasureError as error:
        return str(error)


def _estimates(found: Findings, taken: Taken) -> dict[str, Estimate | None]:
    face = found.faces[0]
    defects = {defect.number: defect for defect in face.defects}
    out: dict[str, Estimate | None] = {
        "length": face.length_mm.estimate,
        "gross area": face.gross_area_mm2.estimate,
        "clear area as seen": face.as_seen_mm2.estimate,
        "clear area with keep-outs": face.keep_outs_mm2.estimate,
        "board feet": found.gross_mm3.estimate * (1 / BOARD_FOOT_MM3),
        "defect area": defects[taken.largest].area_mm2.estimate if taken.largest else None,
        "check length": defects[taken.longest].length_mm.estimate if taken.longest else None,
    }
    return out


def _layout(found: Findings) -> dict[str, Estimate | None]:
    from slabvision.clear.circle import circle_size, largest_circle
    from slabvision.clear.rectangle import along_grain, rectangle_size

    out: dict[str, Estimate | None] = {}
    face = found.faces[0]
    clear = face.region.with_keep_outs
    circle = largest_circle(clear)
    if circle is not None:
        out["largest circle"] = circle_size(face.region, circle, face.view.worlds).estimate
    rectangle = along_grain(clear, face.region.grain)
    if rectangle is not None:
        size = rectangle_size(face.region, rectangle, face.view.worlds, turns=True)
        out["largest rectangle"] = size.area_mm2.estimate
    return out


def _true_defects(face: TrueFace, taken: Taken) -> dict[str, float]:
    regions = {region.number: region for region in face.regions}
    out = {}
    if taken.largest:
        out["defect area"] = regions[taken.largest].area_mm2
    if taken.longest:
        out["check length"] = taped_length(regions[taken.longest].seen_line)
    return out


# Many of them ------------------------------------------------------------------------------------


def setups_of(number: int) -> list[Setup]:
    """Return what is photographed in a round."""
    return [
        replace(setup, distance=DISTANCES[(number + place) % 2])
        for place, setup in enumerate(SETUPS)
        if number % _every(setup.reference) == 0
    ]


def _every(reference: str) -> int:
    return 6 if reference in _SELDOM else 3 if "not said" in reference else 1


def run(
    cases: int,
    seed: int = 1,
    *,
    folder: Path | None = None,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Run the study.

    Parameters
    ----------
    cases : int
        At least so many photos, in whole rounds: one slab under every setup.
    seed : int
        Of all of them.
    folder : Path, optional
        Where finished rounds are kept, one CSV file each; a round found there is not run again.
    workers : int
        Processes.
    progress : callable, optional
        Told how many photos are done, of how many.

    Returns
    -------
    DataFrame
        One row per photo, as :func:`simulate` returns them.
    """
    import pandas as pd

    if cases < 1 or workers < 1:
        raise ValueError(f"cases is {cases} and workers {workers}; at least 1 of each is needed")
    rounds: list[int] = []
    while sum(len(setups_of(number)) for number in rounds) < cases:
        rounds.append(len(rounds))
    total = sum(len(setups_of(number)) for number in rounds)
    tasks = [(number, seed, folder) for number in rounds]
    done: list[pd.DataFrame] = []
    with _pool(workers) as over:
        for table in over(_round, tasks):
            done.append(table)
            if progress is not None:
                progress(sum(map(len, done)), total)
    return pd.concat(done, ignore_index=True)


def _round(task: tuple[int, int, Path | None]) -> pd.DataFrame:
    """Run one round, or read it where it was kept."""
    import pandas as pd

    number, seed, folder = task
    kept = None if folder is None else folder / f"slabs-{seed}-{number:05d}.csv"
    if kept is not None and kept.exists():
        return pd.read_csv(kept, keep_default_na=True, dtype={"notes": str})
    table = pd.DataFrame([simulate(setup, number, seed) for setup in setups_of(number)])
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        partial = kept.with_suffix(".part")
        table.to_csv(partial, index=False)
        partial.replace(kept)
    return table


@contextlib.contextmanager
def _pool(workers: int) -> Iterator[Callable[..., Iterable[Any]]]:
    """Give a process pool's ordered map, or the plain one for a single worker."""
    if workers == 1:
        yield map
        return
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(workers) as pool:
        yield pool.map
