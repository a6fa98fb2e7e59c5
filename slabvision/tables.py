"""Findings as tables: one row per slab, per face, per defect, per width.

RFC 4180 CSV in UTF-8. A measured number stands in three columns: ``clear_area_in2``,
``clear_area_in2_lo95``, ``clear_area_in2_hi95``. What is not determined is an empty cell with
its reason in ``notes``. Beside the files lies their W3C CSV-on-the-Web metadata.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import slabvision
from slabvision.estimate import Estimate
from slabvision.files import write_whole
from slabvision.findings import Budget, FaceFindings, Findings
from slabvision.text import csv_cell, json_text
from slabvision.units import BOARD_FOOT_MM3, IN2_MM2, LB_KG, MM_PER_IN

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "TABLES",
    "defects_table",
    "faces_table",
    "slabs_table",
    "widths_table",
    "write_tables",
    "write_whole",
]

Unit = Literal["in", "mm"]
Row = dict[str, Any]


@dataclass(frozen=True)
class _Scale:
    suffix: str
    per_mm: float
    says: str


def _length(unit: Unit) -> _Scale:
    return _Scale("in", MM_PER_IN, "inch") if unit == "in" else _Scale("mm", 1.0, "millimetre")


def _area(unit: Unit) -> _Scale:
    if unit == "in":
        return _Scale("in2", IN2_MM2, "square inch")
    return _Scale("mm2", 1.0, "square millimetre")


_BOARD_FEET = _Scale("board_feet", BOARD_FOOT_MM3, "board foot (144 cubic inches)")


def _three(name: str, budget: Budget, scale: _Scale) -> Row:
    base = name if name.endswith(scale.suffix) else f"{name}_{scale.suffix}"
    value, (lo, hi) = budget.estimate.value, budget.estimate.interval
    return {
        base: value / scale.per_mm,
        f"{base}_lo95": lo / scale.per_mm,
        f"{base}_hi95": hi / scale.per_mm,
    }


def _ratio(name: str, price: float | None, budget: Budget, per: float) -> Row:
    if price is None or not budget.determined or (budget.estimate.draws <= 0).any():
        return {name: None, f"{name}_lo95": None, f"{name}_hi95": None}
    cost = per * price / budget.estimate
    lo, hi = cost.interval
    return {name: cost.value, f"{name}_lo95": lo, f"{name}_hi95": hi}


def asking_total(findings: Findings) -> tuple[float | None, str]:
    """Return the asking price of the whole slab and, where it cannot be had, why not."""
    claim = findings.record.notebook.claim
    if claim.price is None:
        return None, "no asking price in the notebook"
    if claim.price_basis == "each":
        return claim.price, ""
    if claim.price_basis == "board foot":
        if claim.board_feet is None:
            return None, "priced by the board foot but the tag's board feet are not in the notebook"
        return claim.price * claim.board_feet, ""
    if findings.best is None or not findings.best.gross_area_mm2.determined:
        return None, "priced by the square foot but the gross area is not determined"
    return claim.price * findings.best.gross_area_mm2.estimate.value / (144 * IN2_MM2), ""


def _slab_row(findings: Findings, unit: Unit) -> Row:
    notebook, face = findings.record.notebook, findings.best
    area, length = _area(unit), _length(unit)
    none = Budget.undetermined("no face could be measured", "", 2)
    pick = (lambda name: getattr(face, name)) if face else (lambda name: none)
    total, why = asking_total(findings)
    row: Row = {
        "slab": Path(findings.folder).name,
        "tag": notebook.tag,
        "log_number": notebook.log_number,
        "place_in_log": notebook.place_in_log,
        "bark_side": "" if notebook.bark_side == "unsaid" else notebook.bark_side,
        "species_as_stated": notebook.species,
        "place": notebook.place,
        "date": notebook.date,
        "faces_seen": findings.faces_seen,
        "face_used": face.face if face else "",
        "outline_used": face.outline_used if face else "",
        "bark": face.bark if face else "",
        **_three("gross_area", pick("gross_area_mm2"), area),
        **_three("clear_area", pick("as_seen_mm2"), area),
        **_three("clear_area_with_keep_outs", pick("keep_outs_mm2"), area),
        **_three("clear_area_through", findings.through_mm2, area),
        **_three("not_seen_area", pick("not_seen_mm2"), area),
        **_three("clear_area_if_unseen_is_clear", pick("if_unseen_clear_mm2"), area),
        **_three("length", pick("length_mm"), length),
        **_three("mean_width", pick("mean_width_mm"), length),
        **_three("max_width", pick("max_width_mm"), length),
        **_three("thickness", findings.thickness_mm, length),
        **_three("gross_board_feet", findings.gross_mm3, _BOARD_FEET),
        **_three("clear_board_feet", findings.clear_mm3, _BOARD_FEET),
        "stated_board_feet": notebook.claim.board_feet,
        **_moisture(findings),
        "stated_moisture_percent": notebook.claim.moisture_percent,
        "asking_price": notebook.claim.price,
        "price_basis": notebook.claim.price_basis if notebook.claim.price is not None else "",
        "currency": notebook.claim.currency if notebook.claim.price is not None else "",
        "asking_total": total,
        **_ratio("price_per_gross_board_foot", total, findings.gross_mm3, BOARD_FOOT_MM3),
        **_ratio("price_per_clear_board_foot", total, findings.clear_mm3, BOARD_FOOT_MM3),
        "defects": len(face.defects) if face else None,
        **_rings(findings),
        **_trade(findings, unit),
    }
    missing = [e.reason for e in findings.trade.numbers.values() if not e.determined]
    notes = [*findings.notes, *([why] if why else []), *missing, *findings.trade.notes]
    notes += [f"{e.role}: {e.reason}" for e in findings.ends or () if e.end is None]
    if notebook.invented:
        notes.insert(0, "invented demonstration data")
    return row | {
        "notes": "; ".join(dict.fromkeys(notes)),
        "slabvision_version": slabvision.__version__,
    }


def _estimate(name: str, estimate: Estimate, per: float = 1.0) -> Row:
    lo, hi = estimate.interval
    return {name: estimate.value / per, f"{name}_lo95": lo / per, f"{name}_hi95": hi / per}


def _moisture(findings: Findings) -> Row:
    readings = findings.record.notebook.moisture
    numbers = findings.trade.numbers
    return {
        **_estimate("moisture_mean_percent", numbers["moisture_mean_pct"]),
        "moisture_readings": sum(not r.surface_wet for r in readings),
        **_estimate("moisture_target_percent", numbers["target_moisture_pct"]),
        **_estimate("moisture_points_to_lose", numbers["points_to_lose_pct"]),
    }


def _rings(findings: Findings) -> Row:
    from slabvision.ends import mean_angle, sawn_of

    ends = findings.ends or ()
    sawn = sawn_of(ends, findings.sawn_by)
    return {
        **_estimate("ring_angle_mean_deg", mean_angle(ends)),
        "rings_seen_share": sawn.seen_share if sawn else None,
        "sawn_as": sawn.name if sawn else "",
        "sawn_shares": sawn.share_words if sawn else "",
        "sawn_as_by": sawn.authority.title if sawn else "",
        "ends_read": " and ".join(e.role.removeprefix("end ") for e in ends if e.end is not None),
    }


def _trade(findings: Findings, unit: Unit) -> Row:
    numbers, words, length = findings.trade.numbers, findings.trade.words, _length(unit)
    weight, per = ("weight_lb", LB_KG) if unit == "in" else ("weight_kg", 1.0)
    moved = {
        name: _estimate(f"{name}_{length.suffix}", numbers[f"{name}_mm"], length.per_mm)
        for name in ("width_change", "thickness_change", "flat_thickness")
    }
    return {
        "species_taken_as": words["species_taken_as"],
        **_estimate("board_feet_by_the_tags_rule", numbers["rule_board_feet"]),
        "tag_check": words["tag_check"],
        "moisture_check": words["moisture_check"],
        **_estimate(weight, numbers["weight_kg"], per),
        "lifting": words["lifting"],
        **moved["width_change"],
        **moved["thickness_change"],
        **moved["flat_thickness"],
    }


def slabs_table(many: Sequence[Findings], unit: Unit = "in") -> pd.DataFrame:
    """Return one row per slab."""
    import pandas as pd

    return pd.DataFrame([_slab_row(findings, unit) for findings in many])


def _face_row(findings: Findings, face: FaceFindings, unit: Unit) -> Row:
    area, length = _area(unit), _length(unit)
    lo, hi = face.tilt_deg.interval
    return {
        "slab": Path(findings.folder).name,
        "tag": findings.record.notebook.tag,
        "photo": f"{face.photo} and {face.joined_with}" if face.joined_with else face.photo,
        "face": face.face,
        "outline_used": face.outline_used,
        "bark": face.bark,
        **_three("gross_area", face.gross_area_mm2, area),
        **_three("widest_area", face.widest_area_mm2, area),
        **_three("clear_area", face.as_seen_mm2, area),
        **_three("clear_area_with_keep_outs", face.keep_outs_mm2, area),
        **_three("not_seen_area", face.not_seen_mm2, area),
        **_three("clear_area_if_unseen_is_clear", face.if_unseen_clear_mm2, area),
        **_three("length", face.length_mm, length),
        **_three("mean_width", face.mean_width_mm, length),
        **_three("max_width", face.max_width_mm, length),
        "camera_tilt_deg": face.tilt_deg.value,
        "camera_tilt_deg_lo95": lo,
        "camera_tilt_deg_hi95": hi,
        "mm_per_pixel": face.mm_per_px,
        "reference_check": "; ".join(face.residuals),
        "notes": "; ".join(face.notes),
    }


def faces_table(many: Sequence[Findings], unit: Unit = "in") -> pd.DataFrame:
    """Return one row per measured photo of a face, and one for two photos made one face."""
    import pandas as pd

    rows = [
        _face_row(findings, face, unit)
        for findings in many
        for face in (*findings.joined, *findings.faces)
    ]
    return pd.DataFrame(rows)


def defects_table(many: Sequence[Findings], unit: Unit = "in") -> pd.DataFrame:
    """Return one row per defect on each face."""
    import pandas as pd

    area, length = _area(unit), _length(unit)
    rows = []
    for findings in many:
        for face in findings.faces:
            for each in face.defects:
                rows.append(
                    {
                        "slab": Path(findings.folder).name,
                        "tag": findings.record.notebook.tag,
                        "photo": each.photo,
                        "face": face.face,
                        "number": each.number,
                        "kind": each.kind,
                        "term": each.title,
                        "depth": each.depth,
                        "treatment": each.treatment,
                        **_three("area", each.area_mm2, area),
                        **_three("length", each.length_mm, length),
                        **_three("width", each.width_mm, length),
                        "width_in_words": each.width_words,
                        f"from_end_a_{length.suffix}": each.station_mm / length.per_mm,
                        "tool": each.tool,
                        "notes": each.note,
                    }
                )
    return pd.DataFrame(rows)


def widths_table(many: Sequence[Findings], unit: Unit = "in") -> pd.DataFrame:
    """Return one row per width, every foot or every 300 mm on each face."""
    import pandas as pd

    length = _length(unit)
    rows = [
        {
            "slab": Path(findings.folder).name,
            "tag": findings.record.notebook.tag,
            "photo": each.photo,
            "face": each.face,
            f"from_end_a_{length.suffix}": each.station_mm / length.per_mm,
            **_three("width", each.width_mm, length),
        }
        for findings in many
        for face in findings.by_face
        for each in face.widths
    ]
    return pd.DataFrame(rows)


TABLES = {
    "slabs.csv": slabs_table,
    "faces.csv": faces_table,
    "defects.csv": defects_table,
    "widths.csv": widths_table,
}


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return a table as RFC 4180 CSV in UTF-8; no text cell begins like a formula."""
    if table.empty and not len(table.columns):
        return b"slab\r\n"
    safe = table.copy()
    for name in safe.columns:
        if not _is_number(safe[name]):
            safe[name] = [csv_cell(v) if isinstance(v, str) else v for v in safe[name]]
    safe.columns = [csv_cell(str(name)) for name in safe.columns]
    return safe.to_csv(index=False, lineterminator="\r\n", float_format="%.7g").encode("utf-8")


