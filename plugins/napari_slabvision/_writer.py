"""Writer for slab folders: File > Save with a slab's layers chosen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["write_slab"]


def write_slab(path: str, layers: list[tuple[Any, dict[str, Any], str]]) -> list[str]:
    """Save a slab's layers into its folder, or into a copy of it elsewhere.

    Parameters
    ----------
    path : str
        A folder, or the ``slab.json`` in it. Its own folder saves; another one becomes a copy.
    layers : list
        Of one photo, as :func:`napari_slabvision._reader.read_slab` gave them.

    Raises
    ------
    slabvision.store.RecordError
        The layers belong to no slab folder, or it cannot be saved.
    """
    from napari_slabvision._defect_table import defects_of
    from napari_slabvision._marks import with_points
    from napari_slabvision._owned import KEY
    from napari_slabvision._photo_layers import outlines_from
    from slabvision.store import RECORD, RecordError, load_slab, photo_path, save_slab

    by_role = {
        meta["metadata"][KEY]["role"]: (data, meta)
        for data, meta, _ in layers
        if KEY in meta.get("metadata", {})
    }
    homes = {meta["metadata"][KEY].get("folder") for _, meta in by_role.values()} - {None}
    if len(homes) != 1:
        raise RecordError("these layers come from no slab folder; open one, or use the slab dock")
    home = Path(homes.pop())
    target = Path(path)
    target = target.parent if target.name == RECORD or target.suffix == ".json" else target
    record = load_slab(home)
    file = next(meta["metadata"][KEY]["file"] for _, meta in by_role.values())
    entry = record.photo(file)
    changes: dict[str, Any] = {}
    labels, zones = {}, {}
    if "defects" in by_role:
        data, meta = by_role["defects"]
        table = {key: list(column) for key, column in dict(meta["features"]).items()}
        rows = [
            dict(zip(table, values, strict=True)) for values in zip(*table.values(), strict=True)
        ]
        present = set(np.unique(data).tolist())
        changes["defects"] = defects_of(rows, meta["metadata"][KEY].get("traces", {}), present)
        labels[file] = np.asarray(data, np.uint16)
    if "zones" in by_role:
        zones[file] = np.asarray(by_role["zones"][0], np.uint8)
    if "marks" in by_role:
        data, meta = by_role["marks"]
        table = {key: list(meta["features"][key]) for key in ("mark", "point")}
        changes["marks"] = with_points(entry.marks, np.asarray(data), table)
    if "outline" in by_role:
        data, meta = by_role["outline"]
        names = [str(name) for name in meta["features"]["outline"]]
        changes |= outlines_from(entry, [np.asarray(shape) for shape in data], names)
    known = {name: getattr(entry, name) for name in type(entry).model_fields}
    record = record.with_photo(type(entry).model_validate(known | changes))
    if target.resolve() != home.resolve():
        record = _copied(record, home, target, labels, zones)
    save_slab(target, record, labels=labels, zones=zones)
    return [str(target / RECORD), str(photo_path(target, record.photo(file)))][:1]


def _copied(record: Any, home: Path, target: Path, labels: Any, zones: Any) -> Any:
    """Copy the photos beside a new record and take the other photos' images along."""
    import shutil

    from slabvision.store import RECORD, RecordError, check_photo, read_labels, read_zones

    if (target / RECORD).exists():
        raise RecordError(f"{target}: there is a record already; choose another folder")
    target.mkdir(parents=True, exist_ok=True)
    for entry in record.photos:
        shutil.copy2(check_photo(home, entry), target / entry.file)
        if entry.labels is not None and entry.file not in labels:
            labels[entry.file] = read_labels(home, entry)
        if entry.zones is not None and entry.file not in zones:
            zones[entry.file] = read_zones(home, entry)
    return record
