"""HTML made of elements: whatever is not an element is escaped, so no text can become one."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence

from slabvision.text import plain

__all__ = ["Html", "Node", "el", "join", "section", "svg_of", "table"]

_VOID = frozenset({"meta", "img", "br", "hr", "link"})


class Html(str):
    """Markup that was made here; any other string is text and is escaped."""

    __slots__ = ()


Node = Html | str | None


def el(tag: str, *children: Node, **attributes: str | float | None) -> Html:
    """Return an element; ``class_`` and ``for_`` lose their underscore, ``_`` becomes ``-``.

    Examples
    --------
    >>> el("p", "a < b", el("b", "2"), class_="note")
    '<p class="note">a &lt; b<b>2</b></p>'
    """
    parts = [f"<{tag}"]
    for name, value in attributes.items():
        if value is None:
            continue
        key = name.rstrip("_").replace("_", "-")
        text = f"{value:g}" if isinstance(value, float) else str(value)
        parts.append(f' {key}="{html.escape(text, quote=True)}"')
    parts.append(">")
    if tag in _VOID:
        return Html("".join(parts))
    parts += [_safe(child) for child in children if child is not None]
    parts.append(f"</{tag}>")
    return Html("".join(parts))


def _safe(node: Html | str) -> str:
    if isinstance(node, Html):
        return str(node)
    text = str(node)
    before, after = (" " if text[:1] == " " else "", " " if text[-1:] == " " else "")
    return before + html.escape(plain(text), quote=True) + after


def join(nodes: Iterable[Node]) -> Html:
    """Return several nodes one after the other."""
    return Html("".join(_safe(node) for node in nodes if node is not None))


def section(title: str, *children: Node, level: int = 3, key: str | None = None) -> Html:
    """Return a section with its heading; empty children are left out."""
    return el("section", el(f"h{level}", title), *children, id=key)


def table(
    head: Sequence[str], rows: Iterable[Sequence[Node]], *, caption: str, class_: str | None = None
) -> Html:
    """Return a table whose first column names the row.

    Each cell also carries its column's name, so that a narrow screen can show rows as cards.
    """
    header = el("tr", *(el("th", name, scope="col") for name in head))
    body = []
    for row in rows:
        first, *rest = row
        cells = [el("th", first, scope="row", class_=_long(first))]
        cells += [
            el("td", cell if cell not in (None, "") else "–", data_label=name, class_=_long(cell))
            for name, cell in zip(head[1:], rest, strict=True)
        ]
        body.append(el("tr", *cells))
    return el(
        "table",
        el("caption", caption),
        el("thead", header),
        el("tbody", *body),
        class_=class_ or ("pair" if len(head) == 2 else None),
    )


_LONG_WORD = 22


def _long(cell: Node) -> str | None:
    """Return the class of cells whose words may be broken anywhere: those with very long ones."""
    words = re.sub(r"<[^>]*>", " ", str(cell or "")).split()
    return "long" if any(len(word) > _LONG_WORD for word in words) else None


def svg_of(markup: str) -> Html:
    """Return markup that a drawing library made; never text from a record."""
    return Html(markup)
