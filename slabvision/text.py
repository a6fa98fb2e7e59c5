"""Text from strangers, made harmless for tables, pages and terminals."""

from __future__ import annotations

import json
import re
import unicodedata
from typing import Any

__all__ = ["csv_cell", "json_text", "plain"]

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


# Signs that end a script, turn the reading direction, hide, or break a line for some readers.
_STEERING = re.compile(
    "[<>&\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff"
    "\ufff9-\uffff\ud800-\udfff\U000e0000-\U000e0fff]"
)


def json_text(data: Any) -> str:
    r"""Return data as JSON that is inert wherever it is pasted; read back it is the same.

    Examples
    --------
    >>> print(json_text({"tag": "<b>\u202e½"}))
    {
     "tag": "\u003cb\u003e\u202e½"
    }
    """

    def escaped(found: re.Match[str]) -> str:
        return json.dumps(found[0])[1:-1] if ord(found[0]) > 0x7F else f"\\u{ord(found[0]):04x}"

    return _STEERING.sub(escaped, json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False))
