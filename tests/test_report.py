"""The report: complete, self-contained, readable aloud, and harmless whatever a record says."""

from __future__ import annotations

import itertools
import re
from importlib.resources import files

import pytest
from typer.testing import CliRunner

from slabvision.cli import app
from slabvision.estimate import Estimate
from slabvision.measure import Buying, measure_slab
from slabvision.record import (
    Defect,
    Flatness,
    MoistureReading,
    Notebook,
    ThicknessReading,
    YardClaim,
)
from slabvision.report.markup import el, join
from slabvision.report.page import slab_report
from slabvision.report.visit_page import visit_report
from slabvision.report.words import board_feet, spread
from slabvision.show import area_words
from tests.html_pages import Page, too_wide
from tests.slab_folders import sheet_mark, square_on_slab

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> & ]]> \u202e"


def full_book(**more):
    known = {
        "tag": "T-7",
        "species": "black walnut",
        "log_number": "L-3",
        "place": "an invented yard",
        "date": "2026-03-02",
        "thickness": [ThicknessReading(mm=x, station_mm=s) for x, s in ((51, 200), (50, 1200))],
        "moisture": [
            MoistureReading(percent=p, station_mm=s, depth_mm=12)
            for p, s in ((11.5, 600), (12.5, 1200), (12.1, 1800))
        ],
        "flatness": Flatness(bow_mm=4, cup_mm=2, twist_mm=3),
        "claim": YardClaim(board_feet=40, price=480, moisture_percent=9, rule="mean of three"),
        "invented": True,
    }
    return Notebook(**(known | more))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return square_on_slab(tmp_path_factory.mktemp("slabs") / "slab-7", notebook=full_book())


@pytest.fixture(scope="module")
def findings(folder):
    return measure_slab(folder)


@pytest.fixture(scope="module")
def page(findings):
    return slab_report(findings, "in")


def test_it_needs_nothing_from_anywhere(page):
    seen = Page(page)
    assert not seen.all("script")
    assert not seen.all("link")
    for name, attributes in seen.elements:
        for key, value in attributes.items():
            assert not key.startswith("on"), (name, key)
            if key in {"src", "href"} or key.endswith(":href"):
                assert value.startswith(("#", "data:image/jpeg;base64,")), (name, key, value[:60])
    style = page[page.index("<style>") : page.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    policies = [m["content"] for m in seen.all("meta") if "http-equiv" in m]
    assert policies == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_it_can_be_read_aloud(page):
    seen = Page(page)
    assert [h["lang"] for h in seen.all("html")] == ["en"]
    ids = [a["id"] for _, a in seen.elements if "id" in a]
    assert len(ids) == len(set(ids))
    levels = [int(name[1]) for name, _ in seen.elements if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels)), levels
    assert all(th.get("scope") in {"col", "row"} for th in seen.all("th"))
    assert len(seen.all("caption")) == len(seen.all("table"))
    for picture in seen.all("svg"):
        assert picture.get("role") == "img" or picture.get("aria-hidden") == "true"
    references = set(re.findall(r"url\(#([^)]+)\)", page)) | set(
        re.findall(r'href="#([^"]+)"', page)
    )
    assert references <= set(ids)


