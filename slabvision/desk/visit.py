"""A whole visit: many slab folders measured by a local pool or an existing cluster.

There is one function, :func:`measure_to_rows`; who calls it is all that differs. What photos
share (a board, a tape, a phone) draws its error from its name, so it is the same error in every
worker and a total over the visit is as wide as it should be.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

import slabvision
from slabvision.estimate import DRAWS, Estimate

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "BrokenFolder",
    "SlabRows",
    "Visit",
    "VisitError",
    "measure_to_rows",
    "measure_visit",
    "pooled",
    "slab_folders",
    "write_parquet",
    "write_visit",
]

Unit = Literal["in", "mm"]
Floats = NDArray[np.float64]
Row = dict[str, Any]

TOTALS = {
    "gross_mm3": "mm3",
    "clear_mm3": "mm3",
    "gross_mm2": "mm2",
    "clear_mm2": "mm2",
    "weight_kg": "kg",
}
"""What is summed over a visit, with its unit."""


class VisitError(Exception):
    """A visit cannot be measured at all; the message says why and what to do."""


@dataclass(frozen=True)
class BrokenFolder:
    """A folder that could not be measured, and why."""

    folder: str
    reason: str


@dataclass(frozen=True, eq=False)
class SlabRows:
    """One slab's rows of every table, and its draws for the totals: what a worker sends back.

    Attributes
    ----------
    folder : str
    rows : mapping of str to list of dict
        By file name of the table.
    draws : mapping of str to (float, ndarray)
        Value and draws of every quantity in ``TOTALS``; NaN where not determined.
    price : float or None
        Asked for the whole slab.
    """

    folder: str
    rows: Mapping[str, list[dict[Any, Any]]]
    draws: Mapping[str, tuple[float, Floats]]
    price: float | None


@dataclass(frozen=True, eq=False)
class Visit:
    """All slabs of a visit that could be measured, and those that could not."""

    slabs: tuple[SlabRows, ...]
    broken: tuple[BrokenFolder, ...]
    unit: Unit

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return every table with the rows of all slabs, in the order of the folders."""
        import pandas as pd

        from slabvision.tables import TABLES

        return {
            name: pd.DataFrame([row for slab in self.slabs for row in slab.rows[name]])
            for name in TABLES
        }

    def total(self, name: str) -> Estimate:
        """Return a total over the slabs where it is determined, draw by draw."""
        known = [slab.draws[name] for slab in self.slabs if not np.isnan(slab.draws[name][0])]
        if not known:
            return Estimate.undetermined("no slab has it", TOTALS[name])
        return Estimate(
            sum(value for value, _ in known), np.sum([d for _, d in known], axis=0), TOTALS[name]
        )

    def counted(self, name: str) -> int:
        """Return over how many slabs a total runs."""
        return sum(not np.isnan(slab.draws[name][0]) for slab in self.slabs)


def slab_folders(places: Iterable[Path | str]) -> list[Path]:
    """Return the slab folders among and directly under the given places, each once, by name.

    A place with ``slab.json`` is a slab; any other folder is a visit, and its sub-folders with
    ``slab.json`` are its slabs. A place that is neither is kept, so that its absence is said.
    """
    found: list[Path] = []
    for place in map(Path, places):
        inside = []
        if place.is_dir() and not (place / "slab.json").exists():
            inside = sorted(p.parent for p in place.glob("*/slab.json"))
        found += inside or [place]
    return list(dict.fromkeys(found))


