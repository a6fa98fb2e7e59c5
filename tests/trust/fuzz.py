"""Spoiled inputs for every reader, each in a child process that is watched.

    python -m tests.trust.fuzz --inputs 20000

Each input must end in a named error that names the file, or in a result that holds what it
promises; without a traceback, in at most 1.5 GB and 10 s. Memory is the peak of the child's
resident set; time is the child's processor time, so that a busy machine does not count. An input
is known by reader, seed and number, and made again from them: ``--reader photo --only 17``.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np

MOST_BYTES = 1_500_000_000
MOST_SECONDS = 10.0
KILLED_AFTER_S = 30.0
"""Processor time after which a child that says nothing is taken to hang."""
_GIVEN_UP_AFTER_S = 900.0
"""The same by the clock: it waits for something that never comes."""


@dataclass(frozen=True)
class Ended:
    """How one input ended.

    Attributes
    ----------
    reader, number : str, int
        Make it again with ``--reader`` and ``--only``.
    way : {"read", "refused", "fault"}
    what : str
        What came out, the error's name, or what is wrong.
    seconds, peak_bytes : float
    """

    reader: str
    number: int
    way: str
    what: str
    seconds: float
    peak_bytes: int


# In the child ------------------------------------------------------------------------------------


def _peak_bytes() -> int:
    for line in Path("/proc/self/status").read_text("ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    return 0


def _forget_peak() -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", "ascii")


def one_input(name: str, seed: int, number: int, folder: Path) -> Ended:
    """Make and read one input in this process."""
    from tests.trust.readers import READERS

    reader = READERS[name]
    random = np.random.default_rng([seed, number, *name.encode()])
    reader.write(random, folder)
    _forget_peak()
    start = time.process_time()
    try:
        way, what = "read", reader.read(folder)
    except reader.errors() as error:
        way, what = "refused", type(error).__name__
        said = str(error)
        if not said or len(said) > 2_000 or said == repr(error):
            way, what = "fault", f"{what} says {said[:200]!r}"
    except BaseException:
        way, what = "fault", traceback.format_exc(limit=-6)
    seconds, peak = time.process_time() - start, _peak_bytes()
    if way != "fault" and seconds > MOST_SECONDS:
        way, what = "fault", f"took {seconds:.1f} s of processor time"
    if way != "fault" and peak > MOST_BYTES:
        way, what = "fault", f"took {peak / 1e9:.2f} GB"
    return Ended(name, number, way, what, seconds, peak)


def _child(seed: int, inject: str) -> None:
    """Read inputs named on stdin, one JSON line each; say how each ended on stdout."""
    import resource
    import warnings

    warnings.simplefilter("ignore")
    said = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    resource.setrlimit(resource.RLIMIT_AS, (8 << 30, 8 << 30))  # a run-away hurts nobody else
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if inject:
        module, function = inject.split(":")
        getattr(__import__(module, fromlist=[function]), function)()
    for line in sys.stdin:
        name, number = json.loads(line)
        folder = Path(tempfile.mkdtemp(prefix="fuzz"))
        try:
            ended = one_input(name, seed, number, folder)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        said.write(json.dumps(vars(ended)) + "\n")
        said.flush()


# In the parent -----------------------------------------------------------------------------------


class _Child:
    def __init__(self, seed: int, inject: str) -> None:
        words = [sys.executable, "-m", "tests.trust.fuzz", "--child", "--seed", str(seed)]
        self.process = subprocess.Popen(
            [*words, "--inject", inject],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            cwd=Path(__file__).resolve().parents[2],
            env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )

    def ask(self, name: str, number: int, killed_after_s: float) -> Ended:
        stdin, stdout = self.process.stdin, self.process.stdout
        assert stdin is not None
        assert stdout is not None
        with contextlib.suppress(BrokenPipeError):
            stdin.write(json.dumps([name, number]) + "\n")
            stdin.flush()
        ready, before, start = [], self._processor_s(), time.monotonic()
        while not ready and self._processor_s() - before < killed_after_s:
            ready, _, _ = select.select([stdout], [], [], 1.0)
            if time.monotonic() - start > _GIVEN_UP_AFTER_S:
                break
        line = stdout.readline() if ready else ""
        if line:
            return Ended(**json.loads(line))
        spent = self._processor_s() - before
        self.process.kill()
        code = self.process.wait()
        what = f"the process died (code {code})" if ready else f"hangs: killed after {spent:.0f} s"
        return Ended(name, number, "fault", what, spent, 0)

    def _processor_s(self) -> float:
        with contextlib.suppress(OSError):
            stat = Path(f"/proc/{self.process.pid}/stat").read_text("ascii")
            user, system = stat.rpartition(")")[2].split()[11:13]
            return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")
        return 0.0

    def close(self) -> None:
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                stream.close()
        self.process.wait(timeout=30)


def run(
    plan: list[tuple[str, int]],
    *,
    seed: int = 0,
    inject: str = "",
    killed_after_s: float = KILLED_AFTER_S,
) -> Iterator[Ended]:
    """Run a plan of (reader, number), starting the child again whenever it died."""
    child = _Child(seed, inject)
    for name, number in plan:
        if child.process.poll() is not None:
            child = _Child(seed, inject)
        yield child.ask(name, number, killed_after_s)
    child.close()


def plan_of(inputs: int, only: str = "") -> list[tuple[str, int]]:
    """Return (reader, number) for so many inputs, shared out among the readers."""
    from tests.trust.readers import READERS

    if only:
        return [(only, number) for number in range(inputs)]
    whole = sum(reader.share for reader in READERS.values())
    counts = {r.name: round(inputs * r.share / whole) for r in READERS.values()}
    counts["photo"] += inputs - sum(counts.values())
    plan = [(name, number) for name, count in counts.items() for number in range(count)]
    return [plan[at] for at in np.random.default_rng(0).permutation(len(plan))]


def summary(all_ended: list[Ended]) -> str:
    """Return the counts as a Markdown table, then every fault."""
    head = "| reader | inputs | read | refused by name | faults | slowest, s | peak, MB |"
    rows = [head, "| --- | ---: | ---: | ---: | ---: | ---: | ---: |"]
    by_name: dict[str, list[Ended]] = {}
    for ended in all_ended:
        by_name.setdefault(ended.reader, []).append(ended)
    for name, group in [*by_name.items(), ("all", all_ended)]:
        ways = Counter(e.way for e in group)
        slowest, peak = max(e.seconds for e in group), max(e.peak_bytes for e in group)
        rows.append(
            f"| {name} | {len(group)} | {ways['read']} | {ways['refused']} | {ways['fault']} "
            f"| {slowest:.1f} | {peak / 1e6:.0f} |"
        )
    faults = [e for e in all_ended if e.way == "fault"]
    rows += [f"\nFAULT {e.reader} {e.number}: {e.what}" for e in faults]
    return "\n".join(rows)


def main(words: list[str] | None = None, out: TextIO = sys.stdout) -> int:
    """Run from a shell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--reader", default="", help="only this reader")
    parser.add_argument("--only", type=int, default=None, help="only the input of this number")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--inject", default="", help="module:function that breaks a reader first")
    known = parser.parse_args(words)
    if known.child:
        _child(known.seed, known.inject)
        return 0
    plan = plan_of(known.inputs, known.reader)
    if known.only is not None:
        plan = [(known.reader, known.only)]
    done: list[Ended] = []
    try:
        for ended in run(plan, seed=known.seed, inject=known.inject):
            done.append(ended)
            if len(done) % 500 == 0:
                print(f"{len(done)} of {len(plan)}", file=sys.stderr)
            if ended.way == "fault":
                print(f"FAULT {ended.reader} {ended.number}: {ended.what}", file=sys.stderr)
    except KeyboardInterrupt:
        print(f"stopped after {len(done)} of {len(plan)}", file=out)
    print(summary(sorted(done, key=lambda e: (e.reader, e.number))), file=out)
    return 1 if any(e.way == "fault" for e in done) else 0


if __name__ == "__main__":
    sys.exit(main())
