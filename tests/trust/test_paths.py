"""No path in a record, a visit or a command leads out of its folder, and nothing is executed."""

from __future__ import annotations

import ast
import hashlib
import json
import os
from pathlib import Path

import pytest

import slabvision
from slabvision.desk.visit import BrokenFolder, measure_to_rows, slab_folders
from slabvision.record import SlabRecord
from slabvision.store import (
    RecordError,
    check_photo,
    load_slab,
    new_slab,
    photo_path,
    read_labels,
    read_zones,
    save_slab,
)
from tests.trust import record_corpus as corpus
from tests.trust.photo_corpus import good_photos

OUT_OF_IT = (
    "../x.png", "..\\x.png", "/etc/passwd", "\\\\server\\share\\x.png", "C:x.png", "C:\\x.png",
    "a/b.png", "a\\b.png", ".", "..", "...", "~/x.png/", "x.png/", "x\x00.png", "x\n.png",
    "x.png ", " x.png", "nul", "NUL.png", "com1.png", "x.png:stream", "file://x.png/", "",
    "\u202egnp.exe", "x" * 300, "\ud800.png",
)  # fmt: skip


def _folder(place: Path, change=lambda tree: tree) -> Path:
    corpus.write_folder(place, json.dumps(change(json.loads(corpus.record_text(0)))).encode())
    return place


@pytest.mark.parametrize("name", OUT_OF_IT)
@pytest.mark.parametrize("where", ["file", "labels", "zones"])
def test_no_name_in_a_record_leads_out(tmp_path, name, where):
    def change(tree):
        entry = tree["photos"][0]
        if where == "file":
            entry["file"] = name
        else:
            entry[where]["file"] = name
        return tree

    with pytest.raises(RecordError, match=r"slab\.json"):
        load_slab(_folder(tmp_path, change))


@pytest.mark.parametrize("kind", ["link to a file", "link to a folder", "dangling", "pipe"])
@pytest.mark.parametrize("which", ["photo", "labels", "zones", "slab.json"])
def test_links_and_pipes_are_not_followed(tmp_path, which, kind):
    folder = _folder(tmp_path / "slab")
    entry = load_slab(folder).photos[0]
    names = {"photo": entry.file, "labels": entry.labels.file, "zones": entry.zones.file}
    path = folder / names.get(which, which)
    outside = tmp_path / "outside"
    outside.write_bytes(path.read_bytes())  # its very content: only the place is wrong
    path.unlink()
    match kind:
        case "link to a file":
            path.symlink_to(outside)
        case "link to a folder":
            path.symlink_to(tmp_path)
        case "dangling":
            path.symlink_to(tmp_path / "nowhere")
        case _:
            os.mkfifo(path)
    read = {
        "photo": lambda: check_photo(folder, entry),
        "labels": lambda: read_labels(folder, entry),
        "zones": lambda: read_zones(folder, entry),
        "slab.json": lambda: load_slab(folder),
    }
    with pytest.raises(RecordError, match=r"leads out|not a file"):
        read[which]()


def test_a_visit_does_not_reach_through_links(tmp_path):
    elsewhere = _folder(tmp_path / "elsewhere" / "private")
    visit = tmp_path / "visit"
    _folder(visit / "mine")
    (visit / "theirs").symlink_to(elsewhere, target_is_directory=True)
    found = {path.name: measure_to_rows(path, draws=20) for path in slab_folders([visit])}
    assert not isinstance(found["mine"], BrokenFolder)
    assert isinstance(found["theirs"], BrokenFolder)
    assert "a link" in found["theirs"].reason


@pytest.mark.parametrize("lock", ["outside.txt", "nowhere"])
def test_saving_through_planted_links_touches_nothing_outside(tmp_path, lock):
    folder = _folder(tmp_path / "slab")
    outside = tmp_path / "outside.txt"
    outside.write_text("precious")
    record = load_slab(folder)
    (folder / "slab.previous.json").symlink_to(outside)
    save_slab(folder, record)
    assert outside.read_text() == "precious"
    (folder / ".slab.lock").unlink(missing_ok=True)
    (folder / ".slab.lock").symlink_to(tmp_path / lock)
    with pytest.raises(RecordError, match="leads out"):
        save_slab(folder, load_slab(folder))
    assert outside.read_text() == "precious"
    assert not (tmp_path / "nowhere").exists()