def measure_to_rows(
    folder: Path | str, unit: Unit = "in", draws: int = DRAWS, ends: str | None = None
) -> SlabRows | BrokenFolder:
    """Measure one slab folder and return its rows, or why it could not be measured.

    Never raises for what is wrong with a folder: one slab must not stop a visit.
    """
    from slabvision.measure import Buying, MeasureError, measure_slab
    from slabvision.store import RecordError
    from slabvision.tables import TABLES, asking_total
    from slabvision.units import MM_PER_FT

    every = MM_PER_FT if unit == "in" else 300.0
    try:
        buying = Buying(widths_every_mm=every)
        found = measure_slab(folder, buying=buying, draws=draws, ends=ends)
        rows = {
            name: [dict(row) for row in make([found], unit).to_dict("records")]
            for name, make in TABLES.items()
        }
    except (MeasureError, RecordError) as error:
        return BrokenFolder(str(folder), str(error))
    except Exception as error:  # a fault of the program: it is named and the rest goes on
        return BrokenFolder(str(folder), f"{type(error).__name__}: {error}")
    face = found.best
    budgets = {
        "gross_mm3": found.gross_mm3.estimate,
        "clear_mm3": found.clear_mm3.estimate,
        "weight_kg": found.trade.numbers["weight_kg"],
    }
    if face is not None:
        budgets["gross_mm2"] = face.gross_area_mm2.estimate
        budgets["clear_mm2"] = face.keep_outs_mm2.estimate
    none = (float("nan"), np.full(draws, np.nan))
    kept = {
        name: (budgets[name].value, np.asarray(budgets[name].draws)) if name in budgets else none
        for name in TOTALS
    }
    return SlabRows(str(folder), rows, kept, asking_total(found)[0])


# Results kept for resuming ------------------------------------------------------------------------


def result_key(folder: Path | str, unit: str, draws: int, ends: str | None = None) -> str:
    """Return what a kept result is known by: folder, record, photos as they lie there, program.

    Photos are known by size and time of change here; measuring itself checks their SHA-256.
    """
    place = Path(folder)
    digest = hashlib.sha256(f"{slabvision.__version__}\x1f{unit}\x1f{draws}\x1f{ends}\x1f".encode())
    digest.update(str(folder).encode())
    digest.update((place / "slab.json").read_bytes())
    for path in sorted(place.iterdir()):
        if path.is_file():
            stat = path.stat()
            digest.update(f"\x1f{path.name}\x1f{stat.st_size}\x1f{stat.st_mtime_ns}".encode())
    return digest.hexdigest()


def _packed(slab: SlabRows) -> bytes:
    draws = {
        name: [value, base64.b64encode(np.ascontiguousarray(d, "<f8").tobytes()).decode("ascii")]
        for name, (value, d) in slab.draws.items()
    }
    kept = {"folder": slab.folder, "rows": slab.rows, "draws": draws, "price": slab.price}
    return json.dumps(kept).encode("utf-8")


def _unpacked(data: bytes, count: int) -> SlabRows:
    """Return what :func:`_packed` wrote; ``ValueError`` and its like where it is anything else."""
    from slabvision.tables import TABLES

    kept = json.loads(data)
    draws = {}
    for name in TOTALS:
        value, text = kept["draws"][name]
        draws[name] = (float(value), np.frombuffer(base64.b64decode(text), "<f8"))
        if draws[name][1].shape != (count,):
            raise ValueError(f"{name} has {draws[name][1].size} draws")
    rows = {name: [dict(row) for row in kept["rows"][name]] for name in TABLES}
    price = kept["price"]
    return SlabRows(str(kept["folder"]), rows, draws, None if price is None else float(price))


class ResultsKept:
    """Results of a visit in a folder, one file each, written whole; made again at any doubt."""

    def __init__(self, folder: Path | str, unit: str, draws: int, ends: str | None = None) -> None:
        self.folder = Path(folder)
        self.draws = draws
        self.made_with = unit, draws, ends

    def _file(self, slab: Path | str) -> Path | None:
        try:
            return self.folder / f"{result_key(slab, *self.made_with)}.json"
        except OSError:
            return None

    def get(self, slab: Path | str) -> SlabRows | None:
        """Return a kept result, or None."""
        path = self._file(slab)
        if path is None or not path.is_file():
            return None
        try:
            return _unpacked(path.read_bytes(), self.draws)
        except (OSError, ValueError, ArithmeticError, LookupError, TypeError, AttributeError):
            return None
        except RecursionError:
            return None

    def put(self, slab: SlabRows) -> None:
        """Keep a result."""
        from slabvision.tables import write_whole

        path = self._file(slab.folder)
        if path is not None:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(path, _packed(slab))