def contrast(one: str, two: str) -> float:
    """Contrast ratio by WCAG 2.1, relative luminance of sRGB."""

    def luminance(color: str) -> float:
        color = color.lstrip("#")
        color = "".join(c * 2 for c in color) if len(color) == 3 else color
        parts = [int(color[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        line = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * line[0] + 0.7152 * line[1] + 0.0722 * line[2]

    lighter, darker = sorted((luminance(one), luminance(two)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_text_stands_out_from_its_ground():
    assert contrast("#fff", "#000") == pytest.approx(21)
    style = (files("slabvision.report") / "style.css").read_text("utf-8")
    colors = dict(re.findall(r"--(\w+):(#[0-9a-f]{3,6})", style))
    for text, grounds in {
        "ink": ("paper", "wash"),
        "soft": ("paper", "wash", "warnwash"),
        "accent": ("paper",),
        "warn": ("paper", "wash", "warnwash"),
    }.items():
        for ground in grounds:
            assert contrast(colors[text], colors[ground]) >= 4.5, (text, ground)  # WCAG 2.1 AA


def test_every_section_is_there_with_its_numbers(page, findings):
    text = Page(page).text
    for title in (
        "Photos", "Layout", "Tag against measured", "Price", "Moisture", "Ring angle",
        "Movement over the seasons", "Thickness after flattening", "Weight and lifting", "Sizes",
        "Defects", "Condition over time", "Sources and assumptions",
    ):  # fmt: skip
        assert title in text
    best = findings.best
    assert area_words(best.keep_outs_mm2, "in") in text
    assert area_words(best.as_seen_mm2, "in") in text
    assert board_feet(findings.clear_mm3) in text
    assert findings.trade.words["tag_check"] in text
    assert "480.00 USD" in text
    assert "slabvision" in text
    for missing in ("no photo of an end", findings.through_mm2.estimate.reason):
        assert missing in text


def test_every_caution_is_in_the_report(page):
    from slabvision.trade.cautions import CAUTIONS

    text = Page(page).text
    for each in CAUTIONS:
        assert each.text in text
        assert each.defer in text


def test_the_layouts_offsets_are_those_of_the_slab(tmp_path):
    # 2400 x 750 mm without defects: the usual trims leave 2196.8 x 737.3; the largest round
    # touches both edge trims, so its centre lies 375 mm from either edge.
    place = square_on_slab(tmp_path / "plain", notebook=full_book())
    take_all = Buying(treatments={"sound_knot": "accept", "surface_check": "accept"})
    text = Page(slab_report(measure_slab(place, buying=take_all), "mm")).text
    row = re.search(
        r"centre (\d[\d,]*) mm \(.*?\) from end [AB] ([\d.]+) mm \(.*?\) from edge", text
    )
    assert row, text[text.index("Largest round") :][:400]
    assert abs(float(row[2]) - 375) <= 2


def test_hostile_text_stays_text(tmp_path):
    book = full_book(
        tag=HOSTILE, species=HOSTILE, place=HOSTILE, log_number=HOSTILE, note=HOSTILE,
        moisture=[MoistureReading(percent=12, meter=HOSTILE)],
        claim=YardClaim(board_feet=40, price=4, currency="<b>&\"'", rule=HOSTILE),
    )  # fmt: skip
    defects = [Defect(number=n, kind="sound_knot", note=HOSTILE, tool=HOSTILE) for n in (1, 2)]
    marks = [sheet_mark(name="<img src=x onerror=a()>")]
    place = square_on_slab(
        tmp_path / "a & b 'c'", notebook=book, defects=defects, marks=marks, focal_why=HOSTILE
    )
    found = measure_slab(place)
    for text in (
        slab_report(found, "in"),
        visit_report(HOSTILE, [found], "in", broken=[(HOSTILE, HOSTILE)]),
    ):
        seen = Page(text)
        assert not seen.all("script")
        assert not seen.all("img")
        assert all(not key.startswith("on") for _, a in seen.elements for key in a)
        assert "<script>alert(1)</script>" in seen.text
        assert "\u202e" not in text


def test_only_elements_pass_unescaped():
    assert el("p", "<b>", el("b", "x & y")) == "<p>&lt;b&gt;<b>x &amp; y</b></p>"
    assert el("a", "x", href='"><script>') == '<a href="&quot;&gt;&lt;script&gt;">x</a>'
    assert join(["a ", el("i", "b"), None]) == "a <i>b</i>"


def test_intervals_round_outwards():
    estimate = Estimate.normal(14.44, 0.7, "%", name="a meter")
    lo, hi = estimate.interval
    value, low, high = map(float, re.findall(r"[\d.]+", str(spread(estimate, "%", step=0.1))))
    assert value == 14.4
    assert low <= lo < low + 0.1
    assert high - 0.1 < hi <= high
    missing = spread(Estimate.undetermined("nobody weighed it", "kg"), "kg")
    assert "not determined: nobody weighed it" in missing


def test_a_visit_lists_what_it_could_not_measure(tmp_path, findings):
    second = square_on_slab(tmp_path / "slab-8", notebook=full_book(tag="T-8"))
    other = measure_slab(second)
    text = visit_report("spring", [findings, other], "in", broken=[("slab-9", "no outline yet")])
    seen = Page(text)
    assert "no outline yet" in seen.text
    assert "2 slabs measured, 1 not" in seen.text
    both = findings.clear_mm3.estimate + other.clear_mm3.estimate
    from slabvision.findings import Budget

    assert board_feet(Budget(both)) in seen.text
    ids = [a["id"] for _, a in seen.elements if "id" in a]
    assert len(ids) == len(set(ids))


def test_one_tag_on_two_dates_is_one_slab_over_time(tmp_path):
    spring = square_on_slab(tmp_path / "a", notebook=full_book(date="2026-03-02"))
    autumn = square_on_slab(
        tmp_path / "b",
        notebook=full_book(date="2026-09-14", moisture=[MoistureReading(percent=9.5)]),
    )
    text = Page(visit_report("two", [measure_slab(autumn), measure_slab(spring)], "in")).text
    assert "1 slab measured" in text
    at = text.index("The same tag on each date")
    assert text.index("2026-03-02", at) < text.index("2026-09-14", at)


def test_the_command_writes_and_says_what_is_missing(tmp_path, folder):
    out = tmp_path / "r.html"
    result = CliRunner().invoke(app, ["report", str(folder), "-o", str(out)])
    assert result.exit_code == 0, result.output
    assert out.read_text("utf-8").startswith("<!DOCTYPE html>")
    (tmp_path / "empty").mkdir()
    bad = CliRunner().invoke(app, ["report", str(tmp_path / "empty"), "-o", str(out)])
    assert bad.exit_code == 2
    assert "no report was written" in bad.output
    mixed = CliRunner().invoke(app, ["report", str(folder), str(tmp_path / "none"), "-o", str(out)])
    assert mixed.exit_code == 1
    assert "Not measured" in out.read_text("utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("width", [360, 412, 768, 1280])
def test_nothing_is_cut_off_in_a_browser(page, findings, width):
    wide = visit_report("v", [findings], "in", broken=[("x" * 90, "y" * 200)])
    for text in (page, wide):
        scroll, inner, cut = too_wide(text, width)
        assert inner <= width
        assert scroll <= inner
        assert cut == ""


@pytest.mark.slow
def test_workers_write_the_same_report(tmp_path):
    visit = tmp_path / "visit"
    for n in range(3):
        square_on_slab(visit / f"slab-{n}", notebook=full_book(tag=f"T-{n}"), grey=120 + n)
    (visit / "slab-x").mkdir()
    (visit / "slab-x" / "slab.json").write_text("[]", "utf-8")
    pages = []
    for jobs in ("1", "2"):
        out = tmp_path / f"{jobs}.html"
        run = CliRunner().invoke(app, ["report", str(visit), "-o", str(out), "--jobs", jobs])
        assert run.exit_code == 1, run.output
        assert "slab-x" in run.output
        pages.append(out.read_text("utf-8"))
    assert pages[0] == pages[1]
    assert "3 slabs measured, 1 not" in Page(pages[0]).text
