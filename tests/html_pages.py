"""Pages under test: read by a strict parser, and laid out by a browser where there is one."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import tempfile
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Every element with its attributes, and the text; unbalanced markup is an error."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == [], f"not closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> without a start"
        assert self.open[-1] == tag, f"</{tag}> closes <{self.open[-1]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]


def too_wide(page: str, width: int) -> Any:
    """Return (scroll width, inner width, elements cut off) as a browser lays the page out."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("left out: no chromium on this machine (CI installs it)")
    probe = """<script>addEventListener('load',()=>{const d=document.documentElement;
      const out=[...document.querySelectorAll('main *,header *,footer *')].filter(e=>
        !e.closest('svg')&&e.getBoundingClientRect().right>d.clientWidth+0.5
        &&getComputedStyle(e).position!=='absolute').map(e=>e.tagName+':'+e.textContent.slice(0,40));
      parent.document.body.dataset.wide=[d.scrollWidth,d.clientWidth,out.join('|')].join(';');});
      </script></html>"""
    inner = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
    inner = inner.replace("</html>", probe)
    frame = (
        "<!DOCTYPE html><body><iframe style='border:0' "
        f'width={width} height=900 srcdoc="{html.escape(inner)}"></iframe></body>'
    )
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "frame.html"
        path.write_text(frame, "utf-8")
        done = subprocess.run(
            [browser, "--headless", "--no-sandbox", "--disable-gpu",
             "--disable-background-networking", f"--user-data-dir={place}/profile",
             "--virtual-time-budget=8000", "--window-size=1400,1000", "--dump-dom",
             path.as_uri()],
            capture_output=True, text=True, timeout=110, check=False,
        )  # fmt: skip
    found = re.search(r'data-wide="(\d+);(\d+);([^"]*)"', done.stdout)
    assert found, f"the browser gave no widths: {done.stderr[-400:]}"
    return int(found[1]), int(found[2]), html.unescape(found[3])