# Who calls it ---------------------------------------------------------------------------------


def measure_visit(
    folders: Sequence[Path | str],
    unit: Unit = "in",
    *,
    jobs: int = 1,
    scheduler: str = "",
    keep: Path | str | None = None,
    draws: int = DRAWS,
    progress: Callable[[int, int], None] | None = None,
    ends: str | None = None,
) -> Visit:
    """Measure slab folders and return their rows in the order of the folders.

    Parameters
    ----------
    folders : sequence of path
    unit : {"in", "mm"}
    jobs : int
        Worker processes; 1 measures here. Each worker gives OpenCV one thread.
    scheduler : str
        Address of a running Dask scheduler, for instance ``tcp://host:8786``; the folders must
        lie under the same path on its workers. Needs the extra ``cluster``.
    keep : path, optional
        Folder where results are kept as they come: a later run takes up where this one ended.
    draws : int
    progress : callable, optional
        Called with how many are done and how many there are.
    ends : str, optional
        As for :func:`slabvision.measure.measure_slab`.

    Raises
    ------
    VisitError
        ``jobs`` is not 1 or more, Dask is missing, or its scheduler does not answer.
    """
    if not 1 <= jobs <= 256:
        raise VisitError(f"--jobs is {jobs}; 1 to 256 worker processes")
    kept = ResultsKept(keep, unit, draws, ends) if keep is not None else None
    found: dict[str, SlabRows | BrokenFolder] = {}
    names = list(dict.fromkeys(str(folder) for folder in folders))
    for name in names:
        before = kept.get(name) if kept is not None else None
        if before is not None:
            found[name] = before
    done = len(found)
    if progress is not None and done:
        progress(done, len(names))
    todo = [name for name in names if name not in found]
    if scheduler:
        results = _by_cluster(todo, unit, draws, scheduler, ends)
    else:
        results = pooled(measure_to_rows, todo, (unit, draws, ends), jobs)
    for name, result in results:
        found[name] = result
        if kept is not None and isinstance(result, SlabRows):
            kept.put(result)
        done += 1
        if progress is not None:
            progress(done, len(names))
    ordered = [found[name] for name in names]
    return Visit(
        tuple(r for r in ordered if isinstance(r, SlabRows)),
        tuple(r for r in ordered if isinstance(r, BrokenFolder)),
        unit,
    )


Result = tuple[str, SlabRows | BrokenFolder]
T = TypeVar("T")