def test_outputs_replace_links_instead_of_following_them(tmp_path):
    from slabvision.report.page import write_page
    from slabvision.tables import write_made

    outside = tmp_path / "outside.txt"
    outside.write_text("precious")
    out = tmp_path / "out"
    out.mkdir()
    for name in ("slabs.csv", "csv-metadata.json", "page.html"):
        (out / name).symlink_to(outside)
    write_page(out / "page.html", "<p>")
    import pandas as pd

    write_made({"slabs.csv": pd.DataFrame({"slab": ["a"]})}, out)
    assert outside.read_text() == "precious"
    assert not any((out / name).is_symlink() for name in ("slabs.csv", "page.html"))


@pytest.mark.parametrize("name", [".hidden.png", "nul.png", "a:b.png", "\u202ex.png", "<b>.png"])
def test_photos_with_names_no_folder_takes_are_refused_by_name(tmp_path, name):
    photo = tmp_path / name
    photo.write_bytes(good_photos()["png"])
    with pytest.raises(RecordError, match="plain name"):
        new_slab(tmp_path / "slab", [photo])
    assert not (tmp_path / "slab").exists()


def test_a_photo_is_copied_never_moved_and_never_over_another(tmp_path):
    photo = tmp_path / "face-a.png"
    photo.write_bytes(good_photos()["png"])
    (tmp_path / "slab").mkdir()
    (tmp_path / "slab" / "face-a.png").write_bytes(b"somebody's picture")
    with pytest.raises(RecordError, match="already"):
        new_slab(tmp_path / "slab", [photo])
    assert (tmp_path / "slab" / "face-a.png").read_bytes() == b"somebody's picture"
    made = new_slab(tmp_path / "other", [photo])
    assert photo_path(tmp_path / "other", made.photos[0]).read_bytes() == photo.read_bytes()


def test_record_holds_only_hashes_for_content():
    record = SlabRecord.model_validate_json(corpus.record_text(0))
    assert record.photos[0].sha256 == hashlib.sha256(corpus.files()["face-a.png"]).hexdigest()


NEVER_CALLED = {"eval", "exec", "compile", "__import__"}
NEVER_IMPORTED = {"pickle", "marshal", "shelve", "dill", "joblib", "subprocess", "yaml", "ctypes"}
CALLED_NEVER = {"os.system", "os.popen", "pd.read_pickle"}


def _sources() -> list[Path]:
    package = Path(slabvision.__file__).parent
    plugin = package.parent / "plugins" / "napari_slabvision"
    return [*package.rglob("*.py"), *plugin.rglob("*.py")]


def offences(source: str) -> list[str]:
    """Return what in a source would run or unpickle something."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in NEVER_CALLED:
                found.append(called.id)
            words = ast.unparse(called)
            if words in CALLED_NEVER:
                found.append(words)
            if words.endswith(".load") and "allow_pickle=False" not in ast.unparse(node):
                found += [words] if words.split(".")[0] in ("np", "numpy") else []
            found += [
                f"{key.arg}=True"
                for key in node.keywords
                if key.arg in ("allow_pickle", "shell")
                and not (isinstance(key.value, ast.Constant) and key.value.value is False)
            ]
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        found += [name for name in names if name.split(".")[0] in NEVER_IMPORTED]
    return found


def test_nothing_is_executed_or_unpickled():
    sources = _sources()
    assert len(sources) > 100
    found = {path.name: offences(path.read_text("utf-8")) for path in sources}
    assert not {name: what for name, what in found.items() if what}


@pytest.mark.parametrize(
    "source",
    ["eval('1')", "import pickle", "from pickle import loads", "os.system('x')",
     "np.load(f, allow_pickle=True)", "np.load(f)", "run(x, shell=True)"],
)  # fmt: skip
def test_the_search_for_it_finds_it(source):
    assert offences(source)
