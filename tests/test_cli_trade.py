"""``slabvision trade``: every command with its own example, and how errors end."""

from __future__ import annotations

import random
import re
import shlex
import subprocess
import sys

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from slabvision.cli_trade import app
from slabvision.cli_trade_words import length, number, signed_mm, temperature_c, weight_kg

runner = CliRunner()
WIDTH = 80


def run(line: str) -> tuple[int, str, str]:
    result = runner.invoke(app, shlex.split(line), env={"COLUMNS": str(WIDTH), "TERM": "dumb"})
    return result.exit_code, result.stdout, result.stderr


def commands() -> dict[str, str]:
    group = get_command(app)
    return {name: each.epilog or "" for name, each in group.commands.items()}  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", sorted(commands()))
def test_the_example_in_each_help_runs_and_fits_the_terminal(name: str) -> None:
    example = commands()[name]
    assert example.startswith(f"Example: slabvision trade {name}")
    code, out, err = run(example.removeprefix("Example: slabvision trade "))
    assert code == 0, err
    assert err == ""
    assert len(out.splitlines()) >= 4
    assert max(len(line) for line in out.splitlines()) <= WIDTH


@pytest.mark.parametrize("name", sorted(commands()))
def test_help_names_an_example(name: str) -> None:
    code, out, _ = run(f"{name} --help")
    assert code == 0
    assert "Example: slabvision trade" in " ".join(out.split())


def test_board_feet_reads_like_a_person_says_it() -> None:
    code, out, _ = run(
        "board-feet --length '12 ft' --width '27.3 ± 0.4' --thickness '2 ± 0' "
        "--rule 'hardwood export tally' --tag 54"
    )
    said = " ".join(out.split())
    assert code == 0
    assert "54, or" in said
    assert "56 if the width is 27 1/2 in or more" in said
    assert "tag 54 agrees" in said


def test_all_rules_and_where_a_tag_could_come_from() -> None:
    _, out, _ = run("board-feet --length 96 --width 20 --width 26 --thickness 2.25 --tag 30")
    said = " ".join(out.split())
    assert "mean of ends 34.5 board feet" in said
    assert re.search(r"tag 30 could come from: .*narrowest width", said)


def test_walnut_weighs_161_pounds_or_73_kilograms() -> None:
    line = "weight walnut --length 96in --width 30in --thickness 2.5in --moisture 12"
    assert "161 lb" in run(line)[1]
    _, out, _ = run(f"{line} --unit mm")
    assert re.search(r"weight\s+73 kg", out)
    assert "4 people" in " ".join(out.split())


def test_movement_shows_sources_that_disagree() -> None:
    _, out, _ = run("movement 'northern red oak' --width 36 --from 12 --to 7 --ring-angle 0")
    said = " ".join(out.split())
    assert "-0.55 in" in said
    assert "-0.66 in" in said  # the group's coefficient of Table 13-5
    assert "published sources differ by 22 %" in said


def test_moisture_against_the_seller() -> None:
    _, out, _ = run("moisture 12 13 14 --stated 8")
    said = " ".join(out.split())
    assert "stated 8 % is contradicted" in said
    assert "5.0 points still to lose" in said


def test_memory_is_marked_on_the_screen() -> None:
    assert "from memory" in run("species 'shellbark hickory'")[1]
    _, out, _ = run(
        "board-feet --length 96 --width 20 --width 26 --thickness 2 "
        "--rule 'third from the narrow end'"
    )
    assert "from memory" in " ".join(out.split())


