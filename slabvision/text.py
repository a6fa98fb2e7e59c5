"""Text from strangers, made harmless for tables, pages and terminals."""

from __future__ import annotations

import unicodedata

__all__ = ["csv_cell", "plain"]

# A spreadsheet takes a cell that begins with one of these for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


def plain(text: str) -> str:
    r"""Return text on one line without control, direction-changing or unassigned characters.

    Examples
    --------
    >>> plain("oak\u202e gnp.exe\nnext")
    'oak gnp.exe next'
    """
    spaced = "".join(" " if c in "\n\r\t\v\f\u2028\u2029\x85" else c for c in text)
    kept = (c for c in spaced if unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Co", "Cn"})
    return " ".join("".join(kept).split())


def csv_cell(text: str) -> str:
    """Return text that no spreadsheet takes for a formula; the apostrophe marks it as text.

    Examples
    --------
    >>> csv_cell("=HYPERLINK(1)"), csv_cell("red oak")
    ("'=HYPERLINK(1)", 'red oak')
    """
    clean = plain(text)
    return f"'{clean}" if clean.startswith(_FORMULA) else clean