def _quiet_worker() -> None:
    """Give a worker one thread: several workers of several threads each wait for one another."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    from slabvision.opencv import cv2

    cv2.setNumThreads(1)


def pooled(
    function: Callable[..., T], names: Sequence[str], arguments: Sequence[Any], jobs: int
) -> Iterator[tuple[str, T | BrokenFolder]]:
    """Call a function for every folder in worker processes, and give results as they come.

    A worker that dies costs its own folder only.

    Parameters
    ----------
    function : callable
        Of a folder and the arguments; must not raise.
    names : sequence of str
    arguments : sequence
        The same for every folder.
    jobs : int
        Worker processes; 1 works here.
    """
    from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    if jobs == 1 or len(names) < 2:
        yield from ((name, function(name, *arguments)) for name in names)
        return
    todo = list(reversed(names))
    alone: list[str] = []
    while todo or alone:
        # After a death the slabs in flight are tried one by one, to find whose fault it was.
        single = bool(alone)
        queue, width = (alone, 1) if single else (todo, min(jobs, len(names)))
        running: dict[Future[T], str] = {}
        with ProcessPoolExecutor(
            width, mp_context=get_context("spawn"), initializer=_quiet_worker
        ) as pool:
            try:
                while queue or running:
                    while queue and len(running) < (1 if single else 2 * width):
                        name = queue.pop()
                        running[pool.submit(function, name, *arguments)] = name
                    ready, _ = wait(running, return_when=FIRST_COMPLETED)
                    for future in ready:
                        result = future.result()
                        yield running.pop(future), result
            except BrokenProcessPool:
                died = list(running.values())
                if single:
                    why = "the worker died while measuring it (out of memory, or killed)"
                    yield from ((name, BrokenFolder(name, why)) for name in died)
                else:
                    alone = died
            except GeneratorExit:
                pool.shutdown(wait=False, cancel_futures=True)
                raise


def _by_cluster(
    names: Sequence[str], unit: Unit, draws: int, address: str, ends: str | None
) -> Iterator[Result]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise VisitError(
            "--scheduler needs Dask: pip install 'slabvision[cluster]' here and on the workers"
        ) from None
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise VisitError(f"scheduler {address} does not answer: {error}") from None
    with client:
        futures = {
            client.submit(measure_to_rows, name, unit, draws, ends, pure=False): name
            for name in names
        }
        for future in as_completed(list(futures), loop=client.loop):
            name = futures[future]
            try:
                yield name, future.result()
            except Exception as error:  # the worker was lost, or has another version
                yield name, BrokenFolder(name, f"on the cluster: {type(error).__name__}: {error}")


# What is written -------------------------------------------------------------------------------


def write_visit(visit: Visit, folder: Path | str) -> tuple[Path, ...]:
    """Write all tables of a visit, ``totals.csv``, and ``not_measured.csv`` where there is need."""
    import pandas as pd

    from slabvision.tables import csv_bytes, write_made, write_whole

    written = list(write_made(visit.tables(), folder, visit.unit))
    target = Path(folder)
    totals = pd.DataFrame(totals_rows(visit))
    written.append(write_whole(target / "totals.csv", csv_bytes(totals)))
    broken = target / "not_measured.csv"
    if visit.broken:
        rows = [{"slab": Path(b.folder).name, "reason": b.reason} for b in visit.broken]
        written.append(write_whole(broken, csv_bytes(pd.DataFrame(rows))))
    elif broken.exists():
        broken.unlink()
    return tuple(written)


def totals_rows(visit: Visit) -> list[Row]:
    """Return the totals of a visit in the visit's units, one row each."""
    from slabvision.units import BOARD_FOOT_MM3, FT2_MM2, LB_KG

    inch = visit.unit == "in"
    area = (FT2_MM2, "square feet") if inch else (1e6, "square metres")
    shown = {
        "gross_mm3": ("board feet, gross", BOARD_FOOT_MM3, "board feet"),
        "clear_mm3": ("board feet, clear with keep-outs", BOARD_FOOT_MM3, "board feet"),
        "gross_mm2": ("gross area", *area),
        "clear_mm2": ("clear area with keep-outs", *area),
        "weight_kg": ("weight", LB_KG if inch else 1.0, "lb" if inch else "kg"),
    }
    rows = []
    for name, (title, per, unit) in shown.items():
        total = visit.total(name)
        lo, hi = total.interval
        rows.append(
            {
                "total": title,
                "unit": unit,
                "value": total.value / per,
                "lo95": lo / per,
                "hi95": hi / per,
                "slabs": visit.counted(name),
                "slabs_without_it": len(visit.slabs) - visit.counted(name),
            }
        )
    return rows


def write_parquet(visit: Visit, folder: Path | str) -> tuple[Path, ...]:
    """Write every table as Parquet; needs the extra ``parquet``.

    Raises
    ------
    VisitError
        pyarrow is missing.
    """
    import io

    from slabvision.tables import write_whole

    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise VisitError("--parquet needs pyarrow: pip install 'slabvision[parquet]'") from None
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    written = []
    for name, table in visit.tables().items():
        stream = io.BytesIO()
        table.to_parquet(stream, index=False)
        written.append(write_whole(target / name.replace(".csv", ".parquet"), stream.getvalue()))
    return tuple(written)