def test_cautions_are_shown_where_it_can_hurt() -> None:
    assert "caution:" in run("weight elm --length 60 --width 20 --thickness 2 --moisture 12")[1]
    flat = run("flatten --length 96 --width 30 --thickness 2.5 --bow 1/4")[1]
    assert "detect on both" in " ".join(flat.split())
    full = " ".join(run("cautions")[1].split())
    for source in ("NIOSH Pub. 94-110", "OSHA", "NA-TP-02-94", "common practice, no source"):
        assert source in full


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("emc --temp 70F --rh 99", "relative humidity is 99"),
        ("emc --temp warm --rh 45", "write for instance 70F or 21C"),
        ("weight elm --length abc --width 3 --thickness 2 --moisture 12", "abc"),
        ("weight elm --length 96 --width 3 --thickness 2 --moisture damp", "12 ± 1"),
        ("board-feet --length 96 --width 20 --thickness 2 --rule nonsense", "is not known"),
        ("board-feet --length 96 --width 20 --rule plain", "needs a thickness"),
        ("board-feet --length 96 --width 20 --thickness 2 --unit ft", "must be in or mm"),
        ("board-feet --length 96 --width 20 --thickness 2 --bark maybe", "in, out or unsaid"),
        ("flatten --length 96 --width 30 --thickness 2@200", "station"),
        ("flatten --length 96 --width 30 --thickness 2 --bow 3 --plan", "nothing is left"),
        ("movement elm --width 30 --from 12 --to 8 --ring-angle 95", "ring angle is 95"),
        ("movement elm --width 30 --from 12 --to 8 --ring-angle 9 --pith-height 9", "not both"),
        ("cost --price 12 --price-per mile", "one of slab, board foot"),
        ("cost --price 12 --price-per 'board foot'", "--board-feet"),
        ("drying '2025-13-01;12%'", "write for instance 2025-03-01"),
        ("haul 'walnut; 96; 30'", "has 3 parts"),
        ("species x --stand-in y", "is not in the species table"),
        ("weight elm --length '3 ± 4' --width 3 --thickness 2 --moisture 12", "as large as"),
        ("seasons elm --width 42 --now 9 --ring-angle inf", "12 ± 1"),
        ("moisture 12 --for moon", "interior-damp"),
        ("moisture 12 --meter pins", "resistance or dielectric"),
    ],
)
def test_errors_are_one_line_and_end_with_2(line: str, says: str) -> None:
    code, _, err = run(line)
    assert code == 2
    assert err.count("\n") == 1
    assert err.startswith("slabvision trade: ")
    assert says in err


_JUNK = ["", "0", "-1", "1e308", "nan", "-inf", "1/0", "½", "9" * 60, "12 ± ", "± ±", "27\u202e",
         "1e-320", "999999", "12 ± 1e9", "1 ± 50", "@", "1@", "a;b;c;d;e", "; ; ; ; ", "2025-01-01",
         "2025-01-01; 5 %; 6 lb", "wet", "100m", "1 in ± 100 ft", "450", "-0", "0 ± 5"]  # fmt: skip


def test_any_typed_nonsense_ends_in_an_answer_or_one_line() -> None:
    """Every example with one to three of its words replaced; a fixed 80 of them."""
    chance = random.Random(8)
    examples = [shlex.split(e.removeprefix("Example: slabvision trade ")) for e in
                commands().values()]  # fmt: skip
    codes = []
    for _ in range(80):
        words = list(chance.choice([e for e in examples if len(e) > 1]))
        for _ in range(chance.choice([1, 1, 2, 3])):
            at = chance.randrange(1, len(words))
            if not words[at].startswith("--"):
                words[at] = chance.choice(_JUNK)
        result = runner.invoke(app, words, env={"COLUMNS": str(WIDTH)})
        assert result.exception is None or isinstance(result.exception, SystemExit), words
        assert result.exit_code in (0, 2), words
        codes.append(result.exit_code)
    assert codes.count(2) > 20
    assert codes.count(0) > 20


def test_hostile_text_cannot_reach_the_terminal() -> None:
    _, out, _ = run("species 'elm\x1b[31m\u202edraob'")
    assert "\x1b" not in out
    assert "\u202e" not in out


# Typed numbers -----------------------------------------------------------------------------------


def test_lengths_with_a_plus_minus() -> None:
    typed = length("27 1/4 ± 1/8 in", "in", "width")
    assert typed.value == pytest.approx(27.25 * 25.4)
    lo, hi = typed.interval
    assert (hi - lo) / 2 == pytest.approx(25.4 / 8, rel=0.03)
    assert length("690 +/- 5 mm", "in", "width").value == 690
    assert length("690 +- 0", "mm", "width").u == 0
    assert length("8 ft", "in", "length", 1.0).u == pytest.approx(1.0, rel=0.01)
    with pytest.raises(ValueError, match="± 1/8 in"):
        length("± 3", "in", "width")


def test_numbers_temperatures_weights() -> None:
    assert number("12 ± 2", "%", "moisture").u == pytest.approx(1.0, rel=0.01)
    assert number("12 %", "%", "moisture").value == 12
    assert signed_mm("-1/4", "in", "bow").value == pytest.approx(-6.35)
    assert signed_mm("0", "in", "bow").value == 0
    assert temperature_c("70F", "mm", "t") == pytest.approx(21.11, abs=0.01)
    assert temperature_c("70", "in", "t") == pytest.approx(21.11, abs=0.01)
    assert temperature_c("-5 °C", "in", "t") == -5
    assert weight_kg("100 lb", "mm", "w") == pytest.approx(45.359237)
    assert weight_kg("100", "mm", "w") == 100


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, slabvision.cli_trade\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'cv2', 'shapely', 'skimage', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
