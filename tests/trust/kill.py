"""SIGKILL at random moments of saving, counted.

    python -m tests.trust.kill --times 500

A forked child saves one number after another and tells each completed save; it is killed after a
random time. Then the slab must load, hold at least the last completed save and at most the one
begun after it, and its picture must be of the same save as its table.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from slabvision.store import load_slab
from tests.trust.saves import number_in, save_number, start


def _save_for_ever(folder: Path, told: int) -> None:
    record = load_slab(folder)
    for number in range(int(record.notebook.tag) + 1, 10**9):
        record = save_number(folder, record, number)
        os.write(told, f"{number}\n".encode())


def kill_once(folder: Path, after_s: float) -> str:
    """Kill a saving child after a time; return what was found, or raise ``AssertionError``."""
    before, old = number_in(folder), set(folder.glob(".*.part"))
    reading, telling = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reading)
            _save_for_ever(folder, telling)
        finally:
            os._exit(3)
    os.close(telling)
    try:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status), "the child ended by itself: a save failed"
        lines = b"".join(iter(lambda: os.read(reading, 65_536), b"")).split()
    finally:
        os.close(reading)
    completed = int(lines[-1]) if lines else before
    midway = set(folder.glob(".*.part")) - old
    now = number_in(folder)
    assert completed <= now <= completed + 1, f"save {completed} was completed, {now} is there"
    if now > completed:
        return "after the rename, before it was told"
    if midway:
        return "with a file written and not yet in its place"
    return "in its first save" if now == before else "between two steps"


def seconds_a_save(folder: Path) -> float:
    """Return how long a save takes on this disk, the middle one of five."""
    record, taken = load_slab(folder), []
    for number in range(5):
        begun = time.monotonic()
        record = save_number(folder, record, number)
        taken.append(time.monotonic() - begun)
    return sorted(taken)[2]


def main(words: list[str] | None = None) -> int:
    """Run from a shell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    known = parser.parse_args(words)
    random = np.random.default_rng(known.seed)
    found: Counter[str] = Counter()
    lost = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        start(folder)
        longest = 4 * seconds_a_save(folder)
        for time_ in range(known.times):
            try:
                found[kill_once(folder, float(random.uniform(0, longest)))] += 1
            except Exception as error:
                lost += 1
                print(f"kill {time_}: {type(error).__name__}: {error}")
        saves = number_in(folder)
        save_number(folder, load_slab(folder), saves + 1)
        left = len(list(folder.glob(".*.part")))
    for what, count in found.most_common():
        print(f"{count:5d} killed {what}")
    print(f"{known.times} kills, {saves} saves, {lost} lost or mixed")
    print(f"{left} half-written files left after the next save")
    return 1 if lost or left else 0


if __name__ == "__main__":
    sys.exit(main())
