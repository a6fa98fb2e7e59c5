"""Whole pages: one file that opens without a network, on a phone, at a desk and on paper."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import slabvision
from slabvision.findings import Findings
from slabvision.report.markup import Html, Node, el, join
from slabvision.report.slab_page import SlabParts, cautions_section, name_of, slab_body
from slabvision.report.words import Unit

__all__ = ["document", "slab_report", "write_page"]


def document(title: str, *body: Node, subtitle: Node = None) -> str:
    """Return a page with its style sheet inside, no script, and nothing fetched from anywhere."""
    style = (files("slabvision.report") / "style.css").read_text("utf-8")
    policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=policy),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="generator", content=f"slabvision {slabvision.__version__}"),
        el("title", title),
        el("style", Html(style)),
    )
    top = el("header", el("h1", title), el("p", subtitle, class_="sub") if subtitle else None,
             class_="top")  # fmt: skip
    foot = el("footer", el("p", f"Made by slabvision {slabvision.__version__}. Figures are for "
                                "choosing and buying, not for strength."))  # fmt: skip
    return "<!DOCTYPE html>\n" + el("html", head, el("body", top, el("main", *body), foot),
                                    lang="en") + "\n"  # fmt: skip


def slab_report(
    findings: Findings, unit: Unit = "in", *, parts: SlabParts | None = None, side_px: int = 1400
) -> str:
    """Return the report of one slab as a page."""
    said = "Photos and numbers of one slab. Brackets hold 95 % intervals."
    return document(
        f"Slab {name_of(findings)}",
        slab_body(findings, unit, parts=parts, side_px=side_px),
        cautions_section(),
        subtitle=said,
    )


def write_page(path: Path | str, text: str) -> Path:
    """Write a page whole or not at all."""
    from slabvision.tables import write_whole

    return write_whole(Path(path), text.encode("utf-8"))


def listed(title: str, items: Sequence[str]) -> Html:
    """Return a heading and a list."""
    return join([el("h3", title), el("ul", *(el("li", item) for item in items))])