def _is_number(column: Any) -> bool:
    import pandas as pd

    return bool(pd.api.types.is_numeric_dtype(column))


def write_tables(
    many: Sequence[Findings], folder: Path | str, unit: Unit = "in"
) -> tuple[Path, ...]:
    """Write all tables and their metadata into a folder, each file whole or not at all.

    Returns
    -------
    tuple of path
        The files written.
    """
    if unit not in ("in", "mm"):
        raise ValueError(f"unit is {unit!r}; in or mm")
    return write_made({name: make(many, unit) for name, make in TABLES.items()}, folder, unit)


def write_made(
    tables: Mapping[str, pd.DataFrame], folder: Path | str, unit: Unit = "in"
) -> tuple[Path, ...]:
    """Write tables that were made already, by file name, with their metadata."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    written, described = [], []
    for name, table in tables.items():
        written.append(write_whole(target / name, csv_bytes(table)))
        described.append(_describe(name, table, unit))
    metadata = {
        "@context": "http://www.w3.org/ns/csvw",
        "dc:title": "slabvision findings",
        "dc:creator": f"slabvision {slabvision.__version__}",
        "dialect": {
            "delimiter": ",",
            "encoding": "utf-8",
            "header": True,
            "lineTerminators": "\r\n",
        },
        "tables": described,
    }
    text = json_text(metadata) + "\n"
    written.append(write_whole(target / "csv-metadata.json", text.encode("utf-8")))
    return tuple(written)


def _describe(name: str, table: pd.DataFrame, unit: Unit) -> Row:
    columns = []
    for column in table.columns:
        kind = "number" if _is_number(table[column]) else "string"
        columns.append(
            {
                "name": column,
                "titles": column,
                "datatype": kind,
                "dc:description": _meaning(column, unit),
            }
        )
    return {"url": name, "tableSchema": {"columns": columns}}


def _meaning(column: str, unit: Unit) -> str:
    base = column.removesuffix("_lo95").removesuffix("_hi95")
    words = base.replace("_", " ")
    for scale in (_BOARD_FEET, _area(unit), _length(unit)):
        if base.endswith(f"_{scale.suffix}"):
            words = f"{base.removesuffix('_' + scale.suffix).replace('_', ' ')}, in {scale.says}"
            break
    if column.endswith("_lo95"):
        return f"lower end of the 95 % interval of {words}"
    if column.endswith("_hi95"):
        return f"upper end of the 95 % interval of {words}"
    return words
