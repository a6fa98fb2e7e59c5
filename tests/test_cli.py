"""The command line: what it prints, what it writes, how it fails."""

from __future__ import annotations

import subprocess
import sys

import pytest
from typer.testing import CliRunner

import slabvision
from slabvision.cli import app
from tests.slab_folders import square_on_slab

runner = CliRunner()


@pytest.mark.parametrize("flag", ["--help", "--version"])
def test_version_and_help_load_nothing_heavy(flag):
    code = (
        "import atexit, sys\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'pandas', 'shapely', 'pydantic', 'matplotlib'}\n"
        "atexit.register(lambda: print('heavy:', sorted(heavy & set(sys.modules))))\n"
        f"sys.argv = ['slabvision', '{flag}']\n"
        "from slabvision.__main__ import main\n"
        "main()"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "heavy: []" in said.stdout
    words = [slabvision.__version__] if flag == "--version" else ["measure", "trade", "validate"]
    assert all(word in said.stdout for word in words)


@pytest.mark.parametrize("command", ["demo", "new", "measure", "board"])
def test_every_command_has_an_example(command):
    assert "Example: slabvision" in runner.invoke(app, [command, "--help"]).output


def test_measure_prints_and_writes(tmp_path):
    folder = square_on_slab(tmp_path / "slab-1")
    out = tmp_path / "tables"
    result = runner.invoke(app, ["measure", str(folder), "--csv", str(out), "--explain"])
    assert result.exit_code == 0, result.output
    assert "gross area" in result.output
    assert "ft²" in result.output
    assert "board feet" in result.output
    assert "boundary" in result.output
    assert sorted(p.name for p in out.iterdir()) == [
        "csv-metadata.json",
        "defects.csv",
        "faces.csv",
        "slabs.csv",
        "widths.csv",
    ]


def test_millimetres_on_request(tmp_path):
    folder = square_on_slab(tmp_path / "slab-1")
    result = runner.invoke(
        app, ["measure", str(folder), "--unit", "mm", "--csv", str(tmp_path / "t"), "--picture"]
    )
    assert result.exit_code == 0, result.output
    assert "m²" in result.output
    header = (tmp_path / "t" / "slabs.csv").read_text("utf-8").splitlines()[0]
    assert "gross_area_mm2_lo95" in header
    assert (tmp_path / "t" / "slab-1-face-A.png").stat().st_size > 10_000


def test_a_broken_folder_does_not_stop_the_rest(tmp_path):
    good = square_on_slab(tmp_path / "good")
    result = runner.invoke(app, ["measure", str(tmp_path / "missing"), str(good)])
    assert result.exit_code == 1
    assert "missing" in result.output
    assert "gross area" in result.output


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["measure", "nowhere"], "there is no such record"),
        (["measure", "nowhere", "--unit", "cubit"], "in or mm"),
        (["new", "slab", "nothing.jpg"], "nothing.jpg"),
        (["board", "--paper", "a0"], "letter or a4"),
        (["board", "-o", "no/such/folder/board.pdf"], "cannot be written"),
    ],
)
def test_errors_are_one_line_a_person_can_act_on(tmp_path, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    result = runner.invoke(app, arguments)
    assert result.exit_code == 2
    assert says in result.output
    assert len(result.output.strip().splitlines()) == 1
    assert "Traceback" not in result.output


def test_board_is_written(tmp_path):
    out = tmp_path / "board.pdf"
    result = runner.invoke(app, ["board", "-o", str(out), "--paper", "a4"])
    assert result.exit_code == 0, result.output
    assert out.read_bytes().startswith(b"%PDF")
    assert "100 %" in result.output


def test_new_makes_a_folder_that_measure_explains(tmp_path):
    import numpy as np
    from PIL import Image

    photo = tmp_path / "face-a.png"
    Image.fromarray(np.full((60, 80, 3), 99, np.uint8)).save(photo)
    made = runner.invoke(app, ["new", str(tmp_path / "slab"), str(photo)])
    assert made.exit_code == 0, made.output
    result = runner.invoke(app, ["measure", str(tmp_path / "slab")])
    assert result.exit_code == 2
    assert "no outline" in result.output


def test_render_writes_photos_and_keeps_their_truth_apart(tmp_path):
    out = tmp_path / "rendered"
    asked = ["render", "--seed", "3", "--out", str(out), "--like", "walnut", "--megapixels", "0.3"]
    result = runner.invoke(app, asked)
    assert result.exit_code == 0, result.output
    assert [p.name for p in out.glob("*.jpg")]
    assert any((out / "truth").iterdir())
    wrong = runner.invoke(app, ["render", "--seed", "3", "--out", str(out), "--like", "plastic"])
    assert wrong.exit_code == 2
    assert "walnut" in wrong.output
