"""Hostile text in every field that takes text, found by walking the record's own model.

What a page, a table or a terminal is given must be inert: no element, no formula, no change of
reading direction, no line break that was not ours. Formulas in cells: OWASP, "CSV Injection".
"""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from slabvision.measure import measure_slab
from slabvision.record import SlabRecord
from slabvision.store import load_slab, save_slab
from tests.trust import record_corpus as corpus
from tests.trust.outputs import check_csv, check_html, check_json, harmless

STARTS = ("=", "+", "-", "@", "\t=", "\r=", "＝", "\u202e=", " =", "\n@")
REST = "<script>alert(1)</script>\"'><img src=x onerror=a()>\u202e\r\n[/b]$x$\x1b[31m&]]>"


def _text_fields(model: type[BaseModel], seen: set[type]) -> Iterator[tuple[type[BaseModel], str]]:
    """Yield (model, field) for every field that can hold a string, in every model reached."""
    if model in seen:
        return
    seen.add(model)
    for name, field in model.model_fields.items():
        for part in _parts(field.annotation):
            if part is str:
                yield model, name
            elif isinstance(part, type) and issubclass(part, BaseModel):
                yield from _text_fields(part, seen)


def _parts(annotation: Any) -> Iterator[Any]:
    origin = typing.get_origin(annotation)
    if origin is typing.Literal:
        return
    if origin is typing.Annotated:
        yield from _parts(typing.get_args(annotation)[0])
    elif origin in (typing.Union, types.UnionType, list, tuple, dict):
        for each in typing.get_args(annotation):
            yield from _parts(each)
    else:
        yield annotation


FIELDS = sorted(
    {f"{model.__name__}.{name}": (model, name) for model, name in _text_fields(SlabRecord, set())}
)


def _holders(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], BaseModel]]:
    if isinstance(value, BaseModel):
        yield path, value
        for name in type(value).model_fields:
            yield from _holders(getattr(value, name), (*path, name))
    elif isinstance(value, list | tuple):
        for index, each in enumerate(value):
            yield from _holders(each, (*path, index))


def _put(tree: Any, path: tuple[Any, ...], value: Any) -> None:
    for step in path[:-1]:
        tree = tree[step]
    tree[path[-1]] = value


def _hostile(start: str, limit: int = 5000) -> str:
    return (start + REST)[:limit]


def _filled(start: int) -> tuple[SlabRecord, set[str], set[str]]:
    """Return a record with hostile text wherever the model takes it; fields taken and refused."""
    record = SlabRecord.model_validate_json(corpus.record_text(0 if start % 2 else 1))
    tree = json.loads(record.model_dump_json())
    taken, refused = set(), set()
    for count, (path, holder) in enumerate(_holders(record)):
        for name, field in type(holder).model_fields.items():
            key = f"{type(holder).__name__}.{name}"
            if key not in FIELDS or not any(p is str for p in _parts(field.annotation)):
                continue
            limit = next((m.max_length for m in field.metadata if hasattr(m, "max_length")), 5000)
            trial = json.loads(json.dumps(tree))
            text = _hostile(STARTS[(start + count) % len(STARTS)], limit or 5000)
            _put(trial, (*path, name), text)
            try:
                SlabRecord.model_validate_json(json.dumps(trial))
            except ValidationError:
                refused.add(key)
            else:
                tree, taken = trial, taken | {key}
    return SlabRecord.model_validate_json(json.dumps(tree)), taken, refused


def test_every_text_field_is_reached():
    reached: set[str] = set()
    for number in range(10):
        record = SlabRecord.model_validate_json(corpus.record_text(number))
        for _, holder in _holders(record):
            reached |= {f"{type(holder).__name__}.{name}" for name in type(holder).model_fields}
    missing = [field for field in FIELDS if field not in reached]
    assert not missing, f"no good record in the corpus has {missing}"
    assert len(FIELDS) > 20


def test_only_names_kinds_and_hashes_refuse_text():
    refused = _filled(0)[2] | _filled(1)[2]
    assert refused == {
        "Defect.kind", "FileRef.file", "FileRef.sha256", "PhotoEntry.file", "PhotoEntry.sha256",
    }  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("start", range(2))
def test_hostile_text_in_every_field_is_inert_everywhere(tmp_path, start, capsys):
    from slabvision.cli import app
    from slabvision.report.page import slab_report
    from slabvision.report.sheet import sheet_page
    from slabvision.report.visit_page import visit_report

    folder = tmp_path / "slab"
    corpus.write_folder(folder, b"")
    (folder / "slab.json").unlink()
    record, taken, _ = _filled(start)
    assert len(taken) >= 18
    hostile = record.model_copy(update={"generation": 0})
    save_slab(folder, hostile)
    raw = (folder / "slab.json").read_bytes()
    check_json(raw)
    assert b"<" not in raw
    assert harmless(raw.decode().replace("\n", ""))
    assert load_slab(folder).notebook == hostile.notebook  # kept as it was typed, letter by letter

    found = measure_slab(folder, draws=40)
    pages = [
        slab_report(found, "in", side_px=200),
        visit_report(_hostile("="), [found], "mm", broken=[(_hostile(""), _hostile("@"))],
                     side_px=200),
        sheet_page([(_hostile(""), record)], "in", blank=1),
    ]  # fmt: skip
    for page in pages:
        seen = check_html(page)
        assert not any(a.get("src", "").startswith("x") for a in seen.all("img"))
    assert "alert(1)" in check_html(pages[0]).text  # it is shown as text, not dropped

    out = tmp_path / "out"
    with pytest.raises(SystemExit) as ended:
        app(["measure", str(folder), "--csv", str(out), "--picture", "--explain"])
    assert ended.value.code == 0
    said = "".join(capsys.readouterr())
    assert "\x1b[31m" not in said
    assert harmless(said.replace("\n", " "))
    rows = [row for path in out.glob("*.csv") for row in check_csv(path.read_bytes())]
    assert any("alert(1)" in cell for row in rows for cell in row.values())
    check_json((out / "csv-metadata.json").read_bytes())
    assert list(out.glob("*.png"))
