"""Starting the program against starting Python itself; and the processor time of both.

.venv/bin/pytest tests/benchmarks/bench_start.py --benchmark-only -m ""
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

GROUP = "start: bar is --version and --help at most 0.3 s of processor time each"


def _processor_s(words: list[str]) -> float:
    before = os.times()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return (
        after.children_user + after.children_system - before.children_user - before.children_system
    )


@pytest.mark.benchmark(group=GROUP)
@pytest.mark.parametrize(
    "words", [["-c", "pass"], ["-m", "slabvision", "--version"], ["-m", "slabvision", "--help"]],
    ids=["python alone", "--version", "--help"],
)  # fmt: skip
def test_start(benchmark, words):
    whole = [sys.executable, *words]
    benchmark.extra_info["processor_s"] = min(_processor_s(whole) for _ in range(5))
    benchmark.pedantic(subprocess.run, args=(whole,), kwargs={"stdout": subprocess.DEVNULL},
                       rounds=5)  # fmt: skip
    print(f"{benchmark.extra_info['processor_s']:.3f} s of processor time")
    assert benchmark.extra_info["processor_s"] <= 0.3
