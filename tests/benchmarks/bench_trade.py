"""The trade's figures of one slab: draws against one evaluation, in one run.

.venv/bin/pytest tests/benchmarks/bench_trade.py --benchmark-only -m ""
"""

from __future__ import annotations

from time import perf_counter

import numpy as np
import pytest

from slabvision.estimate import Estimate
from slabvision.trade.board_feet import SlabSizes, tally
from slabvision.trade.flattening import ThicknessReading, Warp
from slabvision.trade.meter import MeterReading
from slabvision.trade.rings import RingProfile
from slabvision.trade.slab_trade import SlabFacts, slab_trade
from slabvision.trade.tally_rules import RULES

IN = 25.4


def _facts(draws: int) -> SlabFacts:
    def typed(value: float, u: float, name: str) -> Estimate:
        return Estimate.normal(value, u, "mm", name=name, draws=draws)

    return SlabFacts(
        sizes=SlabSizes(
            typed(96 * IN, 1.0, "length"),
            tuple(typed((28 + k / 2) * IN, 4.0, f"w{k}") for k in range(9)),
            thickness_mm=typed(2.5 * IN, 0.5, "thickness"),
        ),
        volume_mm3=Estimate.normal(1.2e8, 1e6, "mm3", name="volume", draws=draws),
        species="white oak", log="3",
        readings=tuple(MeterReading(12.0 + k / 5, depth_mm=13) for k in range(5)),
        stated_moisture_pct=9.0, stated_board_feet=52, rule="mean of three, whole feet",
        rings=RingProfile.round_pith(-400.0, 400.0, 150.0, 4.0),
        warp=Warp(bow_mm=6.0, cup_mm=3.0),
        thickness_readings=tuple(ThicknessReading(2.5 * IN, 600.0 * k) for k in range(4)),
    )  # fmt: skip


def test_all_figures_of_a_slab(benchmark: pytest.FixtureRequest) -> None:
    facts = _facts(1000)
    answer = benchmark(slab_trade, facts)  # type: ignore[operator]
    assert all(number.determined for number in answer.numbers.values())


def test_a_thousand_draws_cost_less_than_a_hundred_evaluations(
    benchmark: pytest.FixtureRequest,
) -> None:
    """1000 draws through a rule with jumps against 1000 tallies of plain floats."""
    sizes = _facts(1000).sizes
    assert sizes is not None
    plain = SlabSizes(96 * IN, tuple((28 + k / 2) * IN for k in range(9)), 2.5 * IN)
    rule = RULES["mean of three, whole feet"]
    benchmark(tally, rule, sizes)  # type: ignore[operator]

    def median(call: object, count: int = 15) -> float:
        times = []
        for _ in range(count):
            start = perf_counter()
            call()  # type: ignore[operator]
            times.append(perf_counter() - start)
        return float(np.median(times))

    ratio = median(lambda: tally(rule, sizes)) / median(lambda: tally(rule, plain))
    benchmark.extra_info["draws over one evaluation"] = round(ratio, 1)  # type: ignore[attr-defined]
    assert ratio < 100
