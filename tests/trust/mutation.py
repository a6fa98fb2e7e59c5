"""Ways to spoil a good input: its bytes, its text, or one place of its tree of values."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np

Random = np.random.Generator

HOSTILE_TEXT = (
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(2)>'",
    "]]></style><svg onload=alert(3)>",
    '=HYPERLINK("http://example.invalid","x")',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    "\t=1+1",
    "\u202egnp.exe",
    "\u2066left\u2069",
    "two\nlines",
    "two\r\nrows",
    "\u2028\u2029\x85",
    "\x00nul",
    "\x1b[31mred\x1b]0;title\x07",
    "[bold red]markup[/]",
    "[link=http://example.invalid]x[/link]",
    "$x^2$ \\frac",
    "%s %n {0} {}",
    "../../etc/passwd",
    "C:\\Windows\\system.ini",
    "/etc/passwd",
    "CON",
    "\ufeffmark",
    "\ud7ff\ue000\U0010ffff",
    "e\u0301" * 40,
    "Z" * 600,
    "",
    " ",
)
HOSTILE_NUMBERS = (
    0, -1, 1, 2, -0.0, 1e-300, 5e-324, 1e308, -1e308, 10**30, 10**400, 65_535, 65_536, 2**31,
    2**63, -(2**63), 0.1, 1e5, 1e6, 130_999.9, float("nan"), float("inf"), float("-inf"),
)  # fmt: skip
HOSTILE_VALUES = (None, True, False, [], {}, [[]], {"": ""}, [None], *HOSTILE_NUMBERS)


def spoil_bytes(data: bytes, random: Random) -> bytes:
    """Cut, flip, overwrite, repeat, drop, insert or swap; one to four times."""
    out = bytearray(data)
    for _ in range(int(random.integers(1, 5))):
        if not out:
            break
        at = int(random.integers(0, len(out)))
        length = int(random.integers(1, 1 + min(len(out), int(2 ** random.uniform(0, 12)))))
        match int(random.integers(0, 8)):
            case 0:
                del out[at:]
            case 1:
                out[at] ^= 1 << int(random.integers(0, 8))
            case 2:
                out[at] = int(random.choice([0, 1, 0x7F, 0x80, 0xFF]))
            case 3:
                out[at : at + length] = random.integers(0, 256, length, dtype=np.uint8).tobytes()
            case 4:
                out[at:at] = out[at : at + length]
            case 5:
                del out[at : at + length]
            case 6:
                out[at : at + 4] = random.choice(
                    [b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\0\0\0\0", b"\0\0\0\1"]
                )
            case _:
                other = int(random.integers(0, len(out)))
                out[at : at + length], out[other : other + length] = (
                    out[other : other + length],
                    out[at : at + length],
                )
    return bytes(out)


def spoil_head(data: bytes, random: Random) -> bytes:
    """Overwrite a few of the first bytes, where sizes and offsets stand."""
    out = bytearray(data)
    for at in random.integers(0, min(600, len(out)), int(random.integers(1, 5))):
        out[at] = int(random.integers(0, 256))
    return bytes(out)


def spoil_text(text: str, random: Random) -> str:
    """Drop, repeat, swap or replace characters, or put a hostile text in."""
    out = text
    for _ in range(int(random.integers(1, 4))):
        at = int(random.integers(0, len(out) + 1))
        length = int(random.integers(1, 6))
        match int(random.integers(0, 6)):
            case 0:
                out = out[:at] + out[at + length :]
            case 1:
                out = out[:at] + out[at : at + length] * int(random.integers(2, 50)) + out[at:]
            case 2:
                out = out[:at] + str(random.choice(HOSTILE_TEXT)) + out[at:]
            case 3:
                out = out[:at] + chr(int(random.integers(0, 0x3000))) + out[at:]
            case 4:
                out = out[:at] + str(HOSTILE_NUMBERS[random.integers(0, len(HOSTILE_NUMBERS))])
            case _:
                out = out[at:] + out[:at]
    return out


def spoil_tree(tree: Any, random: Random) -> Any:
    """Return a copy of a JSON-like tree with one place spoiled, sometimes two or three."""
    out = copy.deepcopy(tree)
    for _ in range(int(random.choice([1, 1, 1, 2, 3]))):
        places = list(_places(out))
        if not places:
            break
        holder, key = places[random.integers(0, len(places))]
        old = holder[key]
        match int(random.integers(0, 9)):
            case 0 | 1:
                holder[key] = copy.deepcopy(HOSTILE_VALUES[random.integers(0, len(HOSTILE_VALUES))])
            case 2:
                holder[key] = str(random.choice(HOSTILE_TEXT))
            case 3:
                del holder[key]
            case 4 if isinstance(old, int | float) and not isinstance(old, bool):
                holder[key] = old * float(random.choice([-1, 0, 0.001, 0.5, 1.5, 25.4, 1e6]))
            case 5 if isinstance(old, list):
                holder[key] = old * int(random.integers(0, 30))
            case 5 if isinstance(old, str):
                holder[key] = spoil_text(old, random)
            case 6:
                other, name = places[random.integers(0, len(places))]
                holder[key] = copy.deepcopy(other[name] if _has(other, name) else None)
            case 7 if isinstance(holder, dict):
                holder[str(random.choice([*HOSTILE_TEXT, "__class__", "model_config"]))] = old
            case 8 if isinstance(old, list):
                random.shuffle(old)
            case _:
                holder[key] = [old] if isinstance(old, dict) else {"a": old}
    return out


def nudge_tree(tree: Any, random: Random) -> Any:
    """Return a copy that still looks right: numbers moved, words replaced, members left out.

    It gets further into the program than :func:`spoil_tree`, whose inputs end at the door.
    """
    out = copy.deepcopy(tree)
    for _ in range(int(random.integers(1, 8))):
        places = list(_places(out))
        holder, key = places[random.integers(0, len(places))]
        old = holder[key]
        if isinstance(old, bool):
            holder[key] = not old
        elif isinstance(old, int | float):
            scale = float(random.choice([0, 0.01, 0.5, 0.9, 1.001, 1.1, 2, 12, 25.4, -1]))
            moved = old * scale + float(random.choice([0, 0, 1, -1]))
            holder[key] = round(moved) if isinstance(old, int) else moved
        elif isinstance(old, str) and random.random() < 0.3:
            holder[key] = str(random.choice(HOSTILE_TEXT))[:80]
        elif isinstance(old, list) and old:
            drop = int(random.integers(0, len(old)))
            holder[key] = (
                old[:drop] + old[drop + 1 :] if random.random() < 0.5 else [*old, old[drop]]
            )
        elif isinstance(holder, dict) and random.random() < 0.3:
            del holder[key]
    return out


def spoil_json(text: str, random: Random) -> bytes:
    """Spoil the writing of JSON itself: nesting, numbers, encodings, doubled keys."""
    at = int(random.integers(0, len(text)))
    match int(random.integers(0, 9)):
        case 0:
            return b"[" * int(random.choice([100, 5000, 200_000])) + text.encode()
        case 1:
            return text.replace(": 1", ": " + "9" * int(random.choice([20, 500, 5000]))).encode()
        case 2:
            return text.encode(str(random.choice(["utf-16", "utf-32", "utf-8-sig"])))
        case 3:
            return text[:at].encode() + b"\xff\xfe\x00" + text[at:].encode()
        case 4:
            return text.replace('"', '"\\ud800', 1 + at % 40).encode()
        case 5:
            return text.replace("{", '{"schema_version": 1, "file": "../x",', 1 + at % 5).encode()
        case 6:
            return text.replace("{", '{"x": ' * int(random.choice([50, 3000, 100_000])), 1).encode()
        case 7:
            return text.replace("1", str(random.choice(["NaN", "-Infinity", "1e999"])), 3).encode()
        case _:
            return spoil_bytes(text.encode(), random)


def _has(holder: Any, key: Any) -> bool:
    return key in holder if isinstance(holder, dict) else key < len(holder)


def _places(tree: Any) -> Any:
    keys = list(tree) if isinstance(tree, dict) else range(len(tree))
    for key in keys:
        yield tree, key
        if isinstance(tree[key], dict | list) and tree[key]:
            yield from _places(tree[key])
