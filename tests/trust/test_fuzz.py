"""A thousand spoiled inputs, always the same; and proof that a broken reader would be noticed.

The long run: ``python -m tests.trust.fuzz --inputs 20000``.
"""

from __future__ import annotations

import pytest

from tests.trust.fuzz import plan_of, run, summary

INPUTS = 1_000


@pytest.mark.slow
def test_a_thousand_inputs_end_in_a_named_error_or_a_right_result():
    ended = list(run(plan_of(INPUTS), seed=2))
    assert len(ended) == INPUTS
    report = summary(ended)
    assert not [e for e in ended if e.way == "fault"], report
    # Both ways out are taken by every reader: neither is all refused nor all let through.
    ways = {(e.reader, e.way) for e in ended}
    never_refuse = {"kept results", "command line"}
    for reader in {e.reader for e in ended}:
        assert (reader, "read") in ways, report
        assert (reader, "refused") in ways or reader in never_refuse, report


@pytest.mark.slow
def test_a_broken_reader_is_noticed():
    plan = [("species table", number) for number in (0, 1, 0, 0)]
    ended = list(run(plan, inject="tests.trust.broken:four_ways"))
    report = summary(ended)
    assert [e.way for e in ended] == ["fault"] * 4, report
    for each, says in zip(ended, ("IndexError", "AssertionError", "took 1.", "died"), strict=True):
        assert says in each.what, report


@pytest.mark.slow
def test_a_hanging_reader_is_noticed():
    ended = list(run([("species table", 0)], inject="tests.trust.broken:hangs", killed_after_s=6))
    assert ended[0].way == "fault"
    assert "hangs" in ended[0].what
