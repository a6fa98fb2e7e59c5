"""What may stand in a file that is handed on, however hostile the record was."""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from typing import Any

from tests.html_pages import Page

FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
"""What a spreadsheet takes for a formula (OWASP, "CSV Injection")."""
ELEMENTS = frozenset((
    "html", "head", "meta", "title", "style", "body", "header", "footer", "main", "section",
    "article", "nav", "aside", "h1", "h2", "h3", "h4", "h5", "h6", "p", "span", "b", "strong",
    "em", "i", "small", "br", "hr", "ul", "ol", "li", "dl", "dt", "dd", "table", "caption",
    "thead", "tbody", "tr", "th", "td", "a", "img", "image", "figure", "figcaption", "svg", "g",
    "path",
    "rect", "circle", "ellipse", "line", "polyline", "polygon", "text", "tspan", "defs", "use",
    "clippath", "pattern", "input", "label", "details", "summary", "div", "abbr", "time", "sup",
    "sub", "metadata", "rdf:rdf", "cc:work", "dc:title", "dc:date", "dc:format", "dc:type",
    "dc:creator", "cc:agent",
))  # fmt: skip
"""Elements of our own pages; never script, iframe, object, embed, form, link or base."""


def harmless(text: str) -> bool:
    """Return whether text has no sign that steers a terminal or turns the reading direction."""
    return not any(
        unicodedata.category(c) in {"Cc", "Cf", "Cs", "Co", "Cn"} or c in "\u2028\u2029"
        for c in text
    )


def check_csv(data: bytes) -> list[dict[str, str]]:
    """Assert that a table is whole and inert, and return its rows."""
    text = data.decode("utf-8")
    assert text.endswith("\r\n")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    widths = {len(row) for row in rows}
    assert len(widths) == 1, f"rows of {widths} cells"
    for row in rows:
        for cell in row:
            assert harmless(cell), f"cell {cell!r}"
            if not _is_number(cell):
                assert not cell.startswith(FORMULA), f"cell {cell!r} begins like a formula"
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def check_html(text: str) -> Page:
    """Assert that a page is well-formed, runs nothing, fetches nothing, and return it parsed."""
    assert harmless(text.replace("\n", " ")), "control or direction-changing signs in the page"
    page = Page(text)
    for name, attributes in page.elements:
        assert name in ELEMENTS, f"element {name}"
        for key, value in attributes.items():
            assert not key.startswith("on"), f"{name} {key}={value!r}"
            if key in ("src", "href", "xlink:href", "action", "data", "srcset", "poster"):
                assert value.startswith(("data:image/", "#")), f"{name} {key}={value[:60]!r}"
            if key == "style":
                assert "url(" not in value.lower().replace("url(#", ""), f"style {value!r}"
                assert "expression" not in value.lower()
    policy = [a for a in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy, "no Content-Security-Policy"
    assert "default-src 'none'" in policy[0]["content"]
    return page


def check_json(data: bytes) -> Any:
    """Assert that a file is strict JSON (no NaN, no doubled keys) and return it."""

    def refuse(name: str) -> Any:
        raise AssertionError(f"{name} is not JSON")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        assert len(dict(pairs)) == len(pairs), "a key stands twice"
        return dict(pairs)

    return json.loads(data.decode("utf-8"), parse_constant=refuse, object_pairs_hook=once)
